"""`linktrial` with an error in it: `python -m tests.injections_real.linktrial ORDER.json run plan.yaml ...`.

The order names places, an error and a visit. A place of the controller is patched when its module is loaded; one of
the helper before the code is packed for the hosts. Everything else is the command as it is. An order without an error
counts how often each place is come to.
"""

from __future__ import annotations

import atexit
import builtins
import importlib.abc
import importlib.machinery
import json
import sys
from pathlib import Path
from types import CodeType
from typing import Any

from tests.injections_real.errors import CALL_ON_HOST, MODULE_ON_HOST, Struck, patched, source_on_host

CALL = "__injected__(%d)"
ON_HOST = "orchestrator.onhost."
Calls = dict[str, list[tuple[int, str]]]


class _Loader(importlib.machinery.SourceFileLoader):
    """Loads a module with calls in it; never from a cache, never into one."""

    calls: list[tuple[int, str]]

    def get_code(self, fullname: str) -> CodeType:
        path = self.get_filename(fullname)
        return compile(patched(Path(path).read_text(encoding="utf-8"), self.calls), path, "exec", dont_inherit=True)


class _Finder(importlib.abc.MetaPathFinder):
    """Finds the modules that are patched."""

    def __init__(self, calls: Calls) -> None:
        self._calls = calls

    def find_spec(self, fullname: str, path: Any, target: Any = None) -> Any:
        if fullname not in self._calls:
            return None
        spec = importlib.machinery.PathFinder.find_spec(fullname, path)
        assert spec is not None
        assert spec.origin is not None
        spec.loader = loader = _Loader(fullname, spec.origin)
        loader.calls = self._calls[fullname]
        return spec


def main() -> None:
    """Patch, then be the command."""
    order = json.loads(Path(sys.argv[1]).read_text())
    sys.argv = ["linktrial", *sys.argv[2:]]
    here: Calls = {}
    sent: Calls = {}
    for number, (module, line) in enumerate(order["places"]):
        on_host = module.startswith(ON_HOST)
        calls = (sent if on_host else here).setdefault(module, [])
        calls.append((line, (CALL_ON_HOST if on_host else CALL) % number))
    struck = Struck(order["error"], order["visit"], Path(order["mark"]), lasting=order["lasting"])
    builtins.__dict__["__injected__"] = struck.here
    if not order["error"]:
        atexit.register(lambda: Path(order["mark"]).write_text(json.dumps(struck.visits)))
    sys.meta_path.insert(0, _Finder(here))
    if sent:
        _patch_bundle(sent, source_on_host(order["error"], order["visit"], lasting=order["lasting"]))
    from orchestrator.cli import main as command

    command.main()


def _patch_bundle(sent: Calls, struck: str) -> None:
    from orchestrator.act import bundle

    collect = bundle.collect_sources

    def with_calls() -> dict[str, tuple[bool, str]]:
        sources = collect()
        changed = {module: (sources[module][0], patched(sources[module][1], calls)) for module, calls in sent.items()}
        return {**sources, **changed, MODULE_ON_HOST: (False, struck)}

    bundle.collect_sources = with_calls


if __name__ == "__main__":
    main()

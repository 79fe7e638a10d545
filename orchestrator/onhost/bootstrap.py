"""The first of our code to run on a host: makes the modules that came with it importable, and starts the helper.

This text is executed from memory by the constant start command. It imports nothing of ours until its own finder
is in place; nothing is ever written to the host's disk.
"""

from __future__ import annotations

import importlib
import importlib.abc
import importlib.machinery
import sys
from types import ModuleType
from typing import Dict, Mapping, Optional, Sequence

ROOM = "orchestrator.onhost."
Source = Sequence[object]  # whether it is a package, its text
BSD_FAMILY = ("freebsd", "openbsd", "netbsd", "dragonfly")


class SentModules(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Finds and loads modules whose source was sent along, by their full names.

    `other` names the room within ours whose modules stand in for those of the same name above it: bsd, or nothing.
    """

    def __init__(self, sources: Mapping[str, Source], other: str = "") -> None:
        self._sources = {**sources, **(_standing_in(sources, f"{ROOM}{other}.") if other else {})}

    def find_spec(
        self,
        fullname: str,
        path: Optional[Sequence[str]],  # noqa: ARG002 - importlib's signature
        target: Optional[ModuleType] = None,  # noqa: ARG002 - likewise
    ) -> Optional[importlib.machinery.ModuleSpec]:
        """The module's spec when it was sent; None lets Python look where it always looks."""
        if fullname not in self._sources:
            return None
        is_package = bool(self._sources[fullname][0])
        return importlib.machinery.ModuleSpec(fullname, self, origin=f"sent:{fullname}", is_package=is_package)

    def exec_module(self, module: ModuleType) -> None:
        """Compile and run the source that was sent."""
        name = module.__name__
        exec(compile(self.get_source(name), f"<sent {name}>", "exec", dont_inherit=True), module.__dict__)  # noqa: S102 - our own code, its SHA-256 checked by the start command

    def get_source(self, name: str) -> str:
        """The source text, for tracebacks."""
        return str(self._sources[name][1])


def _standing_in(sources: Mapping[str, Source], room: str) -> Dict[str, Source]:
    """By the name of the module replaced; packages stay what they are."""
    found = {ROOM + name[len(room) :]: source for name, source in sources.items() if name.startswith(room)}
    return {name: source for name, source in found.items() if name in sources and not source[0]}


def start(sources: Mapping[str, Source], code_hash: str) -> None:
    """Install the finder and hand over to the helper; does not return. Nothing of ours is loaded on another system."""
    bsd = sys.platform.startswith(BSD_FAMILY)
    if sys.platform != "linux" and not bsd:
        sys.exit(f"linktrial: neither Linux nor BSD: {sys.platform}")
    sys.meta_path.insert(0, SentModules(sources, "bsd" if bsd else ""))
    from orchestrator.onhost.service import helper

    sys.exit(helper.main(code_hash))

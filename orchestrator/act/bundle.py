"""The helper's code as one text, and the constant command that receives and starts it.

The command is the same for every host, user and value: it carries the length and the SHA-256 of the code that it will
accept, so that a sudoers line with this command pins exactly this version, and whoever holds the other end can make it
neither unpack nor keep anything else. The text goes as it is: packed, its hash would depend on who packed it, or be
known only after unpacking what a stranger may have sent. The command has no newline, no single quote, no backslash
and no exclamation mark, because it must mean the same to every login shell (bash, dash, zsh, tcsh, fish, ksh).
"""

from __future__ import annotations

import ast
import functools
import hashlib
import importlib.resources
import re
from dataclasses import dataclass
from importlib.resources.abc import Traversable

SENT_ROOM, SHARED_ROOMS = "onhost", ("wire", "metrics")  # what runs on hosts; what hosts and controller compute with
MARKER = "linktrial:start"
OLDEST_PYTHON = (3, 8)
_IMPORT = re.compile(r"^[ ]*from (orchestrator[.\w]*) import (\([^)]*\)|[^\n#]*)", re.MULTILINE)


@dataclass(frozen=True)
class Bundle:
    """What is sent to a host."""

    blob: bytes
    sha256: str
    needed_modules: tuple[str, ...]

    def command(self, *, sudo: bool = False) -> str:
        """The constant start command; the same text for every host."""
        return f"exec {'sudo -n ' if sudo else ''}python3 -I -B -c '{self.reader()}'"

    def reader(self) -> str:
        """The fixed Python program behind -c: say who we are, take the code, check it, run it.

        The marker is put together at run time, so that a shell that only echoes the command is not taken for us.
        """
        first, second = MARKER.split(":")
        needed = ",".join(self.needed_modules)
        return (
            "import sys,hashlib,importlib.util as u;"
            f'm=[n for n in "{needed}".split(",") if u.find_spec(n) is None];'
            f'print("{first}"+":{second}",".".join(map(str,sys.version_info[:3])),",".join(m) or "-",flush=True);'
            f"b=sys.stdin.buffer.read({len(self.blob)});"
            f'hashlib.sha256(b).hexdigest()=="{self.sha256}" or sys.exit("linktrial: not the code of this command");'
            f'exec(b,dict(__name__="linktrial_start",code_hash="{self.sha256}"))'
        )


@functools.cache
def helper_bundle() -> Bundle:
    """The bundle made from the installed package's own source."""
    return make_bundle(collect_sources())


def make_bundle(sources: dict[str, tuple[bool, str]]) -> Bundle:
    """Pack {module name: (is a package, source)}; equal sources give equal bytes."""
    bootstrap = sources["orchestrator.onhost.bootstrap"][1]
    # ascii() of plain types is the same text on every Python that may build it
    code = f"{bootstrap}\n\nstart({dict(sorted(sources.items()))!a}, code_hash)\n".encode("ascii")
    return Bundle(code, hashlib.sha256(code).hexdigest(), needed_modules(sources))


def collect_sources() -> dict[str, tuple[bool, str]]:
    """The source of everything a host gets: {module name: (is a package, source)}."""
    package = importlib.resources.files("orchestrator")
    sources = {"orchestrator": (True, package.joinpath("__init__.py").read_text(encoding="utf-8"))}
    _collect(package.joinpath(SENT_ROOM), f"orchestrator.{SENT_ROOM}", sources)
    shared: dict[str, tuple[bool, str]] = {}
    for room in SHARED_ROOMS:
        _collect(package.joinpath(room), f"orchestrator.{room}", shared)
    waiting = set(sources)
    while waiting:
        used = {name for module in waiting for name in _imported(sources[module][1]) if name in shared}
        waiting = used - sources.keys()
        sources.update({name: shared[name] for name in waiting})
    return sources


def _imported(source: str) -> set[str]:
    """The names of ours that a source imports, and those of the packages around them; by the lines' form alone."""
    found: set[str] = set()
    for module, names in _IMPORT.findall(source):
        whole = [f"{module}.{name}" for name in re.findall(r"\w+", names)]
        parts = module.split(".")
        found |= {*whole, *(".".join(parts[:count]) for count in range(1, len(parts) + 1))}
    return found


def _collect(folder: Traversable, name: str, sources: dict[str, tuple[bool, str]]) -> None:
    for entry in folder.iterdir():
        if entry.is_dir():
            if entry.joinpath("__init__.py").is_file():
                _collect(entry, f"{name}.{entry.name}", sources)
        elif entry.name == "__init__.py":
            sources[name] = (True, entry.read_text(encoding="utf-8"))
        elif entry.name.endswith(".py"):
            sources[f"{name}.{entry.name[:-3]}"] = (False, entry.read_text(encoding="utf-8"))


def needed_modules(sources: dict[str, tuple[bool, str]]) -> tuple[str, ...]:
    """The standard library modules that the sent code cannot do without.

    Only unconditional imports count: what is imported inside `try` or a function may be done without.
    """
    found: set[str] = set()
    for _, source in sources.values():
        for node in ast.parse(source).body:
            if isinstance(node, ast.Import):
                found |= {alias.name.partition(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
                found.add(node.module.partition(".")[0])
    return tuple(sorted(found - {"orchestrator", "__future__"}))

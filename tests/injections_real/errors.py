"""The errors that are raised, and raising one at a certain visit. Loads nothing of ours before that is patched."""

from __future__ import annotations

import asyncio
import threading
from collections import Counter
from collections.abc import Callable, Iterable
from pathlib import Path


def _fault(kind: str) -> Exception:
    """One of the four kinds, from the module as it is loaded when it is raised."""
    from orchestrator import faults

    made: Exception = getattr(faults, kind)("injected", "dome: injected")
    return made


ERRORS: dict[str, Callable[[], BaseException]] = {
    "KeyError": lambda: KeyError("injected"),
    "RecursionError": lambda: RecursionError("injected"),
    "MemoryError": lambda: MemoryError("injected"),
    "OSError": lambda: OSError(5, "injected"),
    "TimeoutError": lambda: TimeoutError("injected"),
    "CancelledError": lambda: asyncio.CancelledError("injected"),
    "BugError": lambda: _fault("BugError"),
    "HostError": lambda: _fault("HostError"),
}
# By name only: they are sent as text.
ON_HOSTS = ("KeyError", "RecursionError", "AssertionError", "MemoryError", "OSError")
# What real systems raise, too: where one is expected it is handled as what it means there.
OF_THE_WORLD = frozenset({"OSError", "TimeoutError", "HostError"})
OF_A_HOST = frozenset({"OSError", "MemoryError"})


class Struck:
    """Counts the visits of places; raises at one visit of a place, or at it and all later ones."""

    def __init__(self, error: str, visit: int, mark: Path, *, lasting: bool) -> None:
        """`error` "": nothing is raised, only counted. `mark` is written when it has been raised."""
        self._error, self._visit, self._mark, self._lasting = error, visit, mark, lasting
        self._lock = threading.Lock()
        self.visits: Counter[int] = Counter()

    def here(self, number: int) -> None:
        """Called by a patched place."""
        with self._lock:
            self.visits[number] += 1
            visit = self.visits[number]
        if self._error and (visit == self._visit or (self._lasting and visit > self._visit)):
            self._mark.write_text("struck")
            raise ERRORS[self._error]()


MODULE_ON_HOST = "orchestrator.onhost.struck"
CALL_ON_HOST = f"__import__('{MODULE_ON_HOST}', fromlist=['here']).here(%d)"
MARK_ON_HOST = "/tmp/injected"


def source_on_host(error: str, visit: int, *, lasting: bool) -> str:
    """The module that is sent along. Visits are lines of a file, so that they count over all processes of a host."""
    made = {"OSError": "OSError(5, 'injected')"}.get(error, f"{error}('injected')")
    when = f"visits == {visit}" + (f" or visits > {visit}" if lasting else "")
    strike = f"\n    visits = size // 5\n    if {when}:\n        raise {made}\n" if error else "\n"
    return f"""
import os


def here(number):
    mark = os.open({MARK_ON_HOST!r}, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    try:
        os.write(mark, b"%04d\\n" % number)
        size = os.fstat(mark).st_size
    finally:
        os.close(mark){strike}"""


def patched(source: str, calls: Iterable[tuple[int, str]]) -> str:
    """The source with each call on a line of its own before its line."""
    lines = source.splitlines(keepends=True)
    for line, call in sorted(calls, reverse=True):
        old = lines[line - 1]
        lines.insert(line - 1, f"{old[: len(old) - len(old.lstrip())]}{call}\n")
    return "".join(lines)

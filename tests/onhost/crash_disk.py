"""A stand-in for the `os` module below the host's record: stops at the n-th step and decides what the disk kept.

What was written but not flushed has four fates: kept, lost, cut off, or followed by garbage; what was flushed is
kept. A rename that no flush of the folder followed is kept or undone.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

FATES = ("kept", "lost", "cut", "garbage")


class Stopped(BaseException):  # nothing may catch it, as nothing catches a power cut
    """The machine stopped here."""


class Steps:
    """Counts steps of the disk and of the settings; stops at one of them."""

    def __init__(self, stop_at: int = 0, fate: str = "kept") -> None:
        """`stop_at` 0: never."""
        self.count, self.stop_at, self.fate = 0, stop_at, fate
        self.on_stop: Callable[[str], None] = lambda fate: None

    def step(self) -> None:
        """One step; the last one leaves the disk to its fate."""
        self.count += 1
        if self.count == self.stop_at:
            self.on_stop(self.fate)
            raise Stopped


class CrashingOs:
    """What record.py uses of `os`; everything else is the real one."""

    def __init__(self, steps: Steps) -> None:
        self._steps = steps
        self._flushed: set[str] = set()
        self._in_doubt: list[str] = []  # renamed into place without having been flushed
        self._renamed: list[tuple[str, bytes | None]] = []  # since the folder's last flush: target, content before
        steps.on_stop = self._stop

    def __getattr__(self, name: str) -> Any:
        return getattr(os, name)

    def open(self, path: str, *more: Any) -> int:
        """A file that is opened to be written is in doubt until it is flushed."""
        self._flushed.discard(path)
        return os.open(path, *more)

    def fsync(self, handle: int) -> None:
        """Before it, the file's content is at the disk's mercy; after it, it is safe."""
        path = Path(f"/proc/self/fd/{handle}").readlink()
        if path.is_dir():
            self._steps.step()
            self._renamed = []
        else:
            self._in_doubt.append(str(path))
            self._steps.step()
            self._in_doubt.remove(str(path))
            self._flushed.add(str(path))

    def rename(self, source: str, target: str) -> None:
        """Atomic; but it may be undone until the folder is flushed."""
        self._steps.step()
        before = Path(target).read_bytes() if Path(target).exists() else None
        Path(source).rename(target)
        self._renamed.append((target, before))
        if source not in self._flushed:
            self._in_doubt.append(target)

    def unlink(self, path: str) -> None:
        """A file less."""
        self._steps.step()
        Path(path).unlink()

    def rmdir(self, path: str) -> None:
        """The folder itself."""
        self._steps.step()
        Path(path).rmdir()

    def _stop(self, fate: str) -> None:
        """What the disk kept of what it was not told to keep."""
        if fate == "kept":
            return
        for name in self._in_doubt:
            _spoil(Path(name), fate)
        for target, before in reversed(self._renamed):
            if before is None:
                Path(target).unlink(missing_ok=True)
            elif Path(target).parent.is_dir():
                Path(target).write_bytes(before)


def _spoil(path: Path, fate: str) -> None:
    if path.exists():
        content = path.read_bytes()
        path.write_bytes(
            {"lost": b"", "cut": content[: len(content) // 2], "garbage": content[:-7] + b"\0garbage"}[fate]
        )

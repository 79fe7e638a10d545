"""A stand-in for the `os` module below the host's record: stops at the n-th step and decides what the disk kept.

What was written but not flushed has four fates: kept, lost, cut off, or followed by garbage. What was flushed is
kept. A rename that no flush of the folder followed may be undone.
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

    def step(self, on_stop: Callable[[str], None] = lambda fate: None) -> None:
        """One step; `on_stop` applies the fate when it is the last."""
        self.count += 1
        if self.count == self.stop_at:
            on_stop(self.fate)
            raise Stopped


class CrashingOs:
    """What record.py uses of `os`; everything else is the real one."""

    def __init__(self, steps: Steps) -> None:
        self._steps = steps
        self._renamed: tuple[str, str, bytes | None] | None = None

    def __getattr__(self, name: str) -> Any:
        return getattr(os, name)

    def fsync(self, handle: int) -> None:
        """Before it, the file's content is at the disk's mercy; after it, it is safe."""
        path = Path(f"/proc/self/fd/{handle}").readlink()
        self._steps.step(lambda fate: self._undo_rename(fate) if path.is_dir() else self._spoil(path, fate))
        if path.is_dir():
            self._renamed = None

    def rename(self, source: str, target: str) -> None:
        """Atomic; but it may be undone until the folder is flushed."""
        self._steps.step()
        before = Path(target).read_bytes() if Path(target).exists() else None
        Path(source).rename(target)
        self._renamed = (source, target, before)

    def unlink(self, path: str) -> None:
        """A file less."""
        self._steps.step()
        Path(path).unlink()

    def rmdir(self, path: str) -> None:
        """The folder itself."""
        self._steps.step()
        Path(path).rmdir()

    @staticmethod
    def _spoil(path: Path, fate: str) -> None:
        content = path.read_bytes()
        kept = {"kept": content, "lost": b"", "cut": content[:len(content) // 2],
                "garbage": content[:-7] + b"\0garbage"}
        path.write_bytes(kept[fate])

    def _undo_rename(self, fate: str) -> None:
        if fate == "kept" or self._renamed is None:
            return
        _, target, before = self._renamed
        if before is None:
            Path(target).unlink()
        else:
            Path(target).write_bytes(before)

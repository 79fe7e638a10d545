"""Kernel files that are opened once and read again and again: opening costs more than reading."""

from __future__ import annotations

import os
from typing import Optional

_CHUNK_BYTES = 1 << 16


class KeptFile:
    """One open file of /proc or /sys. Reading never raises: what cannot be read is b""."""

    def __init__(self, path: str) -> None:
        """`path` may be missing: the file then reads as b""."""
        self.path = path
        try:
            self._descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
        except OSError:
            self._descriptor = -1

    @property
    def is_open(self) -> bool:
        """Whether the file could be opened."""
        return self._descriptor >= 0

    def read(self) -> bytes:
        """The content in one read: right for single values and for files the kernel renders in one piece."""
        return self._read_at(0)

    def read_records(self) -> bytes:
        """The content of a file that the kernel renders record by record, at most a page for each read."""
        whole = self._read_at(0)
        while True:
            more = self._read_at(len(whole))
            if not more:
                return whole
            whole += more

    def number(self) -> Optional[int]:
        """The single whole number in the file, or None."""
        try:
            return int(self._read_at(0))
        except ValueError:
            return None

    def _read_at(self, offset: int) -> bytes:
        if self._descriptor < 0:
            return b""
        try:
            return os.pread(self._descriptor, _CHUNK_BYTES, offset)
        except OSError:  # a sensor that does not answer, a process that has ended
            return b""

    def close(self) -> None:
        """Give the descriptor back."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1


def read_once(path: str) -> bytes:
    """The content of a file that is read only once, b"" when it cannot be."""
    kept = KeptFile(path)
    try:
        return kept.read_records()
    finally:
        kept.close()

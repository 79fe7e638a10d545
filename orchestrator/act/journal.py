"""The journal's file: append only, flushed to the disk before anything that it announces is done.

What is measured while a trial runs announces nothing, so `append_soon` only hands it to the system, where it outlives
this process, and `flush`, a moment later and beside the loop, brings it to the disk, where it outlives a cut of the
power.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import shlex
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType

from orchestrator.act.supervised import in_thread
from orchestrator.decide.interval_lines import INTERVALS, IntervalLine
from orchestrator.decide.journal_lines import MOST_BYTES, Cut, Entry, Walk, encode
from orchestrator.faults import BugError, HostError
from orchestrator.run_files import Folder
from orchestrator.stored import Json, made_of

MOST_CUT_BYTES = 64 << 20  # of what is kept of a tail that is no part of the story
FLUSH_TIMEOUT_S = 60.0
JOURNAL_WRITE = "journal_write"  # the code of a journal that cannot be written any more


class Journal:
    """Appends lines to `journal.jsonl`. A write or flush that fails ends the run: nothing is retried in hope."""

    def __init__(self, path: Path) -> None:
        """Open the journal for appending; a bad tail from a crash is cut off first, and kept beside it."""
        self.path = path
        self.cut: Cut | None = None
        self._broken = False
        self._fault: HostError | None = None  # of a write or flush that nobody waited for
        self._unflushed = False
        self._writing = threading.Lock()
        self._folder = Folder(path.parent)
        self._file = self._folder.open_append(path.name)
        try:
            _lock(self._file, path)
        except HostError:
            os.close(self._file)
            raise
        self.entries_found, self._number, self._sum = self._recover()
        flush_folder(path.parent)

    def append(self, kind: str, body: Json) -> Entry:
        """Write one line and flush it; returns only when it is on the disk."""
        with self._writing:
            fault, self._fault = self._fault, None
            if fault is not None:
                raise fault
            if self._broken:
                raise BugError("journal_broken", "the journal could not be written; the run must end")
            try:
                entry = self._write(kind, body)
                os.fdatasync(self._file)
                self._unflushed = False
            except OSError as error:
                raise self._break(error) from error
            return entry

    def append_soon(self, line: IntervalLine) -> None:
        """Write what was measured; it outlives this process, and `flush` brings it to the disk.

        A write that fails is raised by the next `append`, which is the journal's end.
        """
        with self._writing:
            if self._broken:
                return
            try:
                self._write(INTERVALS, line.as_dict())
                self._unflushed = True
            except OSError as error:
                self._fault = self._break(error)

    async def flush(self) -> bool:
        """Bring to the disk what `append_soon` wrote, beside the loop; False when that fails (see there)."""
        try:
            return await in_thread(self._flush, FLUSH_TIMEOUT_S)
        except TimeoutError:
            self._fault = self._break(OSError(f"the disk has taken nothing for {FLUSH_TIMEOUT_S:g} s"))
            return False

    def _flush(self) -> bool:
        with self._writing:
            if self._broken or not self._unflushed:
                return not self._broken
            self._unflushed = False
        try:
            os.fdatasync(self._file)
        except OSError as error:
            self._fault = self._break(error)
        return not self._broken

    def _write(self, kind: str, body: Json) -> Entry:
        entry = Entry(self._number + 1, datetime.now(UTC).isoformat(timespec="milliseconds"), kind, body)
        line, total = encode(entry, self._sum)
        data = line.encode() + b"\n"
        if os.write(self._file, data) != len(data):
            raise OSError("the disk took only part of a line")
        self._number, self._sum = entry.number, total
        return entry

    def _break(self, error: OSError) -> HostError:
        self._broken = True
        return HostError(
            JOURNAL_WRITE,
            f"cannot write {self.path}: {error}",
            host="controller",
            next_step="make room on the disk, then: linktrial resume " + str(self.path.parent),
        )

    def _recover(self) -> tuple[list[Entry], int, str]:
        entries, walk = _story(self.path)
        self.cut = walk.cut
        if self.cut:
            with self._folder.open_read(self.path.name, MOST_BYTES) as file:
                file.seek(self.cut.byte)
                self._folder.write(self.path.with_suffix(".cut").name, file.read(MOST_CUT_BYTES), private=True)
            os.ftruncate(self._file, self.cut.byte)
            os.fsync(self._file)
        return entries, walk.number, walk.sum

    def close(self) -> None:
        """Close the file."""
        os.close(self._file)

    def __enter__(self) -> Journal:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _lock(file: int, path: Path) -> None:
    """One controller per run: two would fight over the hosts' leases."""
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        raise HostError(
            "run_in_use",
            f"{path.parent}: another linktrial is driving this run",
            host="controller",
            next_step="wait for it, end it, or look with: linktrial show " + str(path.parent),
        ) from error


@contextlib.contextmanager
def undriven(path: Path) -> Iterator[None]:
    """Keep other controllers from a run, without writing: its disk may be full. HostError when one is at it."""
    with Folder(path.parent).open_read(path.name, MOST_BYTES) as file:
        _lock(file.fileno(), path)
        yield


@contextlib.contextmanager
def alone_in(folder: Path) -> Iterator[None]:
    """Keep other controllers from a suite's folder; HostError when one is at it. Ends with the process, too."""
    with Folder(folder).handle() as handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise HostError(
                "suite_in_use",
                f"{folder}: another linktrial is running this suite",
                host="controller",
                next_step=f"wait for it, end it, or look with: linktrial show {shlex.quote(str(folder))}",
            ) from error
        yield


def read_lines(path: Path) -> tuple[list[Entry], Cut | None, str]:
    """The journal's good entries but the intervals, where it was cut, and the last good checksum; changes nothing."""
    entries, walk = _story(path)
    return entries, walk.cut, walk.sum


def holds_any(path: Path) -> bool:
    """Whether the journal begins with a good line."""
    with Folder(path.parent).open_read(path.name, MOST_BYTES) as file:
        return next(iter(Walk(file)), None) is not None


def _story(path: Path) -> tuple[list[Entry], Walk]:
    with Folder(path.parent).open_read(path.name, MOST_BYTES) as file:
        walk = Walk(file)
        with made_of(path):
            return [line.entry() for line in walk if line.kind != INTERVALS], walk


def flush_folder(folder: Path) -> None:
    """The names in a folder are on the disk when this returns."""
    Folder(folder).flush()

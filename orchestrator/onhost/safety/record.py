"""The host's own record of who holds it and what to restore, and the lock under which everything is decided.

Two files take turns (`record.0`, `record.1`), each with a serial number and a checksum: whatever is torn or lost of
the newer one, the older is whole. A third (renewed.py) may put the deadline off. The lock file is in the same folder,
which disappears when the lease is released; whoever gets the lock therefore makes sure that the file it locked is
still the one in the folder.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import json
import os
import stat
import time
import zlib
from typing import Iterator, Tuple, cast

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety import lock_holder, renewed
from orchestrator.onhost.safety.state import LeaseState
from orchestrator.onhost.system import boot

_LOCK = "lock"
_FILES = ("record.0", "record.1")
LOCK_TIMEOUT_S = 20.0


def default_directory() -> str:
    """Where this user's record lies: what a reboot empties, as it does the settings."""
    return boot.record_folder() if os.getuid() == 0 else boot.user_record_folder(os.getuid())


def boottime_ns() -> int:
    """The clock of leases, in nanoseconds: does not follow the wall clock."""
    return boot.boottime_ns()


def boot_id() -> str:
    """What tells one start of this host from the next."""
    return boot.boot_id()


class Record:
    """The record in one folder."""

    def __init__(self, directory: str = "") -> None:
        self.directory = directory or default_directory()

    @contextlib.contextmanager
    def locked(self, timeout_s: float = LOCK_TIMEOUT_S) -> Iterator[None]:
        """Hold the host's lock; Refusal "locked" when another process keeps it longer than `timeout_s`."""
        until = time.monotonic() + timeout_s
        lock = -1
        try:
            while lock < 0:
                lock = self._try_lock()
                if lock < 0:
                    if time.monotonic() >= until:
                        raise self._locked_by_another(timeout_s)
                    time.sleep(0.005)
            yield
        finally:
            if lock >= 0:
                self._remove_if_empty(lock)
                fcntl.flock(lock, fcntl.LOCK_UN)  # closing it would leave it to a child of ours that is stuck
                os.close(lock)

    def _locked_by_another(self, timeout_s: float) -> Refusal:
        found = lock_holder.holder(os.path.join(self.directory, _LOCK))
        return Refusal(
            "locked",
            f"another change on this host has not ended within {timeout_s:g} s: {lock_holder.in_words(found)}",
            **found,
        )

    def load(self) -> LeaseState | None:
        """The last whole state; None when nobody holds or held this host. Refusal when that cannot be known."""
        if not self._is_ours():
            return None
        found = [state for state in (self._read(name) for name in _FILES) if state is not None]
        newest = max(found, key=lambda state: state["serial"], default=None)
        return None if newest is None else self._with_renewal(newest)

    def _with_renewal(self, state: LeaseState) -> LeaseState:
        """The state with the deadline that the last renewal gave it."""
        last = renewed.read(self.directory)
        if last is None or state.get("standing") != "held" or last.token != state.get("token"):
            return state
        return {
            **state,
            "deadline_ns": max(state["deadline_ns"], last.deadline_ns),
            "superseded": None if last.used else state.get("superseded"),
        }

    def stamp(self) -> Tuple[object, ...]:
        """What is another tuple once `load` may give another state; cheaper than loading."""
        found = []
        for name in (*_FILES, renewed.FILE):
            with contextlib.suppress(OSError):
                seen = os.stat(os.path.join(self.directory, name), follow_symlinks=False)
                found.append((name, seen.st_ino, seen.st_mtime_ns, seen.st_size))
        return tuple(found)

    def save(self, state: LeaseState) -> None:
        """Write the next state so that it is there whole, or not at all; Refusal when it cannot be kept."""
        last = self.load()
        state["serial"] = (0 if last is None else last["serial"]) + 1
        body = json.dumps(state, separators=(",", ":"), sort_keys=True).encode("utf-8")
        text = b"%08x " % zlib.crc32(body) + body
        path = os.path.join(self.directory, _FILES[state["serial"] % 2])
        try:
            self._make_directory()
            try:
                self._write(path + ".new", text)
            except OSError as error:
                if error.errno not in (errno.ENOSPC, errno.EDQUOT):
                    raise
                with contextlib.suppress(FileNotFoundError):
                    os.unlink(path)  # a full disk: the older of the two, which this one replaces, makes room
                self._write(path + ".new", text)
            os.rename(path + ".new", path)
            self._sync_directory()
        except OSError as error:
            raise self._unusable("keep", error) from error

    def remove(self) -> None:
        """Leave nothing behind. Only under the lock: the next one to lock finds the folder gone and starts anew."""
        for name in [*_FILES, *(name + ".new" for name in _FILES), renewed.FILE, _LOCK]:
            with contextlib.suppress(FileNotFoundError):
                os.unlink(os.path.join(self.directory, name))
        try:
            os.rmdir(self.directory)
        except OSError as error:
            # ENOTEMPTY: with the lock file gone, the next one has made its own already and stays in the folder
            if error.errno not in (errno.ENOENT, errno.ENOTEMPTY):
                raise

    def _remove_if_empty(self, lock: int) -> None:
        """Who came for a record that was gone meanwhile has made the folder again, and takes it along."""
        names = [os.path.join(self.directory, name) for name in _FILES]
        if not any(os.path.lexists(name) for name in names) and self._is_in_folder(lock):
            self.remove()

    def _is_in_folder(self, lock: int) -> bool:
        """Whether the locked file is still the one in the folder, not of an earlier folder by this name."""
        try:
            return os.fstat(lock).st_ino == os.stat(os.path.join(self.directory, _LOCK)).st_ino
        except FileNotFoundError:
            return False

    def _unusable(self, what: str, error: OSError) -> Refusal:
        """The record can be neither trusted nor replaced: `what` is what could not be done with it."""
        return Refusal(
            "record",
            f"this host cannot {what} its record in {self.directory}: {error.strerror}",
            directory=self.directory,
            errno=error.errno,
        )

    @staticmethod
    def _write(path: str, text: bytes) -> None:
        with open(path, "wb", opener=_private) as handle:
            handle.write(text)
            handle.flush()
            os.fsync(handle.fileno())

    def _read(self, name: str) -> LeaseState | None:
        try:
            with open(os.path.join(self.directory, name), "rb") as handle:
                text = handle.read()
        except FileNotFoundError:
            return None
        except OSError as error:  # no file handle left, say: the newer state may be there all the same
            raise self._unusable("read", error) from error
        mark, _, body = text.partition(b" ")
        if mark != b"%08x" % zlib.crc32(body):
            return None
        try:
            state = json.loads(body)
        except ValueError:
            return None
        if not isinstance(state, dict) or not isinstance(state.get("serial"), int):
            return None
        return cast("LeaseState", state)  # as `save` wrote it: the checksum is right

    def _try_lock(self) -> int:
        """The locked file's descriptor, or -1 when another holds it or the folder was just removed."""
        path = os.path.join(self.directory, _LOCK)
        try:
            self._make_directory()
            lock = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
        except FileNotFoundError:
            return -1
        except OSError as error:
            raise self._unusable("keep", error) from error
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            if self._is_in_folder(lock):
                lock_holder.note_holder(lock)
                return lock
        except OSError as error:
            if error.errno != errno.EWOULDBLOCK:
                os.close(lock)
                raise
        os.close(lock)
        return -1

    def _make_directory(self) -> None:
        """The folder, ours alone; Refusal when someone else made one by this name (/tmp is everybody's)."""
        with contextlib.suppress(FileExistsError):
            os.mkdir(self.directory, 0o700)
        if not self._is_ours():
            raise FileNotFoundError(errno.ENOENT, "the folder was removed again", self.directory)

    def _is_ours(self) -> bool:
        """Whether the folder is there; Refusal when it is not ours alone."""
        try:
            seen = os.lstat(self.directory)
        except FileNotFoundError:
            return False
        if not stat.S_ISDIR(seen.st_mode) or seen.st_uid != os.getuid() or seen.st_mode & 0o077:
            raise Refusal(
                "record", f"{self.directory} is there, but is not a folder of this user's own", directory=self.directory
            )
        return True

    def _sync_directory(self) -> None:
        folder = os.open(self.directory, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def _private(path: str, flags: int) -> int:
    return os.open(path, flags | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)

"""The one door to what lies inside a run's or a suite's folder, which may come from a stranger.

Everything is opened relative to a handle of the folder itself; no link inside it is followed, only regular files are
read, sizes are bounded, a new file appears whole by renaming, and what is appended to must be a file of our own. The
folder that the user names may itself be a link: that is the user's word, not the stranger's.

Every reader and writer of such a folder goes through here; `tests/house` refuses any other opening.
"""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from orchestrator.faults import PlanError
from orchestrator.stored import loads

MOST_NAMES = 20_000  # files in one folder that are looked at
_MEBI = 1024 * 1024
MOST_TEXT_BYTES = 64 * _MEBI
MOST_TABLE_BYTES = 2048 * _MEBI
MOST_JSON_DEPTH = 64
_PRIVATE = 0o600


@dataclass(frozen=True)
class Folder:
    """A folder to read from and write into: the one the user named, or one below it, each step by its own name."""

    path: Path
    below: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """For messages: the whole path."""
        return str(self.path.joinpath(*self.below))

    def inner(self, name: str) -> Folder:
        """A folder inside this one; it need not be there yet."""
        return Folder(self.path, (*self.below, _plain(name)))

    def at(self, name: str) -> Path:
        """Where a file would be, for messages and for `modified` times only: never open it by this path."""
        return self.path.joinpath(*self.below, name)

    # -- looking

    def has(self, name: str) -> bool:
        """Whether a regular file of this name is there, itself and not by a link."""
        status = self._status(name)
        return status is not None and stat.S_ISREG(status.st_mode)

    def has_folder(self, name: str) -> bool:
        """Whether a folder of this name is there, itself and not by a link."""
        status = self._status(name)
        return status is not None and stat.S_ISDIR(status.st_mode)

    def size_bytes(self, name: str) -> int:
        """The size of a file; 0 when there is none."""
        status = self._status(name)
        return status.st_size if status is not None and stat.S_ISREG(status.st_mode) else 0

    def modified_ns(self, name: str) -> int:
        """When a file was last written; 0 when there is none."""
        status = self._status(name)
        return status.st_mtime_ns if status is not None and stat.S_ISREG(status.st_mode) else 0

    def names(self) -> list[str]:
        """What the folder holds, sorted; PlanError when it is missing or holds more than anybody made by a run."""
        with self.handle() as handle, os.scandir(handle) as entries:
            found = []
            for entry in entries:
                found.append(entry.name)
                if len(found) > MOST_NAMES:
                    raise PlanError(
                        "run_folder_large", f"{self.name} holds more than {MOST_NAMES} files", path=self.name
                    )
        return sorted(found)

    # -- reading

    def open_read(self, name: str, most_bytes: int = MOST_TABLE_BYTES) -> BinaryIO:
        """A regular file to read from; PlanError when it is missing, a link, a device, a pipe, or too large."""
        path = self.at(name)
        with self.handle() as handle:
            try:
                file = os.open(_plain(name), os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC, dir_fd=handle)
            except FileNotFoundError as error:
                raise PlanError("run_file_missing", f"{path} is missing", path=str(path)) from error
            except OSError as error:
                raise _odd(path, error) from error
        try:
            status = os.fstat(file)
            if not stat.S_ISREG(status.st_mode):
                raise PlanError("run_file_odd", f"{path} is not a regular file", path=str(path))
            if status.st_size > most_bytes:
                raise PlanError(
                    "run_file_large",
                    f"{path} holds {status.st_size} bytes, more than the {most_bytes} that are read",
                    path=str(path),
                    size_bytes=status.st_size,
                )
            return os.fdopen(file, "rb")
        except BaseException:
            os.close(file)
            raise

    def read(self, name: str, most_bytes: int = MOST_TEXT_BYTES) -> bytes:
        """The whole content of a file, also of one that grows meanwhile; errors as `open_read`."""
        kept = bytearray()  # in parts: room for all that may be read is not taken before it is there
        with self.open_read(name, most_bytes) as file:
            while len(kept) < most_bytes and (part := file.read(min(_MEBI, most_bytes - len(kept)))):
                kept += part
        return bytes(kept)

    def text(self, name: str, most_bytes: int = MOST_TEXT_BYTES) -> str:
        """A text file's content; bytes that are not UTF-8 are replaced."""
        return self.read(name, most_bytes).decode("utf-8", errors="replace")

    def last_lines(self, name: str, count: int, most_bytes: int = 64 * 1024) -> list[str]:
        """The end of a text file of any length; no more of it is read than that."""
        with self.open_read(name) as file:
            file.seek(max(0, file.seek(0, os.SEEK_END) - most_bytes))
            return file.read(most_bytes).decode("utf-8", errors="replace").splitlines()[-count:]

    def json(self, name: str) -> Any:
        """A JSON file's content; PlanError when it is no JSON or nested too deeply."""
        try:
            value = loads(self.text(name))
        except ValueError as error:
            raise PlanError("run_file_broken", f"{self.at(name)} is not JSON: {error}", path=name) from error
        if _depth_exceeds(value, MOST_JSON_DEPTH):
            raise PlanError("run_file_broken", f"{self.at(name)} is nested more than {MOST_JSON_DEPTH} deep", path=name)
        return value

    # -- writing: OSError when the disk does not take it

    def open_append(self, name: str) -> int:
        """A descriptor that appends to a file, made private when it is new.

        PlanError when what is there is not a file that this user made: a link, a device, a second name of another file.
        """
        path = self.at(name)
        flags = os.O_RDWR | os.O_APPEND | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
        with self.handle() as handle:
            try:
                file = os.open(_plain(name), flags | os.O_CREAT, _PRIVATE, dir_fd=handle)
            except OSError as error:
                if error.errno in _FULL:
                    raise
                raise _odd(path, error) from error
        status = os.fstat(file)
        if not stat.S_ISREG(status.st_mode) or status.st_nlink != 1 or status.st_uid != os.geteuid():
            os.close(file)
            raise PlanError(
                "run_file_odd", f"{path} is not a regular file of your own; nothing was written to it", path=str(path)
            )
        os.fchmod(file, _PRIVATE)
        return file

    def append(self, name: str, data: bytes) -> None:
        """Add bytes to a file's end."""
        with os.fdopen(self.open_append(name), "ab") as file:
            file.write(data)

    def write(self, name: str, content: str | bytes, *, flush: bool = False, private: bool = False) -> None:
        """A file that a reader sees as it was or as it is now, never a part; `flush`: even after a power cut.

        Whatever has the name already is replaced, not followed.
        """
        data = content.encode("utf-8") if isinstance(content, str) else content
        with self._changing(name), self.handle() as handle:
            temporary = f".{_plain(name)[:200]}.{secrets.token_hex(6)}"
            flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
            try:  # from before the file is there: a signal may end us at any moment
                file = os.open(temporary, flags, _PRIVATE if private else 0o666, dir_fd=handle)
                with os.fdopen(file, "wb") as opened:
                    opened.write(data)
                    if flush:
                        opened.flush()
                        os.fsync(opened.fileno())
                os.replace(temporary, name, src_dir_fd=handle, dst_dir_fd=handle)
            except BaseException:
                with contextlib.suppress(OSError):
                    os.unlink(temporary, dir_fd=handle)
                raise
            if flush:
                os.fsync(handle)

    def rename(self, name: str, new: str) -> None:
        """Give a file another name, in place of whatever had it; PlanError when that is a folder."""
        with self._changing(new), self.handle() as handle:
            os.replace(_plain(name), _plain(new), src_dir_fd=handle, dst_dir_fd=handle)

    def make(self) -> Folder:
        """See that this folder is there; the ones above it must be. PlanError when something else has its name."""
        if not self.below:
            self.path.mkdir(parents=True, exist_ok=True)
            return self
        with Folder(self.path, self.below[:-1]).handle() as handle, contextlib.suppress(FileExistsError):
            os.mkdir(self.below[-1], 0o700, dir_fd=handle)
        with self.handle():
            return self

    def remove(self, name: str) -> None:
        """Take a file (or a link itself) away; nothing happens when there is none. PlanError when it is a folder."""
        with self._changing(name), self.handle() as handle, contextlib.suppress(FileNotFoundError):
            os.unlink(_plain(name), dir_fd=handle)

    def flush(self) -> None:
        """The names in the folder are on the disk when this returns."""
        with self.handle() as handle:
            os.fsync(handle)

    # -- the handle

    @contextlib.contextmanager
    def handle(self) -> Iterator[int]:
        """The folder, open: for what nothing else here does, such as keeping others out of it."""
        handle = _open_folder(self.path, None)
        try:
            for place, name in enumerate(self.below, 1):
                inner = _open_folder(self.path.joinpath(*self.below[:place]), handle, name)
                os.close(handle)
                handle = inner
            yield handle
        finally:
            os.close(handle)

    @contextlib.contextmanager
    def _changing(self, name: str) -> Iterator[None]:
        """An error names the file by its own name and place, not by what it is called meanwhile."""
        try:
            yield
        except (IsADirectoryError, NotADirectoryError) as error:
            raise _odd(self.at(name), error) from error
        except OSError as error:
            raise OSError(error.errno, error.strerror, str(self.at(name))) from error

    def _status(self, name: str) -> os.stat_result | None:
        try:
            with self.handle() as handle:
                return os.stat(_plain(name), dir_fd=handle, follow_symlinks=False)
        except (PlanError, OSError):
            return None


def has_file(path: Path) -> bool:
    """Whether a regular file is at this path, itself and not by a link; its folder is the one the user named."""
    return Folder(path.parent).has(path.name)


def read_file(path: Path, most_bytes: int = MOST_TEXT_BYTES) -> bytes:
    """The content of the regular file at this path, whose folder is the one the user named."""
    return Folder(path.parent).read(path.name, most_bytes)


def write_file(path: Path, content: str | bytes, *, flush: bool = False, private: bool = False) -> None:
    """Write the file at this path, whose folder is the one the user named: whole, or not at all."""
    Folder(path.parent).write(path.name, content, flush=flush, private=private)


_FULL = frozenset(
    {
        errno.ENOSPC,
        errno.EDQUOT,
        errno.EROFS,
        errno.EACCES,
        errno.EPERM,
        errno.EMFILE,
        errno.ENFILE,
        errno.EIO,
        errno.ENOENT,
    }
)  # the disk's or the machine's state, not what the folder holds


def _depth_exceeds(value: Any, most: int) -> bool:
    level = [value]
    for _ in range(most):
        level = [
            inner
            for outer in level
            if isinstance(outer, (dict, list))
            for inner in (outer.values() if isinstance(outer, dict) else outer)
        ]
        if not level:
            return False
    return True


def _plain(name: str) -> str:
    """A name that stays in its folder; PlanError otherwise, as such names come from files that strangers wrote."""
    if not name or "/" in name or "\0" in name or name in (".", ".."):
        raise PlanError("run_file_name", f"{name!r} is no name of a file in a run's folder", name=name)
    return name


def _open_folder(path: Path, above: int | None, name: str = "") -> int:
    flags = os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC
    try:
        if above is None:
            return os.open(path, flags)
        return os.open(name, flags | os.O_NOFOLLOW, dir_fd=above)
    except (NotADirectoryError, FileNotFoundError) as error:
        raise PlanError("no_folder", f"{path} is not a folder", path=str(path)) from error
    except OSError as error:
        raise _odd(path, error) from error


def _odd(path: Path, error: OSError) -> PlanError:
    if error.errno in (errno.ELOOP, errno.EMLINK):
        return PlanError(
            "run_file_link", f"{path} is a link, which is not followed inside a run's folder", path=str(path)
        )
    if error.errno in (errno.EISDIR, errno.ENXIO, errno.ENOTDIR, errno.ENODEV):
        return PlanError("run_file_odd", f"{path} is not a regular file", path=str(path))
    return PlanError("run_file_read", f"{path}: {error.strerror}", path=str(path))

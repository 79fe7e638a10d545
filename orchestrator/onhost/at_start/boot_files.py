"""A boot file as a whole: read with its owner and mode, written so that a cut leaves the old one or the new one."""

from __future__ import annotations

import base64
import contextlib
import errno
import os
import re
import stat
from typing import Optional, TypedDict


class File(TypedDict):
    """A plain file: its octets in base64, its mode and owner as numbers."""

    content: str
    mode: int
    uid: int
    gid: int


BootFile = Optional[File]  # None where there is no such file


class ArmedFile(TypedDict):
    """A boot file that the next start restores: as it was found."""

    file: BootFile


MOST_BYTES = 1 << 16
_NEW = ".linktrial-new"
_ESCAPED = re.compile(rb"\\([0-7]{3})")
_UNOWNED = (errno.EPERM, errno.ENOTSUP, errno.EINVAL)  # file systems of boot partitions often know no owners


def read_file(path: str) -> BootFile:
    """The file at `path`; None when there is none. OSError when it is no plain file, or larger than a boot file is."""
    try:
        handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    except FileNotFoundError:
        return None
    try:
        about = os.fstat(handle)
        if not stat.S_ISREG(about.st_mode):
            raise OSError(errno.EINVAL, "it is no plain file", path)
        content = _read_all(handle)
    finally:
        os.close(handle)
    if len(content) > MOST_BYTES:
        raise OSError(errno.EFBIG, f"it has more than {MOST_BYTES} bytes", path)
    return {
        "content": base64.b64encode(content).decode("ascii"),
        "mode": stat.S_IMODE(about.st_mode),
        "uid": about.st_uid,
        "gid": about.st_gid,
    }


def write_file(path: str, wanted: BootFile) -> None:
    """Make `path` what `wanted` says, through a second file beside it and a rename, flushed to the disk."""
    path = os.path.realpath(path)  # a link stays a link
    if wanted is None:
        with contextlib.suppress(FileNotFoundError):
            os.unlink(path)
        sync_folder(path)
        return
    try:
        write_flushed(path + _NEW, base64.b64decode(wanted["content"]))
        _own(path + _NEW, wanted)
        os.rename(path + _NEW, path)
    except OSError:  # the file system is full, say
        with contextlib.suppress(OSError):
            os.unlink(path + _NEW)
        raise
    sync_folder(path)


def write_flushed(path: str, content: bytes, mode: int = 0o600) -> None:
    """A new file with this content, on the disk when this returns."""
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC | os.O_NOFOLLOW, mode)
    try:
        left = memoryview(content)
        while left:
            left = left[os.write(handle, left) :]
        os.fsync(handle)
    finally:
        os.close(handle)


def sync_folder(path: str) -> None:
    """The names in the folder of `path` are on the disk when this returns."""
    handle = os.open(os.path.dirname(path) or "/", os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def mount_of(path: str) -> bytes:
    """Where the file system of `path` is mounted, as /proc/self/mounts spells it; empty for the root's."""
    best, wanted = b"/", os.fsencode(os.path.realpath(path))
    with open("/proc/self/mounts", "rb") as mounts:
        for line in mounts:
            point = line.split()[1]
            plain = _ESCAPED.sub(lambda found: bytes([int(found.group(1), 8)]), point)
            if wanted.startswith(plain.rstrip(b"/") + b"/") and len(point) > len(best):
                best = point
    return b"" if best == b"/" else best


def content_of(file: BootFile) -> bytes:
    """The bytes of a file that was read; none where there is no file."""
    return base64.b64decode(file["content"]) if file is not None else b""


def with_content(file: BootFile, content: bytes) -> File:
    """The file with other bytes; a new one belongs to root and is readable by all, as boot files are."""
    mode, uid, gid = (file["mode"], file["uid"], file["gid"]) if file is not None else (0o644, 0, 0)
    return {"content": base64.b64encode(content).decode("ascii"), "mode": mode, "uid": uid, "gid": gid}


def _read_all(handle: int) -> bytes:
    parts = bytearray()
    while len(parts) <= MOST_BYTES:
        part = os.read(handle, MOST_BYTES + 1 - len(parts))
        if not part:
            break
        parts += part
    return bytes(parts)


def _own(path: str, wanted: File) -> None:
    try:
        os.chown(path, wanted["uid"], wanted["gid"])
        os.chmod(path, wanted["mode"])
    except OSError as error:
        if error.errno not in _UNOWNED:
            raise

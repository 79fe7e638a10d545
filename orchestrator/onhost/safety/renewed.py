"""The last renewal of this host's lease, in a small file beside the record.

Apart from the record because a renewal must not wait for the host's lock: a slow change may hold that for longer than
a lease. The file has a lock of its own, held for as long as reading the clock and writing a hundred bytes take, under
which a renewal and the watchdog's decision that the lease is over are made: exactly one of the two wins. Not flushed to
the disk: a restart of the host ends the lease anyway.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import time
import zlib
from typing import Iterator, NamedTuple, Optional

from orchestrator.onhost.refusal import Refusal

FILE = "renewed"
LOCK_TIMEOUT_S = 0.5  # whoever holds it for longer was stopped in the middle; the watchdog goes on without it
_BYTES = 160
_AGAIN = 3  # a reader without the lock may meet a write half done


class Renewal(NamedTuple):
    """Which token's lease lasts until when (CLOCK_BOOTTIME, ns), and by which helper it was renewed.

    `used`: whether the token was shown since it was given, after which the one before is worth nothing any more.
    `closed`: whether the watchdog has found the lease over, after which nothing renews it any more.
    """

    token: int
    deadline_ns: int
    used: bool
    closed: bool
    helper_pid: int
    helper_ticks: int


def read(directory: str) -> Optional[Renewal]:
    """The last renewal; None when there is none, or none that can be read."""
    for _ in range(_AGAIN):
        try:
            file = os.open(os.path.join(directory, FILE), os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW)
        except OSError:
            return None
        try:
            found = _decode(os.pread(file, _BYTES, 0))
        except OSError:
            return None
        finally:
            os.close(file)
        if found is not None:
            return found
    return None


@contextlib.contextmanager
def locked(directory: str) -> Iterator[int]:
    """Hold the file's lock; its descriptor, for `write`. Refusal "record" where the file cannot be, or is held."""
    try:
        file = os.open(os.path.join(directory, FILE), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
    except FileNotFoundError:
        raise Refusal("no_lease", "nobody holds this host", rebooted=False) from None
    except OSError as error:
        raise Refusal(
            "record",
            f"this host cannot keep its record in {directory}: {error.strerror}",
            directory=directory,
            errno=error.errno,
        ) from error
    try:
        _lock(file)
        yield file
    finally:
        os.close(file)


def _lock(file: int) -> None:
    until = time.monotonic() + LOCK_TIMEOUT_S
    while True:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return
        except OSError:
            if time.monotonic() >= until:
                raise Refusal("locked", "another renewal on this host has not ended") from None
        time.sleep(0.001)


def write(file: int, renewal: Renewal) -> None:
    """Replace what the file says, in one write of always the same length. Refusal "record" where it cannot be."""
    body = json.dumps(list(renewal)).encode()
    text = (b"%08x " % zlib.crc32(body) + body).ljust(_BYTES)
    try:
        os.pwrite(file, text, 0)
    except OSError as error:
        raise Refusal("record", f"this host cannot note a renewal: {error.strerror}", errno=error.errno) from error


def _decode(text: bytes) -> Optional[Renewal]:
    mark, _, body = text.rstrip().partition(b" ")
    if mark != b"%08x" % zlib.crc32(body):
        return None
    try:
        return Renewal(*json.loads(body))
    except (ValueError, TypeError):
        return None

"""Sending without copying: the same pages of a file in memory are lent to the kernel again and again.

The pages wait in one pipe; `tee` lends them to a second one, `splice` hands those to the socket. That costs a count of
each page and no look into the file, which `sendfile` takes for every page: where copying is cheap, more than copying.
Where the C library or the kernel has none of it, `sendfile` does it.
"""

from __future__ import annotations

import contextlib
import ctypes
import fcntl
import os
import socket
from functools import partial
from typing import Callable, List, Tuple

from orchestrator.onhost.refusal import Refusal

_SET_PIPE_BYTES = 1031  # F_SETPIPE_SZ of include/uapi/linux/fcntl.h
_LIBRARY = ctypes.CDLL(None, use_errno=True)


def push(sock: socket.socket, payload: bytes) -> Callable[[], int]:
    """What sends some of `payload` and returns how many octets; it raises as `send` does.

    Raises Refusal (zero_copy_missing) where this host has no files in memory.
    """
    if not hasattr(os, "memfd_create"):
        raise Refusal("zero_copy_missing", "this host cannot send without copying: no files in memory")
    memory = os.memfd_create("linktrial")
    os.write(memory, payload)
    ends = [*_pipe(len(payload)), *_pipe(len(payload))]
    try:
        lent = Lent(sock, memory, len(payload), ends)
    except (OSError, AttributeError):
        for end in ends:
            os.close(end)
        return partial(os.sendfile, sock.fileno(), memory, 0, len(payload))
    os.close(memory)  # the pipe holds its pages
    return lent.push


class Lent:
    """The pages of a file in memory on their way into a socket, through two pipes."""

    def __init__(self, sock: socket.socket, memory: int, size_bytes: int, ends: List[int]) -> None:
        """`ends` are two pipes', each reading then writing. Raises OSError or AttributeError where nothing splices."""
        self._socket = sock.fileno()
        self._kept, kept_end, self._lent, self._lending_end = ends
        # As many pages as a pipe has room for: an ordinary user's may stay at 16.
        self._size_bytes = _moved(
            _LIBRARY.splice(memory, ctypes.byref(ctypes.c_longlong(0)), kept_end, None, ctypes.c_size_t(size_bytes), 0)
        )
        self._waiting_bytes = self._lend()

    def _lend(self) -> int:
        return _moved(_LIBRARY.tee(self._kept, self._lending_end, ctypes.c_size_t(self._size_bytes), 0))

    def push(self) -> int:
        """Hand over what is lent, and lend again once the socket has taken all."""
        if not self._waiting_bytes:
            self._waiting_bytes = self._lend()
        taken = _moved(_LIBRARY.splice(self._lent, None, self._socket, None, ctypes.c_size_t(self._waiting_bytes), 0))
        self._waiting_bytes -= taken
        return taken


def _pipe(size_bytes: int) -> Tuple[int, int]:
    ends = os.pipe()
    with contextlib.suppress(OSError):  # the system's limit for one user is reached: the size it has will do
        fcntl.fcntl(ends[1], _SET_PIPE_BYTES, size_bytes)
    return ends


def _moved(count: int) -> int:
    """What a call said it moved. Raises OSError."""
    if count < 0:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))
    return count

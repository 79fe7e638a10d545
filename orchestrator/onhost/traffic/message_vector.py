"""Many datagrams in one system call: sendmmsg and recvmmsg, by ctypes.

The C structures are laid out once and used again. The kernel overwrites a message's room for control data with what it
used of it; that is restored for the messages of the last call, by one strided copy.
"""

from __future__ import annotations

import ctypes
import errno
import socket
import struct
from typing import List

from orchestrator.onhost.traffic.kernel import BATCHED_CALLS, MSG_WAITFORONE


class _Part(ctypes.Structure):
    _fields_ = [("base", ctypes.c_void_p), ("length", ctypes.c_size_t)]


class _Message(ctypes.Structure):
    _fields_ = [
        ("name", ctypes.c_void_p),
        ("name_length", ctypes.c_uint32),
        ("parts", ctypes.c_void_p),
        ("part_count", ctypes.c_size_t),
        ("control", ctypes.c_void_p),
        ("control_length", ctypes.c_size_t),
        ("flags", ctypes.c_int),
    ]


class _Entry(ctypes.Structure):
    _fields_ = [("message", _Message), ("length", ctypes.c_uint32)]


_CONTROL_HEAD = struct.Struct("@Nii")  # a struct cmsghdr
_LIBRARY = ctypes.CDLL(None, use_errno=True)


class MessageVector:
    """`count` messages over one buffer, message i at i * `distance_bytes`, each `length_bytes` long."""

    def __init__(
        self, buffer: bytearray, count: int, distance_bytes: int, length_bytes: int, control_bytes: int = 0
    ) -> None:
        """`control_bytes` of room per message for what the kernel says about it; read it from `control`."""
        self._buffer = (ctypes.c_char * len(buffer)).from_buffer(buffer)  # keeps the buffer from moving
        data = ctypes.addressof(self._buffer)
        self.control = bytearray(max(1, control_bytes * count))
        self._control = (ctypes.c_char * len(self.control)).from_buffer(self.control)
        control = ctypes.addressof(self._control)
        self._parts = (_Part * count)()
        self._entries = (_Entry * count)()
        for place in range(count):
            part = self._parts[place]
            part.base, part.length = data + place * distance_bytes, length_bytes
            message = self._entries[place].message
            message.parts, message.part_count = ctypes.addressof(part), 1
            if control_bytes:
                message.control, message.control_length = control + place * control_bytes, control_bytes
        self._addresses = [ctypes.addressof(entry) for entry in self._entries]
        octets = memoryview(self._entries).cast("B")
        words = octets.cast("I")
        self._lengths = words[_Entry.length.offset // 4 :: ctypes.sizeof(_Entry) // 4]
        sizes = octets.cast("L")  # a size_t is a long on Linux
        wide = ctypes.sizeof(ctypes.c_size_t)
        self._rooms = sizes[_Message.control_length.offset // wide :: ctypes.sizeof(_Entry) // wide]
        self._full_rooms = memoryview(self._rooms.tobytes()).cast("L")
        self._used = 0

    def send(self, descriptor: int, first: int, count: int) -> int:
        """Send messages first..first+count; how many were taken, or minus the error number when none was."""
        sent: int = _LIBRARY.sendmmsg(descriptor, ctypes.c_void_p(self._addresses[first]), count, 0)
        return sent if sent >= 0 else -ctypes.get_errno()

    def receive(self, descriptor: int, count: int) -> int:
        """Wait for one message, take up to `count` that are there; how many, or minus the error number."""
        if self._used:
            self._rooms[: self._used] = self._full_rooms[: self._used]
        got: int = _LIBRARY.recvmmsg(descriptor, self._entries, count, MSG_WAITFORONE, None)
        if got < 0:
            self._used = 0
            return -ctypes.get_errno()
        self._used = got
        return got

    def lengths(self, count: int) -> List[int]:
        """The lengths of the first `count` messages received."""
        return self._lengths[:count].tolist()


class OneMessage:
    """The same for one message at a time, without the batched call: for kernels and containers that do not offer it."""

    def __init__(self, sock: socket.socket, buffer: bytearray, control_bytes: int) -> None:
        self.control = bytearray(control_bytes)
        self._sock, self._buffers = sock, [buffer]
        self._length = 0

    def receive(self, descriptor: int, count: int) -> int:  # noqa: ARG002 - the same call as a vector's
        """Wait for one message; 1, or minus the error number."""
        try:
            self._length, ancillary, _, _ = self._sock.recvmsg_into(self._buffers, len(self.control))
        except OSError as error:
            return -(error.errno or errno.EIO)
        self.control[:] = bytes(len(self.control))
        for level, kind, data in ancillary[:1]:
            head = _CONTROL_HEAD.pack(socket.CMSG_LEN(len(data)), level, kind)
            self.control[: len(head) + len(data)] = head + data
        return 1

    def lengths(self, count: int) -> List[int]:  # noqa: ARG002 - as above
        """Its length."""
        return [self._length]


def is_offered(call: str) -> bool:
    """Whether the kernel has `sendmmsg` or `recvmmsg` (all since 3.0; a container's filter may forbid them)."""
    if not BATCHED_CALLS:
        return False
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        done = getattr(_LIBRARY, call)(sock.fileno(), None, 0, 0, *([None] if call == "recvmmsg" else []))
        return done >= 0 or ctypes.get_errno() not in (errno.ENOSYS, errno.EPERM)

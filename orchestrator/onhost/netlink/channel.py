"""One netlink socket: ask, read every part of the answer, and keep the kernel's own words when it refuses."""

from __future__ import annotations

import errno
import os
import socket
import struct
from typing import List, Tuple

from orchestrator.onhost.netlink import frames

# SOL_NETLINK options; 1 and 2 would be group subscriptions
_SOL_NETLINK, _CAPPED_ACKNOWLEDGE, _EXTENDED_ACKNOWLEDGE = 270, 10, 11
_ERROR_TEXT = 1  # NLMSGERR_ATTR_MSG
_PATIENCE_S = 5.0  # the kernel answers in microseconds; longer means a lock that somebody holds
_MOST_RETRIES = 8  # of a dump that changed while it was read
_BUFFER_BYTES = 1 << 17

NETLINK_ROUTE, NETLINK_GENERIC = 0, 16


class NetlinkError(OSError):
    """The kernel's answer to a netlink request: its number, and its own text where it gave one."""


class _Interrupted(Exception):  # noqa: N818 - a signal between two functions of this file
    """The table changed while it was being read."""


class Channel:
    """A netlink socket; use it in a `with` block, from one thread."""

    def __init__(self, protocol: int = NETLINK_ROUTE) -> None:
        """Raise OSError where the kernel has no such protocol."""
        self._socket = socket.socket(socket.AF_NETLINK, socket.SOCK_RAW | socket.SOCK_CLOEXEC, protocol)
        self._sequence = 0
        try:
            for option in (_CAPPED_ACKNOWLEDGE, _EXTENDED_ACKNOWLEDGE):
                self._socket.setsockopt(_SOL_NETLINK, option, 1)
        except OSError:
            pass  # before 4.12 there are no texts; the number alone has to do
        self._socket.settimeout(_PATIENCE_S)
        self._socket.bind((0, 0))

    def __enter__(self) -> Channel:
        return self

    def __exit__(self, *_: object) -> None:
        self._socket.close()

    def change(self, kind: int, flags: int, body: bytes) -> None:
        """Ask for a change and wait for the acknowledgement; raise NetlinkError."""
        self._exchange(kind, flags | frames.REQUEST | frames.ACKNOWLEDGE, body)

    def get(self, kind: int, body: bytes) -> List[Tuple[int, bytes]]:
        """Ask for one object; its messages as (type, body)."""
        return self._exchange(kind, frames.REQUEST | frames.ACKNOWLEDGE, body)

    def dump(self, kind: int, body: bytes) -> List[Tuple[int, bytes]]:
        """Ask for a whole table, again when it changed while it was read."""
        for _ in range(_MOST_RETRIES):
            try:
                return self._exchange(kind, frames.REQUEST | frames.DUMP, body)
            except _Interrupted:
                continue
        raise NetlinkError(errno.EAGAIN, "the table kept changing while it was read")

    def _exchange(self, kind: int, flags: int, body: bytes) -> List[Tuple[int, bytes]]:
        self._sequence += 1
        header = frames.HEADER.pack(frames.HEADER.size + len(body), kind, flags, self._sequence, 0)
        self._socket.send(header + body)
        answers: List[Tuple[int, bytes]] = []
        interrupted = False
        while True:
            for answer_kind, answer_flags, answer in self._receive():
                interrupted = interrupted or bool(answer_flags & frames.INTERRUPTED)
                if answer_kind == frames.ERROR:
                    _raise_if_refused(answer, answer_flags)
                    return answers
                if answer_kind == frames.DONE:
                    if interrupted:
                        raise _Interrupted
                    return answers
                answers.append((answer_kind, answer))

    def _receive(self) -> List[Tuple[int, int, bytes]]:
        """The messages of one datagram that answer our question."""
        data = self._socket.recv(_BUFFER_BYTES)
        found = []
        at = 0
        while at + frames.HEADER.size <= len(data):
            length, kind, flags, sequence, _ = frames.HEADER.unpack_from(data, at)
            if length < frames.HEADER.size:
                break
            if sequence == self._sequence:
                found.append((kind, flags, data[at + frames.HEADER.size : at + length]))
            at += (length + 3) & ~3
        return found


def _raise_if_refused(answer: bytes, flags: int) -> None:
    """Raise NetlinkError for an error message whose number is not 0 (0 is the acknowledgement)."""
    number = -struct.unpack("=i", answer[:4])[0]
    if not number:
        return
    words = os.strerror(number)
    if flags & frames.EXTENDED_TEXTS:
        # the texts follow the request's header, and its body unless the answer is capped
        request_length = struct.unpack_from("=I", answer, 4)[0]
        start = 4 + (frames.HEADER.size if flags & frames.CAPPED else (request_length + 3) & ~3)
        own = frames.attribute_map(answer[start:]).get(_ERROR_TEXT)
        words = frames.text(own) if own else words
    raise NetlinkError(number, words)

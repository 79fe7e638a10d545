"""Three ways to hand datagrams to the kernel: as segments of one send, as one batch, one by one.

- segment: one send of up to 64 datagrams that the kernel, or the card, cuts into frames (UDP_SEGMENT)
- batch: sendmmsg, one call but as many passes through the stack as there are datagrams
- single: one send per datagram, the only way whose times between datagrams mean something
"""

from __future__ import annotations

import errno
import os
import socket
from typing import List, Tuple, Union

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.traffic import kernel, message_vector, signs
from orchestrator.onhost.traffic.datagrams import BatchWriter
from orchestrator.onhost.traffic.message_vector import MessageVector

SEGMENT, BATCH, SINGLE = "segment", "batch", "single"
BATCH_MOST = 1024  # UIO_MAXIOV: the kernel takes no more messages at once
_WOULD_BLOCK = (errno.EAGAIN, errno.EWOULDBLOCK)


class SendPath:
    """Hands over a written batch, or the rest of one; `send` says how many datagrams the kernel accepted."""

    name = ""

    def __init__(self, sock: socket.socket, size_bytes: int, count: int) -> None:
        self.count = count
        self.writer = BatchWriter(size_bytes, count)
        self._sock = sock

    def send(self, first: int, count: int) -> int:
        """Datagrams `first` to `first + count`: how many were accepted (0: no room now), or minus an error number."""
        raise NotImplementedError

    @property
    def hides_errors(self) -> bool:
        """Whether one call hands over several messages: what stops it behind the first is not told (sendmmsg(2))."""
        return False

    def refused(self, count: int) -> int:
        """How many of `count` an error of `send` concerns."""
        return min(count, 1)

    def finish(self) -> None:
        """No more batches: the socket sends plain datagrams again."""


class SegmentPath(SendPath):
    """Cut by the kernel: one send, or one batch of such sends where a burst is longer than a send may be."""

    name = SEGMENT

    def __init__(self, sock: socket.socket, size_bytes: int, count: int) -> None:
        sends = -(-count // segment_limit(size_bytes))
        in_one = count // sends  # all sends are of one length: what that leaves over of a burst is not sent
        super().__init__(sock, size_bytes, sends * in_one)
        self._in_one = in_one
        self._descriptor = sock.fileno()
        self._first = memoryview(self.writer.buffer)[: size_bytes * in_one]
        self._size_bytes = size_bytes
        self._vector = MessageVector(self.writer.buffer, self.count // in_one, size_bytes * in_one, size_bytes * in_one)
        kernel.cut_into_segments(sock, size_bytes)

    def send(self, first: int, count: int) -> int:
        """As many whole sends as were taken. What is left begins where a send begins."""
        if first + count <= self._in_one:
            return self._send_one(count)
        place, in_one = first // self._in_one, self._in_one
        taken = self._vector.send(self._descriptor, place, count // in_one)
        if taken < 0:
            return 0 if -taken in _WOULD_BLOCK else taken
        return taken * in_one

    def _send_one(self, count: int) -> int:
        try:
            self._sock.send(self._first[: count * self._size_bytes])
        except OSError as error:
            return 0 if error.errno in _WOULD_BLOCK else -(error.errno or errno.EIO)
        return count

    @property
    def hides_errors(self) -> bool:
        """Where a burst takes more than one send."""
        return self.count > self._in_one

    def refused(self, count: int) -> int:
        """All that were in the send."""
        return min(count, self._in_one)

    def finish(self) -> None:
        """No more cutting."""
        kernel.cut_into_segments(self._sock, 0)


class BatchPath(SendPath):
    """sendmmsg."""

    name = BATCH

    def __init__(self, sock: socket.socket, size_bytes: int, count: int) -> None:
        super().__init__(sock, size_bytes, min(count, BATCH_MOST))
        self._vector = MessageVector(self.writer.buffer, self.count, size_bytes, size_bytes)
        self._descriptor = sock.fileno()

    @property
    def hides_errors(self) -> bool:
        """Always."""
        return True

    def send(self, first: int, count: int) -> int:
        """As many as the call took. It does not say why it took no more."""
        taken = self._vector.send(self._descriptor, first, count)
        return 0 if -taken in _WOULD_BLOCK else taken


class SinglePath(SendPath):
    """One send per datagram."""

    name = SINGLE

    def __init__(self, sock: socket.socket, size_bytes: int, count: int) -> None:
        super().__init__(sock, size_bytes, count)
        whole = memoryview(self.writer.buffer)
        self._views = [whole[place * size_bytes : (place + 1) * size_bytes] for place in range(count)]
        self._error = 0  # of the datagram behind the last accepted one: told by the next call

    def send(self, first: int, count: int) -> int:
        """One after the other until one fails."""
        error, self._error = self._error, 0
        if error:
            return -error
        send = self._sock.send
        taken = 0
        try:
            for view in self._views[first : first + count]:
                send(view)
                taken += 1
        except OSError as failed:
            if failed.errno not in _WOULD_BLOCK:
                self._error = failed.errno or errno.EIO
        return taken or self._told()

    def _told(self) -> int:
        error, self._error = self._error, 0
        return -error


_PATHS = {SEGMENT: SegmentPath, BATCH: BatchPath, SINGLE: SinglePath}


def segment_limit(size_bytes: int) -> int:
    """How many segments of a size one send takes on every kernel."""
    return max(1, min(kernel.UDP_LARGEST_SEND_SEGMENTS, kernel.UDP_LARGEST_SEND_BYTES // size_bytes))


def choose_send_path(sock: socket.socket, size_bytes: int, burst: int, forced: Union[str, None]) -> SendPath:
    """The best way that a real send on this very socket proves to work; `forced` allows one only.

    A real send, because what a driver cannot do (checksums switched off, an old kernel) shows nowhere else. The
    datagrams sent carry no valid number: the receiver drops them. Refusal "send_path" when none works.
    """
    failures: List[str] = []
    for name in [forced] if forced else [SEGMENT, BATCH, SINGLE]:
        if name == SEGMENT and burst == 1 and not forced:
            continue  # nothing to cut
        if name == BATCH and burst == 1 and not forced:
            continue
        works, why = _try(sock, size_bytes, name)
        if works:
            return _PATHS[name](sock, size_bytes, burst)
        failures.append(f"{name}: {why}")
    raise Refusal(
        "send_path",
        f"datagrams of {size_bytes} bytes cannot be sent ({'; '.join(failures)})",
        datagram_bytes=size_bytes,
        tried=failures,
    )


def _try(sock: socket.socket, size_bytes: int, name: str) -> Tuple[bool, str]:
    """Send two datagrams that way."""
    if name == BATCH and not message_vector.is_offered("sendmmsg"):
        return False, "not offered by the kernel"
    try:
        path = _PATHS[name](sock, size_bytes, 2)
    except OSError as error:
        return False, error.strerror or str(error)
    path.writer.write(signs.NO_NUMBER, path.count, 0)
    taken = path.send(0, path.count)
    path.finish()
    if taken >= 0 or -taken in (errno.ENOBUFS, errno.ECONNREFUSED):
        return True, ""  # refused for another reason than the way of sending
    return False, os.strerror(-taken)

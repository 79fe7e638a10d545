"""How the two ends find each other, stream by stream: the dialling end shows the token first, always.

Nothing is sent to an address that has not shown it: the listeners drop other addresses in the kernel, a wrong or
repeated hello is dropped in silence, and as soon as a stream has its peer its listener goes deaf.
"""

from __future__ import annotations

import contextlib
import errno
import selectors
import socket
import struct
import time
from typing import Dict, List, Optional

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.system.device_socket import Address, refused_to_open, socket_address
from orchestrator.onhost.system.socket_options import queued_errors
from orchestrator.onhost.traffic import kernel, signs, sockets
from orchestrator.onhost.traffic.flows import Pair, Stream

HELLO_EVERY_S = 0.05
STRANGER_TIMEOUT_S = 1.0  # how long a connection may take to say hello
STRANGERS_AT_ONCE = 32


class Serving:
    """The serving end's listeners, until every stream has its peer; afterwards they stay, deaf."""

    def __init__(self, pair: Pair) -> None:
        """Opens every port. Refusal "port_in_use" and the like."""
        self._pair = pair
        self._codec = signs.signer(pair.token)
        self._selector = selectors.DefaultSelector()
        self._listeners: List[socket.socket] = []
        self._half_open: Dict[socket.socket, float] = {}  # accepted, has not said hello yet; until when
        self.connected: Dict[int, socket.socket] = {}
        try:
            for stream in pair.streams:
                listener = sockets.listen(pair, stream)
                self._listeners.append(listener)
                self._selector.register(listener, selectors.EVENT_READ, stream)
        except Refusal:
            self.close()
            raise

    @property
    def complete(self) -> bool:
        """Whether every stream has its peer."""
        return len(self.connected) == len(self._pair.streams)

    def fileno(self) -> int:
        """For a loop that waits for other things as well; readable when `turn` has something to do."""
        return self._selector.fileno()

    def not_connected(self, timeout_s: float) -> Refusal:
        """Why this end gives up: the first stream that nobody came for."""
        missing = next(each for each in self._pair.streams if each.number not in self.connected)
        return Refusal(
            "not_connected",
            f"nobody who knows the trial's token came to port {missing.port} within {timeout_s:g} s",
            port=missing.port,
            stream=missing.number,
            timeout_s=timeout_s,
        )

    def turn(self) -> None:
        """Take in what has come."""
        for key, _ in self._selector.select(0):
            sock, stream = key.fileobj, key.data
            assert isinstance(sock, socket.socket)
            if stream.flow.transport == "udp":
                self._hear_datagram(sock, stream)
            elif sock in self._half_open:
                self._hear_connection(sock, stream)
            else:
                self._accept(sock, stream)

    def drop_late_strangers(self) -> None:
        """Close connections that have had their time to say hello."""
        now = time.monotonic()
        for sock in [sock for sock, until in self._half_open.items() if now > until]:
            self._drop(sock)

    def _hear_datagram(self, sock: socket.socket, stream: Stream) -> None:
        connected = stream.number in self.connected
        try:
            payload, source = sock.recvfrom(2048, socket.MSG_PEEK if connected else 0)
        except OSError:
            return
        if not signs.is_hello(self._codec.read(payload), stream.number, source):
            if connected:  # traffic already: the dialling end has its welcome, and the stream's process will read this
                self._selector.unregister(sock)
            return
        if connected:
            with contextlib.suppress(OSError):
                sock.recv(2048)
        else:
            sock.connect(source)
            kernel.accept_all(sock)  # from here on the kernel's own look-up keeps others out, at no cost per datagram
            if kernel.FILTERS:  # without them a second socket on the port would take what is for this one
                self._listeners.append(sockets.deaf_sink(self._pair, stream, sock))
            self.connected[stream.number] = sock
        with contextlib.suppress(OSError):  # lost welcomes are asked for again
            sock.send(self._codec.write(signs.WELCOME, stream.number))

    def _accept(self, listener: socket.socket, stream: Stream) -> None:
        try:
            sock, source = listener.accept()
        except OSError:
            return
        stranger = source[0].partition("%")[0] != self._pair.peer
        if stranger or len(self._half_open) >= STRANGERS_AT_ONCE:
            abort(sock)
            return
        with contextlib.suppress(OSError):  # where there is no filter, there is none to take away
            kernel.accept_all(sock)
        sock.setblocking(False)
        self._half_open[sock] = time.monotonic() + STRANGER_TIMEOUT_S
        self._selector.register(sock, selectors.EVENT_READ, stream)

    def _hear_connection(self, sock: socket.socket, stream: Stream) -> None:
        """The hello is read in one piece or not at all: it is shorter than any segment."""
        try:
            payload = sock.recv(signs.SIGN_BYTES)
            source = sock.getpeername()
        except BlockingIOError:
            return
        except OSError:
            payload = b""
        valid = bool(payload) and signs.is_hello(self._codec.read(payload), stream.number, source)
        if not valid or stream.number in self.connected:
            self._drop(sock)
            return
        del self._half_open[sock]
        self._selector.unregister(sock)
        with contextlib.suppress(OSError):
            sock.send(self._codec.write(signs.WELCOME, stream.number))
        self.connected[stream.number] = sock
        self._deafen(self._listeners[stream.number])

    def _deafen(self, listener: socket.socket) -> None:
        """The listener has its peer: it answers nobody any more, or is gone where that is not allowed."""
        self._selector.unregister(listener)
        try:
            kernel.accept_nothing(listener)
        except PermissionError:
            listener.close()

    def _drop(self, sock: socket.socket) -> None:
        del self._half_open[sock]
        self._selector.unregister(sock)
        abort(sock)

    def close(self) -> None:
        """Close everything."""
        for sock in [*self._half_open, *self._listeners, *self.connected.values()]:
            sock.close()
        self._half_open.clear()
        self._selector.close()


class Dialling:
    """The dialling end: one attempt per stream, repeated until the other end has welcomed it."""

    def __init__(self, pair: Pair) -> None:
        self._pair = pair
        self._codec = signs.signer(pair.token)
        self.connected: Dict[int, socket.socket] = {}

    def connect(self, timeout_s: float) -> None:
        """Connect every stream. Refusal naming the first that could not be connected in time."""
        until = time.monotonic() + timeout_s
        for stream in self._pair.streams:
            dial = self._dial_tcp if stream.flow.transport == "tcp" else self._dial_udp
            self.connected[stream.number] = dial(stream, until)

    def close(self) -> None:
        """Close everything."""
        for sock in self.connected.values():
            sock.close()

    def _open(self, stream: Stream) -> socket.socket:
        """The same port number on both ends: the queue and core that a hash of the ports chooses stay the same."""
        return sockets.open_bound(self._pair, stream, stream.port if self._pair.source_port_is_free else 0)

    def _dial_tcp(self, stream: Stream, until: float) -> socket.socket:
        reason: Optional[OSError] = None
        while time.monotonic() < until:
            sock = self._open(stream)
            try:
                sock.settimeout(max(0.05, until - time.monotonic()))
                sock.connect(self._address(stream))
                sock.sendall(signs.hello(self._codec, stream.number, sock))
                if self._welcomed(_read_exactly(sock, signs.SIGN_BYTES, until), stream):
                    return sock
            except OSError as error:
                reason = error
                if error.errno in (errno.ENETUNREACH, errno.EHOSTUNREACH):
                    abort(sock)
                    raise refused_to_open(
                        error, self._pair.interface, self._pair.local, self._pair.peer, stream.port
                    ) from error
            abort(sock)
            time.sleep(HELLO_EVERY_S)
        raise self._not_connected(stream, reason)

    def _dial_udp(self, stream: Stream, until: float) -> socket.socket:
        sock = self._open(stream)
        try:
            sock.connect(self._address(stream))
        except OSError as error:
            sock.close()
            raise refused_to_open(
                error, self._pair.interface, self._pair.local, self._pair.peer, stream.port
            ) from error
        sock.setblocking(False)
        reason: Optional[OSError] = None
        with selectors.DefaultSelector() as selector:
            selector.register(sock, selectors.EVENT_READ)
            while time.monotonic() < until:
                try:
                    sock.send(signs.hello(self._codec, stream.number, sock))
                except OSError as error:  # "nobody there yet" comes back as an error of the next call
                    reason = error
                again = time.monotonic() + HELLO_EVERY_S
                while time.monotonic() < again:
                    selector.select(max(0.0, again - time.monotonic()))
                    queued_errors(sock)
                    try:
                        if self._welcomed(sock.recv(2048), stream):
                            return sock
                    except BlockingIOError:
                        continue
                    except OSError as error:
                        reason = error
                        time.sleep(HELLO_EVERY_S / 5)
        sock.close()
        raise self._not_connected(stream, reason)

    def _address(self, stream: Stream) -> Address:
        return socket_address(self._pair.family, self._pair.peer, stream.port, self._pair.interface)

    def _welcomed(self, payload: bytes, stream: Stream) -> bool:
        frame = self._codec.read(payload)
        return frame is not None and frame.kind == signs.WELCOME and frame.sequence == stream.number

    def _not_connected(self, stream: Stream, reason: Optional[OSError]) -> Refusal:
        why = f": {reason.strerror or reason}" if reason else ""
        return Refusal(
            "not_connected",
            f"{self._pair.peer} did not answer on {stream.flow.transport.upper()} port {stream.port}{why}",
            peer=self._pair.peer,
            port=stream.port,
            stream=stream.number,
            transport=stream.flow.transport,
        )


def abort(sock: socket.socket) -> None:
    """Close at once, without the minute of waiting that an orderly close leaves behind."""
    with contextlib.suppress(OSError):
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("@ii", 1, 0))
    sock.close()


def _read_exactly(sock: socket.socket, length: int, until: float) -> bytes:
    """`length` octets by the instant `until`, however slowly they drip; OSError when they do not come."""
    found = b""
    while len(found) < length:
        sock.settimeout(max(0.001, until - time.monotonic()))
        piece = sock.recv(length - len(found))
        if not piece:
            raise ConnectionResetError(errno.ECONNRESET, "closed by the other end")
        found += piece
    return found

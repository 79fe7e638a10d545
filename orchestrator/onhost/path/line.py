"""One end of a path proof: a socket, what came in on it, and what the network said about what left.

Kinds of frame. Towards the answering end: HELLO (a small frame, wants WELCOME), BIG (is itself the proof, wants GOT),
ASK (small, wants a frame BACK of the size it names), DONE (wants BYE). The other way: WELCOME, GOT, BACK, BYE and
CANNOT (the answering end's own interface does not take the size).
"""

from __future__ import annotations

import errno
import select
import time
from typing import List, Optional, Protocol, Sequence, Set

from orchestrator.onhost.path.probe_frame import HEAD_BYTES, Frame, FrameCodec
from orchestrator.onhost.path.receipts import NetworkSaid, PathArguments, RouterSaid
from orchestrator.onhost.system.device_socket import ip_and_udp_bytes, open_udp
from orchestrator.onhost.system.network_error import NetworkError
from orchestrator.onhost.system.socket_options import queued_errors

HELLO, WELCOME, BIG, GOT, ASK, BACK, CANNOT, DONE, BYE = range(1, 10)
SMALL_BYTES = 128  # an IP packet that passes wherever anything passes
LARGEST_PACKET_BYTES = 65535  # an IPv4 packet cannot be longer, whatever the MTU of the loopback interface says
_RECEIVE_BYTES = 65536
_KEPT_ERRORS = 50


class Readable(Protocol):
    """What can be waited for."""

    def fileno(self) -> int:
        """Its descriptor."""


class Line:
    """The socket of one end. Sizes are octets of IP packet, so a size equals the MTU it needs."""

    def __init__(self, args: PathArguments) -> None:
        """Opens the socket; Refusal where the interface, the address or the port cannot be had."""
        self.family = args["family"]
        self.mtu = min(args["mtu"], LARGEST_PACKET_BYTES)
        self.small_bytes = min(SMALL_BYTES, self.mtu)
        self._overhead_bytes = ip_and_udp_bytes(self.family)
        self._codec = FrameCodec(args["token"], "path proof")
        self._socket = open_udp(args["interface"], self.family, args["local"], args["peer"], args["port"])
        self.errors: List[NetworkError] = []
        self.refusals = 0
        self.dropped_here = 0
        self.too_long_here: Set[int] = set()  # sizes that this end's own interface would not take

    def __enter__(self) -> "Line":
        return self

    def __exit__(self, *_: object) -> None:
        self._socket.close()

    def send(self, kind: int, sequence: int, *, size_bytes: int = 0, packet_bytes: int = 0) -> bool:
        """Send one frame as a packet of `packet_bytes` (0: small). False when the kernel did not take it."""
        length = max((packet_bytes or self.small_bytes) - self._overhead_bytes, HEAD_BYTES)
        payload = self._codec.write(kind, sequence, size_bytes=size_bytes, payload_bytes=length)
        self.note_errors()
        for _ in range(2):  # the first try may be told about an earlier frame's fate instead
            try:
                self._socket.send(payload)
            except OSError as error:
                if error.errno == errno.EMSGSIZE and not self._router_said_so():
                    self.too_long_here.add(packet_bytes)
                    return False
                if error.errno in (errno.EPERM, errno.EACCES):
                    self.refusals += 1
                    return False
                if error.errno == errno.ENOBUFS:
                    self.dropped_here += 1  # its own queue or interface dropped it: it was sent, and is lost
                    return True
                if error.errno in (errno.EAGAIN, errno.ENETDOWN, errno.ENETUNREACH):
                    return False
                continue
            return True
        return False

    def _router_said_so(self) -> bool:
        """Whether "message too long" came from the path. Only this end's own interface makes it local."""
        before = len(self.errors)
        self.note_errors()
        return any(error.errno == errno.EMSGSIZE and error.reported_by for error in self.errors[before:])

    def note_errors(self) -> None:
        """Empty the error queue, which must happen before every read: see socket_options."""
        for error in queued_errors(self._socket):
            self.refusals += error.is_refusal
            if len(self.errors) < _KEPT_ERRORS and error not in self.errors:
                self.errors.append(error)

    def receive(self, timeout_s: float, unless_readable: Sequence[Readable] = ()) -> Optional[Frame]:
        """The next frame of ours within `timeout_s`, or None. Whatever else arrives is dropped and nothing answers it.

        None at once as well when something in `unless_readable` can be read, unless a frame is the next to be read:
        what a stranger sends meanwhile holds nobody up.
        """
        end_s = time.monotonic() + timeout_s
        while True:
            remaining_s = end_s - time.monotonic()
            readable, _, _ = select.select([self._socket, *unless_readable], [], [], max(remaining_s, 0.0))
            self.note_errors()
            frame = self._read()
            if frame is not None or remaining_s <= 0 or any(one is not self._socket for one in readable):
                return frame

    def _read(self) -> Optional[Frame]:
        try:
            payload = self._socket.recv(_RECEIVE_BYTES)
        except OSError:  # nothing there, or an earlier frame's fate, which note_errors() has kept
            return None
        return self._codec.read(payload)

    def packet_bytes(self, frame: Frame) -> int:
        """The size of the IP packet that carried the frame."""
        return frame.length_bytes + self._overhead_bytes

    def said(self) -> NetworkSaid:
        """What the network said, as it goes into the result."""
        routers: List[RouterSaid] = [
            {"mtu_bytes": error.mtu_bytes, "reported_by": error.reported_by}
            for error in self.errors
            if error.errno == errno.EMSGSIZE and error.reported_by
        ]
        refusing = sorted({error.reported_by for error in self.errors if error.is_refusal and error.reported_by})
        return {
            "routers": routers,
            "refusals": self.refusals,
            "refused_by": refusing,
            "too_long_here": sorted(self.too_long_here),
            "dropped_here": self.dropped_here,
        }

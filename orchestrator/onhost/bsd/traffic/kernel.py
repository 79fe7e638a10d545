"""Socket options and calls of a BSD kernel, and what it has not: filters, batches, TCP's own account, drop counts.

Numbers: sys/filio.h and netinet6/in6.h.
"""

from __future__ import annotations

import fcntl
import socket
import struct
import sys
from typing import Optional

from orchestrator.onhost.refusal import Refusal

FILTERS = False
BATCHED_CALLS = False
TCP_INFO = False
MSG_WAITFORONE = 0  # never used: no batches
IPV6_TCLASS = 61
UDP_LARGEST_SEND_BYTES, UDP_LARGEST_SEND_SEGMENTS = 65507, 1
_FIONWRITE = 0x40046677  # _IOR('f', 119, int): bytes in the send queue
_LEAST_BUFFER_BYTES = 65536


def set_timer_slack(_: int) -> None:
    """Sleeps end as late as the kernel likes."""


def current_core() -> Optional[int]:
    """Not told."""
    return None


def incoming_core(_: socket.socket) -> Optional[int]:
    """Not told."""
    return None


def run_on_core(core: int) -> None:
    """Refused: the family has no call for it in common."""
    raise Refusal(
        "core_missing", "a process cannot be kept on one core on this system: leave the core to it", core=core
    )


def refuse_new_privileges() -> None:
    """A stream process starts no other program; the family has no call for it in common."""


def set_timeout(sock: socket.socket, option: int, seconds: float) -> None:
    """Have blocking calls return after a while (SO_RCVTIMEO, SO_SNDTIMEO), without a poll in front of each."""
    whole = int(seconds)  # struct timeval: 64-bit seconds on all of the family, a long of microseconds
    sock.setsockopt(socket.SOL_SOCKET, option, struct.pack("@ql0q", whole, int((seconds - whole) * 1e6)))


def wake_at(_: socket.socket, __: int) -> None:
    """Woken for every arrival: what the mark does to a receive that waits for more differs within the family."""


def socket_drops(_: socket.socket) -> Optional[int]:
    """Not told for one socket."""
    return None


def unacknowledged_bytes(sock: socket.socket) -> int:
    """What the other end of a connection has not acknowledged yet; 0 where that is not told."""
    try:
        return int.from_bytes(fcntl.ioctl(sock, _FIONWRITE, bytes(4)), sys.byteorder)
    except OSError:
        return 0


def unread_bytes(_: socket.socket) -> int:
    """Never asked: it matters only beside TCP's own count."""
    return 0


def congestion_of(sock: socket.socket) -> Optional[str]:
    """The congestion control of a connection; None where the system does not say."""
    option = getattr(socket, "TCP_CONGESTION", None)
    return None if option is None else sock.getsockopt(socket.IPPROTO_TCP, option, 16).partition(b"\0")[0].decode()


def set_congestion(sock: socket.socket, name: str) -> None:
    """Raises OSError where there is no such congestion control."""
    option = getattr(socket, "TCP_CONGESTION", None)
    if option is None:
        raise OSError("this system lets no connection choose")
    sock.setsockopt(socket.IPPROTO_TCP, option, name.encode())


def set_pacing(_: socket.socket, bytes_s: Optional[int]) -> None:
    """No limit is what there is; Refusal for any other."""
    if bytes_s is not None:
        raise Refusal(
            "pacing_missing",
            "this system does not pace a TCP connection: leave the rate out, or use UDP",
            bytes_s=bytes_s,
        )


def set_buffer(sock: socket.socket, option: int, size_bytes: int) -> None:
    """As much room as the system's limit (such as kern.ipc.maxsockbuf) allows: it refuses more, and cuts nothing."""
    while True:
        try:
            sock.setsockopt(socket.SOL_SOCKET, option, size_bytes)
        except OSError:
            if size_bytes <= _LEAST_BUFFER_BYTES:
                raise
            size_bytes //= 2
        else:
            return


def cut_into_segments(_: socket.socket, __: int) -> None:
    """Raises OSError: not offered."""
    raise OSError("not offered by this system")


def coalesce_datagrams(_: socket.socket) -> None:
    """Raises OSError: not offered."""
    raise OSError("datagrams are not coalesced for a socket on this system")


def accept_only_from(_: socket.socket, __: str, ___: int) -> None:
    """Not allowed: whoever asks looks for itself."""
    raise PermissionError("sockets take no filters on this system")


def accept_nothing(_: socket.socket) -> None:
    """Not allowed: whoever asks closes the socket."""
    raise PermissionError("sockets take no filters on this system")


def accept_all(_: socket.socket) -> None:
    """There was no filter."""


def sample_of_acknowledgements(_: str, __: int, ___: str) -> Optional[socket.socket]:
    """Not looked at: connections are not described here either."""
    return None

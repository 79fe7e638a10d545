"""Socket options and calls of the Linux kernel that Python 3.8 has no names for; bsd/traffic/kernel.py stands in there.

Numbers: include/uapi/asm-generic/socket.h, linux/udp.h, linux/in.h, linux/in6.h, linux/prctl.h.
"""

from __future__ import annotations

import array
import ctypes
import fcntl
import os
import socket
import struct
import sys
import termios
from typing import List, Optional, Tuple

SO_ATTACH_FILTER, SO_DETACH_FILTER = 26, 27
SO_SNDBUFFORCE, SO_RCVBUFFORCE = 32, 33
SO_MAX_PACING_RATE = 47
SO_INCOMING_CPU = 49
SO_MEMINFO = 55
SOL_UDP = 17
UDP_SEGMENT, UDP_GRO = 103, 104
IPV6_TCLASS = 67
_SIOCOUTQ = 0x5411
MSG_WAITFORONE = 0x10000
UDP_LARGEST_SEND_BYTES = 65507  # of payload, in one datagram or in all segments of one call
UDP_LARGEST_SEND_SEGMENTS = 64  # every kernel with UDP_SEGMENT takes so many; newer ones 128

FILTERS = True  # whether sockets take packet filters
BATCHED_CALLS = True  # whether sendmmsg and recvmmsg are as message_vector.py lays them out
TCP_INFO = True  # whether connections are described as tcp_info.py reads it
_NO_LIMIT = (1 << 64) - 1
_LIBRARY = ctypes.CDLL(None)  # opened early: a process that has given up its privilege may not be able to
_PR_SET_TIMERSLACK = 29
_PR_SET_NO_NEW_PRIVS = 38
_WITH_64_BIT_TIME = (66, 67)  # what these options are called where a 32-bit system has 64-bit times
_MEMINFO_DROPS = 8  # place of the drop count among the 32-bit numbers of SO_MEMINFO
_NET_HEADER = -0x100000 & 0xFFFFFFFF  # SKF_NET_OFF: offsets from here count from the IP header
_LOAD_WORD, _LOAD_HALF, _LOAD_BYTE, _JUMP_EQUAL, _RETURN = 0x20, 0x28, 0x30, 0x15, 0x06
_AND, _SHIFT_RIGHT, _COPY_TO_X, _LESS_X = 0x54, 0x74, 0x07, 0x1C
_RANDOM = (-0x1000 + 56) & 0xFFFFFFFF  # SKF_AD_RANDOM: a number drawn for every packet
_KEEP_ALL, _DROP = 0xFFFFFFFF, 0
_ETHERNET_IPV4, _ETHERNET_IPV6 = 0x0800, 0x86DD
_SAMPLE_BUFFER_BYTES = 32 * 1024


def set_timer_slack(nanoseconds: int) -> None:
    """How late this thread's sleeps may end on purpose; the default of 50 µs is half of all lateness."""
    _LIBRARY.prctl(_PR_SET_TIMERSLACK, nanoseconds, 0, 0, 0)


def current_core() -> Optional[int]:
    """The core this process runs on; None where the system does not say."""
    core: int = _LIBRARY.sched_getcpu()
    return core


def refuse_new_privileges() -> None:
    """Nothing this process starts can gain privilege again."""
    _LIBRARY.prctl(_PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0)


def set_timeout(sock: socket.socket, option: int, seconds: float) -> None:
    """Have blocking calls return after a while (SO_RCVTIMEO, SO_SNDTIMEO), without a poll in front of each."""
    layout = "@qq" if option in _WITH_64_BIT_TIME else "@ll"
    whole = int(seconds)
    sock.setsockopt(socket.SOL_SOCKET, option, struct.pack(layout, whole, int((seconds - whole) * 1e6)))


def wake_at(sock: socket.socket, size_bytes: int) -> None:
    """Have a receive of TCP woken only when so much has arrived, or its time is over."""
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVLOWAT, size_bytes)


def incoming_core(sock: socket.socket) -> Optional[int]:
    """The core on which the kernel last took in something for this socket; None where it does not say."""
    try:
        return sock.getsockopt(socket.SOL_SOCKET, SO_INCOMING_CPU)
    except OSError:
        return None


def run_on_core(core: int) -> None:
    """Keep this process on one core. Raises OSError."""
    os.sched_setaffinity(0, {core})


def unacknowledged_bytes(sock: socket.socket) -> int:
    """What the other end of a connection has not acknowledged yet."""
    return int.from_bytes(fcntl.ioctl(sock, _SIOCOUTQ, bytes(4)), sys.byteorder)


def unread_bytes(sock: socket.socket) -> int:
    """What has arrived in order on a connection and was not read yet."""
    return int.from_bytes(fcntl.ioctl(sock, termios.FIONREAD, bytes(4)), sys.byteorder)


def congestion_of(sock: socket.socket) -> Optional[str]:
    """The congestion control of a connection; None where the system does not say."""
    return sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_CONGESTION, 16).rstrip(b"\0").decode()


def set_congestion(sock: socket.socket, name: str) -> None:
    """Raises OSError where there is no such congestion control."""
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_CONGESTION, name.encode())


def set_pacing(sock: socket.socket, bytes_s: Optional[int]) -> None:
    """The most that the kernel sends, in bytes per second; None: no limit."""
    if bytes_s is None:
        bytes_s = _NO_LIMIT
    try:
        sock.setsockopt(socket.SOL_SOCKET, SO_MAX_PACING_RATE, bytes_s.to_bytes(8, sys.byteorder))
    except OSError:  # a 32-bit kernel takes a 32-bit number
        sock.setsockopt(socket.SOL_SOCKET, SO_MAX_PACING_RATE, min(bytes_s, 0xFFFFFFFE).to_bytes(4, sys.byteorder))


def set_buffer(sock: socket.socket, option: int, size_bytes: int) -> None:
    """Room for `size_bytes` of payload, past the ordinary limit where we may.

    The kernel takes as much again for its own records, so that about this much is usable, as a window for example;
    reading the option back gives twice the value.
    """
    forced = SO_RCVBUFFORCE if option == socket.SO_RCVBUF else SO_SNDBUFFORCE
    try:
        sock.setsockopt(socket.SOL_SOCKET, forced, size_bytes)
    except OSError:
        sock.setsockopt(socket.SOL_SOCKET, option, size_bytes)


def cut_into_segments(sock: socket.socket, size_bytes: int) -> None:
    """Have one send cut into datagrams of a size; 0: no more. Raises OSError where that is not offered."""
    sock.setsockopt(SOL_UDP, UDP_SEGMENT, size_bytes)


def coalesce_datagrams(sock: socket.socket) -> None:
    """Have datagrams that came together handed over as one block. Raises OSError where that is not offered."""
    sock.setsockopt(SOL_UDP, UDP_GRO, 1)


def socket_drops(sock: socket.socket) -> Optional[int]:
    """What this socket's receive buffer had to drop, in buffers (a coalesced block counts as one); None: not told."""
    raw = sock.getsockopt(socket.SOL_SOCKET, SO_MEMINFO, 64)
    return int(struct.unpack_from("=I", raw, 4 * _MEMINFO_DROPS)[0]) if len(raw) >= 4 * _MEMINFO_DROPS + 4 else 0


def accept_only_from(sock: socket.socket, address: str, family: int) -> None:
    """Have the kernel drop, unanswered, everything that does not come from `address`: not even a SYN is answered."""
    packed = socket.inet_pton(socket.AF_INET6 if family == 6 else socket.AF_INET, address)
    source = 8 if family == 6 else 12  # place of the source address in the IP header
    words = struct.unpack(f"!{len(packed) // 4}I", packed)
    program = []
    for place, word in enumerate(words):
        to_the_drop = 2 * (len(words) - place) - 1
        program += [(_LOAD_WORD, 0, 0, _NET_HEADER + source + 4 * place), (_JUMP_EQUAL, 0, to_the_drop, word)]
    _attach(sock, [*program, (_RETURN, 0, 0, _KEEP_ALL), (_RETURN, 0, 0, _DROP)])


def accept_nothing(sock: socket.socket) -> None:
    """Have the kernel drop, unanswered, everything that arrives for this socket."""
    _attach(sock, [(_RETURN, 0, 0, _DROP)])


def accept_all(sock: socket.socket) -> None:
    """Take a filter away again (an accepted connection inherits its listener's)."""
    sock.setsockopt(socket.SOL_SOCKET, SO_DETACH_FILTER, 0)


def sample_of_acknowledgements(interface: str, family: int, peer: str) -> Optional[socket.socket]:
    """A socket to which the kernel gives the headers of one in sixteen segments without payload that `peer` sends here.

    From the IP header on; few of them wait, and the rest is dropped. Raises OSError, without privilege for one.
    """
    packed = socket.inet_pton(socket.AF_INET6 if family == 6 else socket.AF_INET, peer)
    protocol, length, source, header = (6, 4, 8, 40) if family == 6 else (9, 2, 12, 20)
    words = struct.unpack(f"!{len(packed) // 4}I", packed)
    looks = [
        (_LOAD_WORD, _RANDOM),
        (_AND, 15),
        (_JUMP_EQUAL, 0),
        (_LOAD_BYTE, protocol),
        (_JUMP_EQUAL, socket.IPPROTO_TCP),
    ]
    for place, word in enumerate(words):
        looks += [(_LOAD_WORD, source + 4 * place), (_JUMP_EQUAL, word)]
    # the length that IP tells, less TCP's header, is nothing beyond the IP header that it counts (IPv6 counts none)
    looks += [
        (_LOAD_BYTE, header + 12),
        (_AND, 0xF0),
        (_SHIFT_RIGHT, 2),
        (_COPY_TO_X, 0),
        (_LOAD_HALF, length),
        (_LESS_X, 0),
        (_JUMP_EQUAL, 0 if family == 6 else header),
    ]
    program = [
        (code, 0, len(looks) - 1 - at if code == _JUMP_EQUAL else 0, value) for at, (code, value) in enumerate(looks)
    ]
    made = socket.socket(socket.AF_PACKET, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC, 0)
    try:
        made.setblocking(False)
        made.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _SAMPLE_BUFFER_BYTES)
        _attach(made, [*program, (_RETURN, 0, 0, header + 60), (_RETURN, 0, 0, _DROP)])
        made.bind((interface, _ETHERNET_IPV6 if family == 6 else _ETHERNET_IPV4))
    except BaseException:
        made.close()
        raise
    return made


def _attach(sock: socket.socket, program: List[Tuple[int, int, int, int]]) -> None:
    """Attach a classic packet filter (linux/filter.h): (code, jump if true, jump if false, value) each."""
    instructions = array.array("B", b"".join(struct.pack("=HBBI", *each) for each in program))
    address, _ = instructions.buffer_info()
    sock.setsockopt(socket.SOL_SOCKET, SO_ATTACH_FILTER, struct.pack("@HP", len(program), address))

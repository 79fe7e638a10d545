"""Run before anything else in the Python of an emulated BSD host: what that system has not, this Python has not.

Socket options keep their meaning under FreeBSD's numbers (sys/socket.h, netinet/in.h, netinet6/in6.h, netinet/tcp.h);
a Linux number, or an option that FreeBSD has not, is refused as FreeBSD refuses it. epoll stands in for kqueue.
"""

import ctypes
import errno
import fcntl
import os
import select
import signal
import socket
import sys
import time

sys.platform = "freebsd14"
_named = os.uname()
_ours = os.uname_result(("FreeBSD", _named.nodename, "14.1-RELEASE", "FreeBSD 14.1-RELEASE GENERIC", "amd64"))
os.uname = lambda: _ours

for module, names in {
    os: (
        "memfd_create",
        "sched_setaffinity",
        "sched_getaffinity",
        "pidfd_open",
        "unshare",
        "setns",
        "eventfd",
        "splice",
        "getxattr",
        "setxattr",
        "listxattr",
        "removexattr",
    ),
    time: ("CLOCK_BOOTTIME", "CLOCK_MONOTONIC_RAW", "CLOCK_TAI"),
    signal: ("pidfd_send_signal",),
}.items():
    for name in names:
        if hasattr(module, name):
            delattr(module, name)
_LINUX_NAMES = (
    "NETLINK_",
    "PF_PACKET",
    "PACKET_",
    "AF_PACKET",
    "AF_NETLINK",
    "AF_ALG",
    "AF_VSOCK",
    "AF_QIPCRTR",
    "SO_BINDTODEVICE",
    "SO_MARK",
    "SO_PRIORITY",
    "SO_PEERCRED",
    "SO_INCOMING",
    "SO_DOMAIN",
    "SO_PROTOCOL",
    "TCP_INFO",
    "TCP_CONGESTION",
    "TCP_USER_TIMEOUT",
    "TCP_QUICKACK",
    "MSG_ERRQUEUE",
    "MSG_MORE",
    "IP_RECVERR",
    "IP_BIND_ADDRESS",
    "UDPLITE",
)
for name in [name for name in dir(socket) if name.startswith(_LINUX_NAMES)]:
    delattr(socket, name)

LINUX_ONLY = {"prctl", "sendmmsg", "recvmmsg", "sched_getcpu", "unshare", "setns", "setproctitle"}
_library = ctypes.CDLL


class Library(_library):
    def __getattr__(self, name):
        if name in LINUX_ONLY:
            raise AttributeError(name)
        return super().__getattr__(name)


ctypes.CDLL = Library

_SOCKET, _IP, _TCP, _IPV6 = 0xFFFF, 0, 6, 41
_NAMES = {
    "SO_REUSEADDR": 0x4,
    "SO_KEEPALIVE": 0x8,
    "SO_BROADCAST": 0x20,
    "SO_LINGER": 0x80,
    "SO_REUSEPORT": 0x200,
    "SO_SNDBUF": 0x1001,
    "SO_RCVBUF": 0x1002,
    "SO_SNDTIMEO": 0x1005,
    "SO_RCVTIMEO": 0x1006,
    "SO_ERROR": 0x1007,
    "SO_TYPE": 0x1008,
}
OPTIONS = {(_SOCKET, number): (socket.SOL_SOCKET, getattr(socket, name)) for name, number in _NAMES.items()}
OPTIONS.update(
    {
        (_IP, 3): (0, 1),
        (_IP, 4): (0, 2),
        (_IPV6, 27): (41, 26),
        (_IPV6, 61): (41, 67),
        (_TCP, 1): (6, 1),
        (_TCP, 2): (6, 2),
    }
)
DONT_FRAGMENT = {(_IP, 67): (0, 10), (_IPV6, 62): (41, 23)}  # IP_DONTFRAG, IPV6_DONTFRAG: by Linux's path MTU option
BUFFERS = (_NAMES["SO_SNDBUF"], _NAMES["SO_RCVBUF"])
MOST_BUFFER_BYTES = 2 << 20  # kern.ipc.maxsockbuf
for name, number in _NAMES.items():
    setattr(socket, name, number)
socket.SOL_SOCKET = _SOCKET
socket.IP_TOS, socket.IP_TTL, socket.IPV6_V6ONLY, socket.IPV6_TCLASS = 3, 4, 27, 61
_set, _get = socket.socket.setsockopt, socket.socket.getsockopt


def _meant(level, option):
    if (level, option) not in OPTIONS:
        raise OSError(errno.ENOPROTOOPT, "Protocol not available")
    return OPTIONS[level, option]


def setsockopt(self, level, option, value, *rest):
    if (level, option) in DONT_FRAGMENT:
        return _set(self, *DONT_FRAGMENT[level, option], 3 if value else 0)
    if level == _SOCKET and option in BUFFERS and value > MOST_BUFFER_BYTES:
        raise OSError(errno.ENOBUFS, "No buffer space available")
    return _set(self, *_meant(level, option), value, *rest)


def getsockopt(self, level, option, *rest):
    return _get(self, *_meant(level, option), *rest)


socket.socket.setsockopt, socket.socket.getsockopt = setsockopt, getsockopt

_FIONWRITE, _SIOCOUTQ = 0x40046677, 0x5411
_ioctl = fcntl.ioctl


def ioctl(handle, request, *rest):
    if request != _FIONWRITE:
        raise OSError(errno.ENOTTY, "Inappropriate ioctl for device")
    return _ioctl(handle, _SIOCOUTQ, *rest)


fcntl.ioctl = ioctl
assert select.epoll

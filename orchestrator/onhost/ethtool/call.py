"""The one ioctl behind the ethtool interface: a command block in, the same block out."""

from __future__ import annotations

import errno
import fcntl
import socket
import struct
from array import array
from typing import Optional

_SIOCETHTOOL = 0x8946
_NAME_BYTES = 16
_REQUEST = struct.Struct("@16sP16x")  # struct ifreq, padded to the 40 bytes that the kernel copies
# what drivers answer when they do not know a command at all
NOT_SUPPORTED = (errno.EOPNOTSUPP, errno.ENOTTY)


def call(interface: str, block: bytes) -> bytes:
    """Hand `block` (its first word is the command) to the driver; give back what the driver made of it.

    Raises OSError: ENODEV without such an interface, EOPNOTSUPP when the driver does not know the command, EPERM
    without privilege, EINVAL for a value that the driver refuses.
    """
    name = interface.encode()
    if not 0 < len(name) < _NAME_BYTES:
        raise OSError(errno.ENODEV, f"no interface can have the name {interface!r}")
    memory = array("B", block)
    request = _REQUEST.pack(name, memory.buffer_info()[0])
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as handle:
        fcntl.ioctl(handle, _SIOCETHTOOL, request)
    return memory.tobytes()


def call_if_known(interface: str, block: bytes) -> Optional[bytes]:
    """The same; None when the driver does not know the command."""
    try:
        return call(interface, block)
    except OSError as error:
        if error.errno in NOT_SUPPORTED:
            return None
        raise

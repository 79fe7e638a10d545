"""There is no such ioctl here, and none must be tried: its number means something else."""

from __future__ import annotations

import errno
from typing import Optional

NOT_SUPPORTED = (errno.EOPNOTSUPP, errno.ENOTTY)


def call(interface: str, block: bytes) -> bytes:
    """Refused."""
    raise OSError(errno.EOPNOTSUPP, "this system has no such question for drivers")


def call_if_known(interface: str, block: bytes) -> Optional[bytes]:
    """Not known."""
    return None

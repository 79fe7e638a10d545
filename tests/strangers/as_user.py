"""Root that is refused what an ordinary user is refused: a file that nobody may read is unreadable to it, too."""

from __future__ import annotations

import ctypes
import os

_VERSION = 0x20080522  # capabilities(7), capget(2): version 3, two words of each set
_OVERRIDES = 1 << 1 | 1 << 2  # CAP_DAC_OVERRIDE, CAP_DAC_READ_SEARCH


class _Header(ctypes.Structure):
    _fields_ = (("version", ctypes.c_uint32), ("pid", ctypes.c_int))


class _Sets(ctypes.Structure):
    _fields_ = (("effective", ctypes.c_uint32), ("permitted", ctypes.c_uint32), ("inheritable", ctypes.c_uint32))


def obey_permissions() -> None:
    """From here on permissions bind this process, for good; OSError where the system does not let that be said."""
    if os.geteuid() != 0:
        return
    system, header, sets = ctypes.CDLL(None, use_errno=True), _Header(_VERSION, 0), (_Sets * 2)()
    if system.capget(ctypes.byref(header), sets) != 0:
        raise OSError(ctypes.get_errno(), "capget")
    sets[0].effective &= ~_OVERRIDES
    sets[0].permitted &= ~_OVERRIDES
    if system.capset(ctypes.byref(header), sets) != 0:
        raise OSError(ctypes.get_errno(), "capset")

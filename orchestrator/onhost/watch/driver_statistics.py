"""Every statistic a driver keeps under its own names, and pause frames among them.

ethtool ioctl, include/uapi/linux/ethtool.h: the names of the statistics set, then the values in the same order.
"""

from __future__ import annotations

import struct
from typing import Dict, List

from orchestrator.onhost.ethtool.call import call_if_known

_GET_SET_SIZE, _GET_STRINGS, _GET_STATISTICS = 0x37, 0x1B, 0x1D
_STATISTICS_SET = 1
_NAME_BYTES = 32


class DriverStatistics:
    """The statistics of one interface. Their names are asked for once: they change only with the driver's channels."""

    def __init__(self, interface: str) -> None:
        """An interface whose driver keeps none, or that is gone, reads as nothing."""
        self._interface = interface
        self._names: List[str] = _names(interface)

    def read(self) -> Dict[str, int]:
        """Name -> value now. Names that occur twice are counted together, as some drivers repeat a queue's name."""
        count = len(self._names)
        if not count:
            return {}
        try:
            block = call_if_known(self._interface, struct.pack("=II", _GET_STATISTICS, count) + bytes(8 * count))
        except OSError:
            return {}
        if block is None or struct.unpack_from("=I", block, 4)[0] != count:
            self._names = _names(self._interface)  # the number of queues changed: the next reading is whole again
            return {}
        values: Dict[str, int] = {}
        for name, value in zip(self._names, struct.unpack_from("=%dQ" % count, block, 8)):
            values[name] = values.get(name, 0) + value
        return values


def _names(interface: str) -> List[str]:
    try:
        sizes = call_if_known(interface, struct.pack("=IIQI", _GET_SET_SIZE, 0, 1 << _STATISTICS_SET, 0))
        if sizes is None or not struct.unpack_from("=Q", sizes, 8)[0]:
            return []
        count = struct.unpack_from("=I", sizes, 16)[0]
        block = call_if_known(
            interface, struct.pack("=III", _GET_STRINGS, _STATISTICS_SET, count) + bytes(_NAME_BYTES * count)
        )
    except OSError:
        return []
    if block is None:
        return []
    return [
        block[12 + _NAME_BYTES * at : 12 + _NAME_BYTES * (at + 1)].split(b"\0", 1)[0].decode("ascii", "replace")
        for at in range(count)
    ]

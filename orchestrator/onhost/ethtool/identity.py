"""Which driver an interface has, and the hardware address that was burnt into it."""

from __future__ import annotations

import struct
from typing import Dict, Optional

from orchestrator.onhost.ethtool.call import call_if_known

_GET_DRIVER, _GET_PERMANENT_ADDRESS = 0x03, 0x20
_DRIVER_BYTES = 196  # sizeof(struct ethtool_drvinfo)
_TEXTS = ("driver", "version", "firmware", "bus")
_TEXT_BYTES = 32
_ADDRESS_BYTES = 32  # MAX_ADDR_LEN


def driver_info(interface: str) -> Optional[Dict[str, str]]:
    """Driver, its version, the firmware's, and the bus address; None where there is no driver to ask."""
    answer = call_if_known(interface, struct.pack("=I", _GET_DRIVER) + bytes(_DRIVER_BYTES - 4))
    if answer is None:
        return None
    return {
        name: answer[4 + at * _TEXT_BYTES : 4 + (at + 1) * _TEXT_BYTES].split(b"\0", 1)[0].decode("utf-8", "replace")
        for at, name in enumerate(_TEXTS)
    }


def permanent_address(interface: str) -> str:
    """The hardware address that survives renaming and overriding; empty when the device has none."""
    block = struct.pack("=II", _GET_PERMANENT_ADDRESS, _ADDRESS_BYTES) + bytes(_ADDRESS_BYTES)
    answer = call_if_known(interface, block)
    if answer is None:
        return ""
    length = struct.unpack_from("=I", answer, 4)[0]
    address = answer[8 : 8 + min(length, _ADDRESS_BYTES)]
    return ":".join(f"{byte:02x}" for byte in address) if any(address) else ""

"""The direct lower devices of an interface: a bridge's ports, the parent of a VLAN. On Linux.

A host of the BSD family runs bsd/system/direct_lower_devices.py in its place.
"""

from __future__ import annotations

import os
from typing import List


def lower_interfaces(name: str) -> List[str]:
    """Those directly below, sorted. Raises OSError without such an interface."""
    return sorted(
        entry[len("lower_") :] for entry in os.listdir(f"/sys/class/net/{name}") if entry.startswith("lower_")
    )

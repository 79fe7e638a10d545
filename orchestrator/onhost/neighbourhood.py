"""Asking a link who has an address, by the kernel's own neighbour requests; no packet of ours goes to anybody."""

from __future__ import annotations

import time
from typing import Any, Dict, Optional

from orchestrator.onhost import netlink

BOUND_S = 1.0  # an answer on one link takes milliseconds; the kernel asks three times, a second apart
_LOOK_S = 0.02
_ANSWERED = ("reachable", "stale", "delay", "probe", "permanent", "noarp")


def find(index: int, address: str) -> Optional[Dict[str, Any]]:
    """The interface's entry for `address`, or None."""
    return next((each for each in netlink.neighbours(index) if each["address"] == address and not each["proxy"]), None)


def ask(index: int, address: str, bound_s: float = BOUND_S) -> str:
    """Have the kernel resolve `address` and wait for its answer; the entry's last state. Raises OSError."""
    netlink.use_neighbour(index, address)
    until = time.monotonic() + bound_s
    while True:
        state = (find(index, address) or {"state": ""})["state"]
        if state in _ANSWERED or time.monotonic() >= until:
            return str(state)
        time.sleep(_LOOK_S)


def owner_of(index: int, address: str, bound_s: float = BOUND_S) -> str:
    """The hardware address of whoever has `address` on the link, or empty; leaves no entry behind. Raises OSError."""
    owner = ""
    if ask(index, address, bound_s) in _ANSWERED:
        owner = str((find(index, address) or {"mac": ""})["mac"])
    entry = find(index, address)
    if entry is not None:
        netlink.remove_neighbour(index, entry)
    return owner

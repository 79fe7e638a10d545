"""Asking a link who has an address, by the kernel's own neighbour requests; no packet of ours goes to anybody."""

from __future__ import annotations

import errno
import time
from typing import Optional

from orchestrator.onhost import netlink
from orchestrator.onhost.netlink.entries import Neighbour

TIMEOUT_S = 1.0  # an answer on one link takes milliseconds; the kernel asks three times, a second apart
_LOOK_S = 0.02
_DUPLICATE_CHECK_S = 3.0  # 1.1 to 2.0 s as tried
_LINK_SCOPE = 253
_ANSWERED = ("reachable", "stale", "delay", "probe", "permanent", "noarp")


def find(index: int, address: str) -> Optional[Neighbour]:
    """The interface's entry for `address`, or None."""
    return next((each for each in netlink.neighbours(index) if each["address"] == address and not each["proxy"]), None)


def ask(index: int, address: str, timeout_s: float = TIMEOUT_S) -> str:
    """Have the kernel resolve `address` and wait for its answer; the entry's last state. Raises OSError."""
    netlink.use_neighbour(index, address)
    until = time.monotonic() + timeout_s
    while True:
        entry = find(index, address)
        state = "" if entry is None else str(entry["state"])
        if state in _ANSWERED or time.monotonic() >= until:
            return state
        time.sleep(_LOOK_S)


def owner_of(index: int, address: str, timeout_s: float = TIMEOUT_S) -> str:
    """The hardware address of whoever has `address` on the link, or empty; leaves no entry behind.

    Raises OSError, EADDRNOTAVAIL where IPv6 has no address of its own yet to ask from.
    """
    if ":" in address:
        _wait_for_own_address(index)
    owner = ""
    if ask(index, address, timeout_s) in _ANSWERED:
        found = find(index, address)
        owner = "" if found is None else str(found["mac"])
    entry = find(index, address)
    if entry is not None:
        netlink.remove_neighbour(index, entry)
    return owner


def _wait_for_own_address(index: int) -> None:
    """IPv6 asks from its link-local address, silently not at all while that is still being checked for duplicates."""
    until = time.monotonic() + _DUPLICATE_CHECK_S
    while True:
        own = [each for each in netlink.addresses(index) if each["scope"] == _LINK_SCOPE and each["family"] == 6]
        if any("tentative" not in each["flags"] for each in own):
            return
        if not own or time.monotonic() >= until:
            raise OSError(errno.EADDRNOTAVAIL, "it has no link-local address from which its link could be asked")
        time.sleep(_LOOK_S)

"""Every counter that a trial's change is taken of, and the wait until they have stopped moving.

Names: `interface.*` from sysfs, `driver.*` as the driver calls them, `queue.*` of the own queue, `softnet.*` of the
kernel's backlog, `udp.*`, `ip.*`, `tcp.*` of the network namespace (protocol names as /proc/net/snmp has them).
"""

from __future__ import annotations

import math
import os
import time
from typing import Dict, List, Tuple

from orchestrator.onhost.watch.cores import parse_softnet
from orchestrator.onhost.watch.driver_statistics import DriverStatistics
from orchestrator.onhost.watch.files import read_once
from orchestrator.onhost.watch.queue_counts import queue_counts

_PROTOCOLS: Dict[str, Tuple[str, ...]] = {
    "udp": ("InDatagrams", "NoPorts", "InErrors", "OutDatagrams", "RcvbufErrors", "SndbufErrors", "InCsumErrors"),
    "tcp": ("InSegs", "OutSegs", "RetransSegs", "InErrs", "InCsumErrors"),
    "ip": ("InDiscards", "OutDiscards", "FragFails", "FragOKs", "ReasmReqds", "ReasmFails"),
}
_MOVING = ("interface.rx_packets", "interface.tx_packets")
AT_REST_PER_S = 50  # frames per second that may still come and go on a link at rest: announcements, keep-alives
_LOOK_AGAIN_S = 0.1
_STILL_LOOKS = 2
REFRESH_TIMEOUT_S = 2.5  # drivers that copy their card's counters do so once in one or two seconds


def read_counters(interface: str, *, proc_root: str = "/proc", sys_root: str = "/sys") -> Dict[str, int]:
    """All counters now; what this host does not keep is absent."""
    counters = _interface_counts(interface, sys_root)
    counters.update(("driver." + name, value) for name, value in DriverStatistics(interface).read().items())
    counters.update(("queue." + name, value) for name, value in queue_counts(interface).items())
    softnet = parse_softnet(read_once(os.path.join(proc_root, "net/softnet_stat"))).values()
    if softnet:
        counters["softnet.dropped"] = sum(core.dropped for core in softnet)
        counters["softnet.squeezed"] = sum(core.squeezed for core in softnet)
    counters.update(
        protocol_counts(read_once(os.path.join(proc_root, "net/snmp")), read_once(os.path.join(proc_root, "net/snmp6")))
    )
    return counters


def settled_counters(
    interface: str, timeout_s: float = REFRESH_TIMEOUT_S, *, lag_s: float = 0.0
) -> Tuple[Dict[str, int], int]:
    """The counters once those of the interface have stopped moving, or as they are at the timeout; and when they were
    read, by CLOCK_MONOTONIC.

    `lag_s`: for how long this interface's counters stand still between two refreshes (`Watcher.counter_lag_s`). Only
    when they have stood still for longer do they say anything about rest; the timeout is longer than that by a second.
    """
    began_s = time.monotonic()
    timeout_s = max(timeout_s, lag_s + 1.0)
    still_looks = max(_STILL_LOOKS, math.ceil(lag_s / _LOOK_AGAIN_S) + 1 if lag_s else 0)
    still = 0
    before = read_counters(interface)
    while True:
        time.sleep(_LOOK_AGAIN_S)
        read_ns = time.monotonic_ns()
        after = read_counters(interface)
        still = 0 if _moved(before, after) else still + 1
        if still >= still_looks or time.monotonic() - began_s >= timeout_s:
            return after, read_ns
        before = after


def _moved(before: Dict[str, int], after: Dict[str, int]) -> bool:
    frames = sum(abs(after.get(name, 0) - before.get(name, 0)) for name in _MOVING)
    return frames > AT_REST_PER_S * _LOOK_AGAIN_S


def changes(before: Dict[str, int], after: Dict[str, int]) -> Dict[str, int]:
    """What was added to every counter; those that did not move are left out, and those that only one reading has."""
    return {name: value - before[name] for name, value in after.items() if name in before and value != before[name]}


def _interface_counts(interface: str, sys_root: str) -> Dict[str, int]:
    base = os.path.join(sys_root, "class/net", interface)
    paths: List[Tuple[str, str]] = [("carrier_changes", os.path.join(base, "carrier_changes"))]
    try:
        paths += [
            (name, os.path.join(base, "statistics", name))
            for name in sorted(os.listdir(os.path.join(base, "statistics")))
        ]
    except OSError:
        return {}
    counts = {}
    for name, path in paths:
        text = read_once(path).strip()
        if text.isdigit():
            counts["interface." + name] = int(text)
    return counts


def protocol_counts(snmp: bytes, snmp6: bytes) -> Dict[str, int]:
    """IPv4 and IPv6 counts together: a datagram is lost whichever family carried it."""
    counts: Dict[str, int] = {}
    lines = [line.split() for line in snmp.decode("ascii", "replace").splitlines()]
    for names, values in zip(lines[::2], lines[1::2]):
        found = dict(zip(names[1:], values[1:]))
        protocol = names[0].rstrip(":").lower()
        for name in _PROTOCOLS.get(protocol, ()):
            if name in found:
                counts[protocol + "." + name] = int(found[name])
    six = dict(line.split() for line in snmp6.decode("ascii", "replace").splitlines() if len(line.split()) == 2)
    for protocol, names_wanted in _PROTOCOLS.items():
        for name in names_wanted:
            value = six.get(protocol.capitalize() + "6" + name)
            if value is not None:
                key = protocol + "." + name
                counts[key] = counts.get(key, 0) + int(value)
    return counts

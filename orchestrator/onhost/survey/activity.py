"""What else goes on on a host: traffic now, services that disturb a run, packet filters, missing firmware."""

from __future__ import annotations

import os
import re
import time
from typing import Dict, List, Optional, TypedDict

from orchestrator.onhost.netlink.filter_tables import filter_tables
from orchestrator.onhost.survey.cards import error_counts
from orchestrator.onhost.survey.roots import Roots, found, text_of

_WATCHED_S = 0.25
# By what a process is called (15 bytes): what it does to a measurement. They are parts of ordinary distributions.
_DISTURBING = {
    "NetworkManager": "manages interfaces",
    "systemd-network": "manages interfaces",
    "connmand": "manages interfaces",
    "dhclient": "renews leases",
    "dhcpcd": "renews leases",
    "udhcpc": "renews leases",
    "irqbalance": "moves interrupts",
    "tuned": "changes settings by itself",
    "thermald": "limits clocks",
    "power-profiles-": "changes clock policies",
    "cpufreqd": "changes clock policies",
    "tlp": "changes power settings",
    "unattended-upgr": "installs updates",
    "packagekitd": "installs updates",
    "dnf-automatic": "installs updates",
    "apt-get": "installs updates",
    "dpkg": "installs updates",
    "rsync": "copies files",
    "updatedb": "reads the disks",
    "mandb": "reads the disks",
    "fstrim": "works on the disks",
}
_FIRMWARE = re.compile(r"(?:firmware: failed to load|Direct firmware load for) (\S+)")
_MAX_LOG_RECORDS = 20000


class Activity(TypedDict):
    """Disturbing services and what each does, packet filters' tables, files of firmware that were asked for in vain.

    By interface its traffic in bit/s, both ways together, and the counters of errors that rose. What cannot be read is
    None or empty.
    """

    services: Dict[str, str]
    connection_tracking: Optional[int]
    filters: List[str]
    firmware_missing: Optional[List[str]]
    traffic_bit_s: Dict[str, int]
    new_errors: Dict[str, Dict[str, int]]


def read_activity(roots: Roots, names: List[str]) -> Activity:
    """What goes on, watched for a quarter of a second."""
    first, began_s = _octets(roots, names), time.monotonic()
    errors = {name: error_counts(roots, name) for name in names}
    activity: Activity = {
        "services": _services(roots),
        "connection_tracking": _tracked(roots),
        "filters": packet_filters(roots),
        "firmware_missing": firmware_missing(roots),
        "traffic_bit_s": {},
        "new_errors": {},
    }
    time.sleep(max(0.0, _WATCHED_S - (time.monotonic() - began_s)))
    second, seconds = _octets(roots, names), time.monotonic() - began_s
    activity["traffic_bit_s"] = {
        name: round(8 * (second[name] - first[name]) / seconds) for name in first if name in second
    }
    activity["new_errors"] = _new_errors(errors, {name: error_counts(roots, name) for name in names})
    return activity


def _new_errors(before: Dict[str, Dict[str, int]], after: Dict[str, Dict[str, int]]) -> Dict[str, Dict[str, int]]:
    """By interface, the counters that rose and by how much; drivers that refresh theirs seldom may show none yet."""
    risen = {
        name: {
            key: count - before[name].get(key, 0)
            for key, count in after[name].items()
            if count > before[name].get(key, 0)
        }
        for name in after
    }
    return {name: counters for name, counters in risen.items() if counters}


def firmware_missing(roots: Roots) -> Optional[List[str]]:
    """Files that drivers asked for in vain, by the kernel's log; None where this user may not read it."""
    try:
        handle = os.open(roots.kernel_log, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError:
        return None
    files = set()
    try:
        for _ in range(_MAX_LOG_RECORDS):
            record = os.read(handle, 8192)
            if not record:
                break
            files.update(_FIRMWARE.findall(record.decode("utf-8", "replace")))
    except BlockingIOError:
        pass  # all that there is has been read
    except OSError:
        pass  # a record was overwritten while it was read
    finally:
        os.close(handle)
    return sorted(files)


def _octets(roots: Roots, names: List[str]) -> Dict[str, int]:
    counted = {}
    for name in names:
        both = [text_of(f"{roots.sys}/class/net/{name}/statistics/{way}_bytes") for way in ("rx", "tx")]
        if all(text.isdigit() for text in both):
            counted[name] = sum(map(int, both))
    return counted


def _services(roots: Roots) -> Dict[str, str]:
    running = {text_of(path) for path in found(f"{roots.proc}/[0-9]*/comm")}
    return {name: what for name, what in _DISTURBING.items() if name in running}


def _tracked(roots: Roots) -> Optional[int]:
    """How many connections the kernel tracks; None when it tracks none at all."""
    text = text_of(f"{roots.proc}/sys/net/netfilter/nf_conntrack_count")
    return int(text) if text.isdigit() else None


def packet_filters(roots: Roots) -> List[str]:
    """Tables of packet filters, of the old kind and the new; the new kind tells root only which tables it has."""
    tables = [
        name for file in ("ip_tables_names", "ip6_tables_names") for name in text_of(f"{roots.proc}/net/{file}").split()
    ]
    return sorted({*tables, *_new_filters(roots)})


def _new_filters(roots: Roots) -> List[str]:
    if roots.live:
        try:
            return filter_tables()
        except OSError:
            pass  # not root, or a kernel without them: then the module says that there may be some
    modules = [line.split()[0] for line in text_of(f"{roots.proc}/modules").splitlines() if line]
    return [name for name in modules if name == "nf_tables"]

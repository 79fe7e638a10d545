"""Taking an image: everything of the network and the clocks that this program, or a driver behind its back, may change.

What counts or moves by itself (lifetimes, states of neighbours, negotiated speed) is left out, because a difference
must mean something. What the host has not is simply not in the image.
"""

from __future__ import annotations

import contextlib
import os
from typing import Dict, Iterable, Iterator, List, Tuple

from orchestrator.onhost import ethtool, netlink
from orchestrator.onhost.netlink.entries import Link
from orchestrator.onhost.safety.state import Image
from orchestrator.onhost.settings.mtu import stacked_on
from orchestrator.onhost.watch.cores import interrupt_numbers
from orchestrator.onhost.watch.files import read_once

Items = Dict[str, object]

_SYSCTLS = "/proc/sys/net"
# secrets, and what the kernel computes from other values
_NOT_TAKEN = (
    "tcp_fastopen_key",
    "stable_secret",
    "tcp_available_congestion_control",
    "tcp_available_ulp",
    "netdev_rss_key",
    "flush",
)
_HOST_SYSCTLS = ("core", "ipv4", "ipv6", "bridge")
_CLOCK_FILES = ("scaling_governor", "scaling_min_freq", "scaling_max_freq")
_BOOST_FILES = ("cpufreq/boost", "intel_pstate/no_turbo")
_CPU_TREE = "/sys/devices/system/cpu"
_QUEUE_FILES = ("rps_cpus", "rps_flow_cnt", "xps_cpus", "xps_rxqs")
_DEVICE_FILES = ("gro_flush_timeout", "napi_defer_hard_irqs", "threaded")
_TABLES = {
    "ring": ethtool.RINGS,
    "coalescing": ethtool.COALESCING,
    "pause": ethtool.PAUSE,
    "channels": ethtool.CHANNELS,
}
_ENERGY_WORDS = ("enabled", "advertised", "tx-lpi-enabled", "tx-lpi-timer")
_LOCAL_TABLE = 255
# what a restored interface gets back only from others
_OWN_WORK_OF_THE_KERNEL = ("tentative", "dadfailed", "deprecated", "optimistic")


def take_image(interfaces: List[str]) -> Image:
    """The host as it is; in depth for `interfaces` and those of which they are lower devices. Raises OSError."""
    links = netlink.links()
    names = {link["index"]: link["name"] for link in links}
    measured = [link for link in links if link["name"] in interfaces]
    deep = sorted({each["name"] for link in measured for each in [link, *stacked_on(link, links)]})
    items: Items = {}
    for part in (
        _links(links),
        _addresses(names),
        _routes(names),
        _neighbours(names),
        _host_sysctls(),
        _clocks(),
        _own_traces(),
    ):
        items.update(part)
    for name in deep:
        items.update(_interface(name, next(link["index"] for link in links if link["name"] == name)))
    stacked = {each["name"]: link["name"] for link in links for each in stacked_on(link, links)}
    return {"interfaces": list(interfaces), "stacked": stacked, "items": items}


def _links(links: List[Link]) -> Items:
    return {
        f"link:{link['name']}:{what}": link[what]
        for link in links
        for what in ("mtu", "up", "transmit_queue_length", "mac")
    }


def _addresses(names: Dict[int, str]) -> Items:
    """Addresses that were given; one with a lifetime is marked, because it goes and comes by itself."""
    found: Items = {}
    for each in netlink.addresses():
        passing = each["valid_s"] is not None
        if passing and "secondary" in each["flags"]:
            continue  # a privacy address: a new one every day
        kept: Items = {key: each[key] for key in ("address", "prefix", "peer", "broadcast", "label", "scope")}
        kept["flags"] = [flag for flag in each["flags"] if flag not in _OWN_WORK_OF_THE_KERNEL]
        found[f"address:{names.get(each['index'], '')}:{each['address']}/{each['prefix']}"] = _marked(kept, passing)
    return found


def _routes(names: Dict[int, str]) -> Items:
    found: Items = {}
    for each in netlink.routes():
        if each["table"] == _LOCAL_TABLE or each["type"] == "multicast":
            continue  # the kernel's own, made from the addresses
        name = names.get(each["index"] or 0, "")
        kept: Items = {
            key: each[key]
            for key in (
                "family",
                "destination",
                "gateway",
                "table",
                "priority",
                "protocol",
                "type",
                "source",
                "scope",
                "metrics",
                "onlink",
            )
        }
        # nothing but the bytes themselves tells two routes with several ways apart
        kept["raw"] = each["raw"] if len(each["indexes"]) > 1 else ""
        passing = each["expires_s"] is not None or each["protocol"] in ("ra", "redirect")
        found[
            f"route:{name}:{each['family']} {each['destination']} {each['table']} {each['priority']} {each['gateway']}"
        ] = _marked(kept, passing)
    return found


def _neighbours(names: Dict[int, str]) -> Items:
    return {
        f"neighbour:{names.get(each['index'], '')}:{each['address']}{' proxy' if each['proxy'] else ''}": each
        for each in netlink.neighbours()
        if each["state"] == "permanent" or each["proxy"]
    }


def _marked(kept: Items, passing: bool) -> Items:
    return {**kept, "passing": True} if passing else kept


def _interface(name: str, index: int) -> Items:
    """What a driver and the kernel keep for one interface."""
    found: Items = {}
    for part in (_features, _tables, _negotiation, _steering, _interrupts, _interface_sysctls):
        # a driver that does not answer leaves a gap in both images alike
        with contextlib.suppress(OSError):
            found.update(part(name))
    with contextlib.suppress(OSError):
        found[f"qdisc:{name}:"] = [
            {key: each[key] for key in ("kind", "default", "root", "options")} for each in netlink.qdiscs(index)
        ]
    return found


def _features(name: str) -> Items:
    return {
        f"feature:{name}:{feature}": "on" if state["active"] else "off"
        for feature, state in ethtool.features(name).items()
    }


def _tables(name: str) -> Items:
    found: Items = {}
    for section, table in _TABLES.items():
        words = ethtool.read_table(name, table) or {}
        found.update({f"{section}:{name}:{word}": value for word, value in words.items() if not word.endswith("-max")})
    energy = ethtool.read_table(name, ethtool.ENERGY_EFFICIENCY) or {}
    found.update({f"energy:{name}:{word}": energy[word] for word in _ENERGY_WORDS if word in energy})
    return found


def _negotiation(name: str) -> Items:
    settings = ethtool.link_settings(name)
    if settings is None:
        return {}
    found: Items = {
        f"negotiation:{name}:autoneg": settings["autoneg"],
        f"negotiation:{name}:advertised": settings["advertised"],
    }
    if not settings["autoneg"]:  # with negotiation they are its outcome
        found[f"negotiation:{name}:speed_bit_s"] = settings["speed_bit_s"]
        found[f"negotiation:{name}:duplex"] = settings["duplex"]
    return found


def _steering(name: str) -> Items:
    base = f"/sys/class/net/{name}"
    files = [file for file in _DEVICE_FILES if os.path.exists(f"{base}/{file}")]
    with contextlib.suppress(OSError):
        files += [f"queues/{queue}/{file}" for queue in sorted(os.listdir(f"{base}/queues")) for file in _QUEUE_FILES]
    return dict(_readable(f"steering:{name}:", base, files))


def _interrupts(name: str) -> Items:
    numbers = interrupt_numbers(name, read_once("/proc/interrupts"))
    return dict(_readable(f"interrupt:{name}:", "/proc/irq", [f"{number}/smp_affinity_list" for number in numbers]))


def _interface_sysctls(name: str) -> Items:
    found: Items = {}
    for family in ("ipv4", "ipv6"):
        for part in ("conf", "neigh"):
            folder = f"{_SYSCTLS}/{family}/{part}/{name}"
            found.update(_readable(f"sysctl:{name}:{family}/{part}/{name}/", folder, _files(folder)))
    return found


def _host_sysctls() -> Items:
    found: Items = {}
    for part in _HOST_SYSCTLS:
        found.update(_readable(f"sysctl::{part}/", f"{_SYSCTLS}/{part}", _files(f"{_SYSCTLS}/{part}")))
    for family in ("ipv4", "ipv6"):
        for every in ("all", "default"):
            folder = f"{_SYSCTLS}/{family}/conf/{every}"
            found.update(_readable(f"sysctl::{family}/conf/{every}/", folder, _files(folder)))
    return found


def _clocks() -> Items:
    found: Items = {}
    with contextlib.suppress(OSError):
        for policy in sorted(os.listdir(f"{_CPU_TREE}/cpufreq")):
            if policy.startswith("policy"):
                found.update(_readable(f"clock::cpufreq/{policy}/", f"{_CPU_TREE}/cpufreq/{policy}", _CLOCK_FILES))
    found.update(_readable("clock::", _CPU_TREE, _BOOST_FILES))
    with contextlib.suppress(OSError):
        for core in sorted(os.listdir(_CPU_TREE)):
            if core.startswith("cpu") and core[3:].isdigit():
                idle = f"{_CPU_TREE}/{core}/cpuidle"
                states = sorted(os.listdir(idle)) if os.path.isdir(idle) else []
                found.update(_readable(f"clock::{core}/cpuidle/", idle, [f"{state}/disable" for state in states]))
    return found


def _own_traces() -> Items:
    """Our own files that outlive a session; the record itself is there until the lease is released."""
    return {
        "trace::/run/linktrial-kept": sorted(os.listdir("/run/linktrial-kept"))
        if os.path.isdir("/run/linktrial-kept")
        else []
    }


def _readable(prefix: str, folder: str, files: Iterable[str]) -> Iterator[Tuple[str, str]]:
    """(key, text) of those files that can be read."""
    for file in files:
        try:
            with open(f"{folder}/{file}", "rb") as handle:
                yield prefix + file, handle.read(4096).decode("utf-8", "backslashreplace").rstrip("\n")
        except OSError:
            continue


def _files(folder: str) -> List[str]:
    try:
        with os.scandir(folder) as entries:
            return sorted(entry.name for entry in entries if entry.is_file() and entry.name not in _NOT_TAKEN)
    except OSError:
        return []

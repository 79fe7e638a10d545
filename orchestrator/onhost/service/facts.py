"""What a host is: read at the start of every session, without privilege and without changing anything."""

from __future__ import annotations

import contextlib
import hashlib
import os
import platform
import time
from typing import List, Mapping, Optional, Sequence, TypedDict

from orchestrator.onhost import ethtool, netlink
from orchestrator.onhost.netlink.entries import Address, Link
from orchestrator.onhost.system import boot
from orchestrator.onhost.system.core_list import parse_core_list

_UNKNOWN_DUPLEX = "unknown"
# What the board or machine calls itself: device tree first, because boards that have both mean it.
_MODEL_FILES = ("/proc/device-tree/model", "/sys/class/dmi/id/product_name")


class AddressFacts(TypedDict):
    """An address of an interface: `tentative` while it is checked for duplicates, `duplicate` when one was found."""

    address: str
    prefix: int
    family: int
    peer: str
    tentative: bool
    duplicate: bool
    scope: int


class InterfaceFacts(TypedDict):
    """An interface; sizes in bytes, speed in bit/s, None where it is not known. `master`: the bridge or bond above."""

    name: str
    index: int
    mac: str
    permanent_mac: str
    driver: str
    driver_version: str
    firmware: str
    bus: str
    kind: str
    mtu: int
    min_mtu: Optional[int]
    max_mtu: Optional[int]
    speed_bit_s: Optional[int]
    duplex: str
    operstate: str
    carrier: bool
    loopback: bool
    up: bool
    master: str
    master_kind: str
    addresses: List[AddressFacts]


class HostFacts(TypedDict):
    """The host itself, its start, its clocks when it was asked."""

    system: str
    family: str
    hostname: str
    kernel: str
    kernel_build: str
    machine: str
    model: str
    python: str
    boot_id: str
    netns: int
    machine_id: str
    uid: int
    cpus: int
    online_cpus: List[int]
    monotonic_ns: int
    boottime_ns: int
    wall_ns: int


class Facts(HostFacts):
    """The host and its interfaces."""

    interfaces: List[InterfaceFacts]


def read_facts() -> Facts:
    """The host and its interfaces; what cannot be known is None or empty. Raises OSError when there is no netlink."""
    system = os.uname()
    return {
        "system": system.sysname,
        "family": boot.FAMILY,
        "hostname": system.nodename,
        "kernel": system.release,
        "kernel_build": system.version,
        "machine": system.machine,
        "model": _model(),
        "python": platform.python_version(),
        "boot_id": boot.boot_id(),
        "netns": boot.network_namespace(),
        "machine_id": _machine_id(),
        "uid": os.geteuid(),
        "cpus": os.cpu_count() or 1,
        "online_cpus": online_cores(),
        "monotonic_ns": time.monotonic_ns(),
        "boottime_ns": boot.boottime_ns(),
        "wall_ns": time.time_ns(),
        "interfaces": read_interfaces(),
    }


def read_interfaces() -> List[InterfaceFacts]:
    """Every interface with its driver, limits, state and addresses; sizes in bytes, speed in bit/s."""
    addresses, links = netlink.addresses(), netlink.links()
    masters: Mapping[Optional[int], Link] = {link["index"]: link for link in links}
    return [
        _interface(
            link, [each for each in addresses if each["index"] == link["index"]], masters.get(link.get("master"))
        )
        for link in links
    ]


def online_cores() -> List[int]:
    """The cores that are online; the first one where the kernel does not say."""
    return list(parse_core_list(_text("/sys/devices/system/cpu/online"))) or [0]


def _interface(link: Link, addresses: Sequence[Address], master: Optional[Link]) -> InterfaceFacts:
    name = link["name"]
    driver: Mapping[str, str] = {}
    settings, burnt_in = None, ""
    # an interface may vanish between two questions, and a stuck driver may refuse to answer
    with contextlib.suppress(OSError):
        driver = ethtool.driver_info(name) or {}
        settings = ethtool.link_settings(name)
        burnt_in = ethtool.permanent_address(name)
    return {
        "name": name,
        "index": link["index"],
        "mac": link["mac"],
        "permanent_mac": burnt_in or link["permanent_mac"],
        "driver": driver.get("driver", ""),
        "driver_version": driver.get("version", ""),
        "firmware": driver.get("firmware", ""),
        "bus": driver.get("bus", ""),
        "kind": link["kind"],
        "mtu": link["mtu"],
        "min_mtu": link["min_mtu"],
        "max_mtu": link["max_mtu"],
        "speed_bit_s": None if settings is None else settings["speed_bit_s"],
        "duplex": _UNKNOWN_DUPLEX if settings is None else settings["duplex"],
        "operstate": link["operstate"],
        "carrier": link["carrier"],
        "loopback": link["loopback"],
        "up": link["up"],
        "master": "" if master is None else master["name"],
        "master_kind": "" if master is None else master["kind"],
        "addresses": [
            {
                "address": each["address"],
                "prefix": each["prefix"],
                "family": each["family"],
                "peer": each.get("peer", ""),
                "tentative": "tentative" in each["flags"],
                "duplicate": "dadfailed" in each["flags"],
                "scope": each["scope"],
            }
            for each in addresses
        ],
    }


def _model() -> str:
    return next((text for text in map(_text, _MODEL_FILES) if text), "")


def _machine_id() -> str:
    """What tells this installation from another; hashed, because machine-id(5) asks not to show the id itself."""
    own = _text("/etc/machine-id")
    return hashlib.sha256(b"linktrial\0" + own.encode()).hexdigest()[:32] if own else ""


def _text(path: str) -> str:
    """A small file's text without its end; empty when it cannot be read."""
    try:
        with open(path, "rb") as handle:
            return handle.read(4096).decode("utf-8", "replace").rstrip("\0\n ")
    except OSError:
        return ""

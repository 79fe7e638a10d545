"""Network cards on the bus, with or without a driver, and what each interface's driver, queues and bus are."""

from __future__ import annotations

import contextlib
import os
from typing import Any, Dict, List, Optional

from orchestrator.onhost import ethtool
from orchestrator.onhost.survey.modules import kernels_that_claim, modules_that_claim, option_of
from orchestrator.onhost.survey.roots import Roots, found, link_name, text_of
from orchestrator.onhost.watch.cores import interrupt_numbers
from orchestrator.onhost.watch.counters import read_counters
from orchestrator.onhost.watch.files import read_once

_NETWORK_CLASS = "0x02"  # PCI base class 02: network controllers
_ERROR_COUNTERS = (
    "interface.rx_errors",
    "interface.tx_errors",
    "interface.rx_crc_errors",
    "interface.rx_frame_errors",
    "interface.rx_missed_errors",
    "interface.rx_fifo_errors",
    "interface.tx_carrier_errors",
    "interface.collisions",
    "interface.carrier_changes",
)


def read_cards(roots: Roots, release: str) -> List[Dict[str, Any]]:
    """The PCI network controllers; `modules` are those of this kernel that claim one without a driver."""
    cards = []
    for path in found(f"{roots.sys}/bus/pci/devices/*"):
        if not text_of(f"{path}/class").startswith(_NETWORK_CLASS):
            continue
        card: Dict[str, Any] = {
            "slot": os.path.basename(path),
            "ids": f"{_id(path, 'vendor')}:{_id(path, 'device')}",
            "driver": link_name(f"{path}/driver"),
            "interfaces": _interfaces_below(path),
            "modules": [],
            "other_kernels": {},
            "options": {},
        }
        if not card["driver"]:
            alias = text_of(f"{path}/modalias")
            card["modules"] = modules_that_claim(roots, release, alias)
            card["other_kernels"] = kernels_that_claim(roots, release, alias)
            wanted = {*card["modules"], *(name for names in card["other_kernels"].values() for name in names)}
            card["options"] = {name: option_of(roots, release, name) for name in sorted(wanted)}
        cards.append(card)
    return cards


def read_interface_depths(roots: Roots, names: List[str]) -> Dict[str, Dict[str, Any]]:
    """By interface: features, rings, channels, pause, coalescing, negotiation, interrupts, queues, bus and errors."""
    interrupts = read_once(f"{roots.proc}/interrupts")
    depths = {}
    for name in names:
        depth: Dict[str, Any] = {"bus_link": bus_link(roots, name), "queues": _queues(roots, name)}
        depth["errors"] = error_counts(roots, name)
        depth["interrupts"] = {
            number: text_of(f"{roots.proc}/irq/{number}/smp_affinity_list")
            for number in sorted(interrupt_numbers(name, interrupts, roots.sys), key=int)
        }
        with contextlib.suppress(OSError):  # the interface may go while it is read
            depth.update(_from_driver(name))
        depths[name] = depth
    return depths


def error_counts(roots: Roots, name: str) -> Dict[str, int]:
    """An interface's counters of errors since it started, without those that are zero."""
    counters = read_counters(name, proc_root=roots.proc, sys_root=roots.sys)
    return {key.split(".")[1]: counters[key] for key in _ERROR_COUNTERS if counters.get(key)}


def bus_link(roots: Roots, name: str) -> Optional[Dict[str, Any]]:
    """The bus that an interface's card hangs on: PCI Express speed and width now and at best, or a USB rate."""
    top = os.path.realpath(roots.sys)
    path = os.path.realpath(f"{roots.sys}/class/net/{name}/device")
    while len(path) > len(top) and path.startswith(top):
        if text_of(f"{path}/busnum") and text_of(f"{path}/speed"):
            return {"kind": "usb", "mbit_s": int(float(text_of(f"{path}/speed")))}
        if text_of(f"{path}/current_link_speed"):
            return {
                "kind": "pcie",
                "speed": text_of(f"{path}/current_link_speed"),
                "width": _whole(f"{path}/current_link_width"),
                "best_speed": text_of(f"{path}/max_link_speed"),
                "best_width": _whole(f"{path}/max_link_width"),
            }
        path = os.path.dirname(path)
    return None


def _from_driver(name: str) -> Dict[str, Any]:
    depth: Dict[str, Any] = {
        "features": sorted(feature for feature, state in ethtool.features(name).items() if state["active"])
    }
    for key, table in {
        "rings": ethtool.RINGS,
        "channels": ethtool.CHANNELS,
        "pause": ethtool.PAUSE,
        "coalescing": ethtool.COALESCING,
        "energy_efficiency": ethtool.ENERGY_EFFICIENCY,
    }.items():
        depth[key] = ethtool.read_table(name, table)
    unknown: Dict[str, Any] = {"supported": [], "advertised": [], "peer_advertised": [], "autoneg": None}
    settings = ethtool.link_settings(name) or unknown
    depth.update(
        {
            "autoneg": settings["autoneg"],
            "fastest_bit_s": ethtool.fastest(settings["supported"]),
            "offered_load_max_bit_s": ethtool.fastest(settings["advertised"]),
            "peer_fastest_bit_s": ethtool.fastest(settings["peer_advertised"]),
        }
    )
    return depth


def _queues(roots: Roots, name: str) -> Dict[str, Any]:
    base = f"{roots.sys}/class/net/{name}/queues"
    steered = [text_of(path) for path in found(f"{base}/rx-*/rps_cpus")]
    return {
        "receive": len(found(f"{base}/rx-*")),
        "transmit": len(found(f"{base}/tx-*")),
        "steered": any(text.strip("0,") for text in steered),
    }


def _interfaces_below(path: str) -> List[str]:
    """Interfaces of a PCI device: directly, or through a device on top of it (virtio)."""
    return sorted(os.path.basename(each) for pattern in ("net/*", "*/net/*") for each in found(f"{path}/{pattern}"))


def _id(path: str, which: str) -> str:
    return text_of(f"{path}/{which}")[2:]


def _whole(path: str) -> Optional[int]:
    text = text_of(path)
    return int(text) if text.isdigit() else None

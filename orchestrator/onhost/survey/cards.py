"""Network cards on the bus, with or without a driver, and what each interface's driver, queues and bus are."""

from __future__ import annotations

import contextlib
import os
from typing import Dict, List, Optional, TypedDict

from orchestrator.onhost import ethtool
from orchestrator.onhost.survey.modules import kernels_that_claim, modules_that_claim, option_of
from orchestrator.onhost.survey.roots import Roots, found, link_name, text_of, whole_of
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


class Card(TypedDict):
    """A network controller on the PCI bus.

    For one without a driver: the modules that claim it, of this kernel and, by release, of the other installed ones,
    and by module how this kernel was configured.
    """

    slot: str
    ids: str
    driver: str
    interfaces: List[str]
    modules: List[str]
    other_kernels: Dict[str, List[str]]
    options: Dict[str, str]


class _Bus(TypedDict):
    kind: str  # pcie | usb


class BusLink(_Bus, total=False):
    """The bus that a card hangs on: PCI Express with speed and width now and at best, or USB with its rate."""

    mbit_s: int
    speed: str
    width: Optional[int]
    best_speed: str
    best_width: Optional[int]


class Queues(TypedDict):
    """An interface's queues, and whether receiving is spread over cores by software."""

    receive: int
    transmit: int
    steered: bool


class _OfDriver(TypedDict, total=False):
    features: List[str]
    rings: Optional[Dict[str, int]]
    channels: Optional[Dict[str, int]]
    pause: Optional[Dict[str, int]]
    coalescing: Optional[Dict[str, int]]
    energy_efficiency: Optional[Dict[str, int]]
    autoneg: Optional[bool]
    fastest_bit_s: Optional[int]
    offered_load_max_bit_s: Optional[int]
    peer_fastest_bit_s: Optional[int]


class InterfaceDepth(_OfDriver, total=False):
    """What an interface's driver, queues and bus are; what the driver did not tell is missing, of loopback all."""

    bus_link: Optional[BusLink]
    queues: Queues
    errors: Dict[str, int]
    interrupts: Dict[str, str]


def read_cards(roots: Roots, release: str) -> List[Card]:
    """The PCI network controllers."""
    cards = []
    for path in found(f"{roots.sys}/bus/pci/devices/*"):
        if not text_of(f"{path}/class").startswith(_NETWORK_CLASS):
            continue
        card: Card = {
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


def read_interface_depths(roots: Roots, names: List[str]) -> Dict[str, InterfaceDepth]:
    """By interface."""
    interrupts = read_once(f"{roots.proc}/interrupts")
    depths: Dict[str, InterfaceDepth] = {}
    for name in names:
        driver: _OfDriver = {}
        with contextlib.suppress(OSError):  # the interface may go while it is read
            driver = _from_driver(name)
        depths[name] = {
            **driver,
            "bus_link": bus_link(roots, name),
            "queues": _queues(roots, name),
            "errors": error_counts(roots, name),
            "interrupts": {
                number: text_of(f"{roots.proc}/irq/{number}/smp_affinity_list")
                for number in sorted(interrupt_numbers(name, interrupts, roots.sys), key=int)
            },
        }
    return depths


def error_counts(roots: Roots, name: str) -> Dict[str, int]:
    """An interface's counters of errors since it started, without those that are zero."""
    counters = read_counters(name, proc_root=roots.proc, sys_root=roots.sys)
    return {key.split(".")[1]: counters[key] for key in _ERROR_COUNTERS if counters.get(key)}


def bus_link(roots: Roots, name: str) -> Optional[BusLink]:
    """The bus that an interface's card hangs on."""
    top = os.path.realpath(roots.sys)
    path = os.path.realpath(f"{roots.sys}/class/net/{name}/device")
    while len(path) > len(top) and path.startswith(top):
        if text_of(f"{path}/busnum") and text_of(f"{path}/speed"):
            return {"kind": "usb", "mbit_s": int(float(text_of(f"{path}/speed")))}
        if text_of(f"{path}/current_link_speed"):
            return {
                "kind": "pcie",
                "speed": text_of(f"{path}/current_link_speed"),
                "width": whole_of(f"{path}/current_link_width"),
                "best_speed": text_of(f"{path}/max_link_speed"),
                "best_width": whole_of(f"{path}/max_link_width"),
            }
        path = os.path.dirname(path)
    return None


def _from_driver(name: str) -> _OfDriver:
    settings = ethtool.link_settings(name)
    return {
        "features": sorted(feature for feature, state in ethtool.features(name).items() if state["active"]),
        "rings": ethtool.read_table(name, ethtool.RINGS),
        "channels": ethtool.read_table(name, ethtool.CHANNELS),
        "pause": ethtool.read_table(name, ethtool.PAUSE),
        "coalescing": ethtool.read_table(name, ethtool.COALESCING),
        "energy_efficiency": ethtool.read_table(name, ethtool.ENERGY_EFFICIENCY),
        "autoneg": None if settings is None else settings["autoneg"],
        "fastest_bit_s": ethtool.fastest([] if settings is None else settings["supported"]),
        "offered_load_max_bit_s": ethtool.fastest([] if settings is None else settings["advertised"]),
        "peer_fastest_bit_s": ethtool.fastest([] if settings is None else settings["peer_advertised"]),
    }


def _queues(roots: Roots, name: str) -> Queues:
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

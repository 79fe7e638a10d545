"""A host in memory for the settings: what its kernel and drivers would answer, also to what they refuse or round.

It is a double, not a measurement: what a real driver does is proven on the lab and on emulated cards. It stands in
where no machine here has the hardware, and where a test must make a kernel refuse.
"""

from __future__ import annotations

import copy
import errno
import os
from collections.abc import Callable, Iterable, Mapping
from typing import cast

from orchestrator.onhost import ethtool
from orchestrator.onhost.netlink.entries import (
    Address,
    AddressEntry,
    Link,
    Neighbour,
    NeighbourKept,
    Qdisc,
    Route,
    RouteKept,
)
from orchestrator.onhost.settings.kernel import Kernel, Outcome
from tests.testing.fake_next_start import FakeNextStart

IPV6_LEAST_MTU = 1280
CHOICE_ONCE = "/boot/choice-once"
_NEEDS = {
    "tx-tcp-segmentation": ("tx-scatter-gather", "tx-checksum-ip-generic"),
    "tx-generic-segmentation": ("tx-scatter-gather",),
    "tx-udp-segmentation": ("tx-scatter-gather", "tx-checksum-ip-generic"),
    "tx-scatter-gather": ("tx-checksum-ip-generic",),
}


class FakeKernel(Kernel):
    """Fill the public attributes and give it to `settings.catalogue`; it changes nothing but itself."""

    def __init__(self) -> None:
        """A host without anything, on which this process is root and owns the machine."""
        self.root = True
        self.first_namespace = True
        self.files: dict[str, str] = {}
        self.refused_writes: dict[str, int] = {}  # path: errno
        self.links_by_name: dict[str, Link] = {}
        self.addresses_by_index: dict[int, list[Address]] = {}
        self.all_routes: list[Route] = []
        self.neighbours_by_index: dict[int, list[Neighbour]] = {}
        self.answering: dict[str, str] = {}  # address: hardware address of somebody else on the link
        self.qdiscs_by_index: dict[int, Qdisc] = {}
        # the kernel's own discipline of each queue of a card with several, those that are not in use last
        self.queue_kinds_by_index: dict[int, list[str]] = {}
        self.features_by_name: dict[str, dict[str, ethtool.FeatureState]] = {}
        self.tables: dict[tuple[str, ethtool.Table], dict[str, int]] = {}
        self.rounding: dict[str, int] = {}  # word of a table: the driver takes multiples of this
        self.link_settings_by_name: dict[str, ethtool.LinkSettings] = {}
        self.interrupts: dict[str, list[str]] = {}
        self.programs: dict[str, Callable[[list[str]], Outcome]] = {}
        self.saved_states: dict[str, object] = {}
        self.private_paths: tuple[str, ...] = ()
        self.written: list[tuple[str, str]] = []
        self.running_release, self.default_release = "6.1.0-dome", ""
        self.boot = FakeNextStart(self.programs)

    # --- who we are
    def is_root(self) -> bool:
        """As the attribute says."""
        return self.root

    def owns_machine(self) -> bool:
        """As the attribute says."""
        return self.first_namespace

    def is_private(self, path: str) -> bool:
        """Whether the test called it so."""
        return path in self.private_paths

    # --- files
    def exists(self, path: str) -> bool:
        """Whether there is a file or a folder with files."""
        return path in self.files or any(name.startswith(path + "/") for name in self.files)

    def names(self, path: str) -> list[str]:
        """What lies in a folder."""
        start = path.rstrip("/") + "/"
        return sorted({name[len(start) :].split("/")[0] for name in self.files if name.startswith(start)})

    def read_text(self, path: str) -> str:
        """The file, or ENOENT."""
        if path not in self.files:
            raise OSError(errno.ENOENT, os.strerror(errno.ENOENT), path)
        return self.files[path]

    def write_text(self, path: str, text: str) -> None:
        """Keep it, unless the test makes the kernel refuse."""
        refused = self.refused_writes.get(path, 0 if path in self.files else errno.ENOENT)
        if refused:
            raise OSError(refused, os.strerror(refused), path)
        self._check_clock_limits(path, text)
        # numbers that are written with spaces are read with tabs
        self.files[path] = text.replace(" ", "\t") if "\t" in self.files[path] else text
        self.written.append((path, text))

    def _check_clock_limits(self, path: str, text: str) -> None:
        """The kernel refuses a min clock above the max at every step."""
        folder, _, file = path.rpartition("/")
        other = {"scaling_min_freq": "scaling_max_freq", "scaling_max_freq": "scaling_min_freq"}.get(file)
        if other:
            least, greatest = sorted((int(text), int(self.files[f"{folder}/{other}"])))
            wanted = (int(text), int(self.files[f"{folder}/{other}"]))
            if (wanted if file == "scaling_min_freq" else wanted[::-1]) != (least, greatest):
                raise OSError(errno.EINVAL, os.strerror(errno.EINVAL), path)

    # --- interfaces
    def find_link(self, name: str) -> Link | None:
        """A copy, as the kernel gives one."""
        return copy.deepcopy(self.links_by_name.get(name))

    def links(self) -> list[Link]:
        """All of them."""
        return copy.deepcopy(list(self.links_by_name.values()))

    def set_link(self, index: int, *, mtu: int | None = None, transmit_queue_length: int | None = None) -> None:
        """Within the driver's limits; below 1280 IPv6 goes."""
        link = next(link for link in self.links_by_name.values() if link["index"] == index)
        if transmit_queue_length is not None:
            link["transmit_queue_length"] = transmit_queue_length
        if mtu is not None:
            if mtu > (link["max_mtu"] or 65535):
                raise OSError(errno.EINVAL, "mtu greater than device maximum")
            if mtu < (link["min_mtu"] or 0):
                raise OSError(errno.EINVAL, "mtu less than device minimum")
            link["mtu"] = mtu
            if mtu < IPV6_LEAST_MTU:
                self.addresses_by_index[index] = [each for each in self.addresses(index) if each["family"] != 6]

    def addresses(self, index: int) -> list[Address]:
        """The interface's."""
        return copy.deepcopy(self.addresses_by_index.get(index, []))

    def add_address(
        self, index: int, entry: AddressEntry, *, no_duplicate_check: bool = False, replace: bool = False
    ) -> None:
        """Given for ever, with the flags asked for."""
        flags = [flag for flag in entry.get("flags", []) if flag != "permanent"] + ["permanent"]
        flags += ["nodad"] if no_duplicate_check and "nodad" not in flags else []
        whole: Address = {
            "index": index,
            "family": 6 if ":" in entry["address"] else 4,
            "peer": "",
            "scope": 0,
            "label": "",
            "broadcast": "",
            "preferred_s": None,
            "valid_s": None,
            "priority": 0,
            "protocol": 0,
            **entry,
            "flags": flags,
        }
        held = self.addresses_by_index.setdefault(index, [])
        same = [each for each in held if each["address"] == entry["address"]]
        if same and not replace:
            raise OSError(errno.EEXIST, os.strerror(errno.EEXIST))
        for each in same:
            held.remove(each)
        held.append(whole)

    def remove_address(self, index: int, entry: AddressEntry) -> None:
        """Gone, or EADDRNOTAVAIL."""
        held = self.addresses_by_index.get(index, [])
        same = [each for each in held if (each["address"], each["prefix"]) == (entry["address"], entry["prefix"])]
        if not same:
            raise OSError(errno.EADDRNOTAVAIL, os.strerror(errno.EADDRNOTAVAIL))
        held.remove(same[0])

    def routes(self, family: int) -> list[Route]:
        """Those of a family."""
        return [copy.deepcopy(each) for each in self.all_routes if family in (0, each["family"])]

    def add_route(self, entry: RouteKept, index: int | None) -> None:
        """Kept as given."""
        self.all_routes.append(cast(Route, {**entry, "indexes": [index], "expires_s": None}))

    def neighbours(self, index: int) -> list[Neighbour]:
        """The interface's."""
        return copy.deepcopy(self.neighbours_by_index.get(index, []))

    def set_neighbour(self, index: int, entry: NeighbourKept) -> None:
        """Kept as given."""
        self.neighbours_by_index.setdefault(index, []).append({**entry, "index": index})

    def owner_of(self, index: int, address: str) -> str:
        """Somebody answers when the test says so."""
        return self.answering.get(address, "")

    def qdiscs(self, index: int) -> list[Qdisc]:
        """The root alone; of a card with several queues also those of the queues in use, while the kernel made them."""
        if index in self.qdiscs_by_index:
            return [copy.copy(self.qdiscs_by_index[index])]
        kinds = self.queue_kinds_by_index.get(index, [])
        return [
            _default_qdisc(index, "mq" if kinds else "pfifo_fast", 0xFFFFFFFF),
            *(_default_qdisc(index, kind, number) for number, kind in enumerate(kinds[: self._used(index)], 1)),
        ]

    def _used(self, index: int) -> int:
        """How many queues the card sends with."""
        name = next(link["name"] for link in self.links_by_name.values() if link["index"] == index)
        words = self.tables[name, ethtool.CHANNELS]
        return words["combined"] + words["tx"]

    def set_root_qdisc(self, index: int, kind: str, options: bytes, handle: int) -> None:
        """The kernel numbers it when the caller does not."""
        self.qdiscs_by_index[index] = {
            "index": index,
            "kind": kind,
            "handle": handle or 0x80010000,
            "parent": 0xFFFFFFFF,
            "root": True,
            "default": False,
            "options": options.hex(),
        }

    def drop_root_qdisc(self, index: int) -> None:
        """Back to the default."""
        if self.qdiscs_by_index.pop(index, None) is None:
            raise OSError(errno.ENOENT, "Cannot delete qdisc with handle of zero.")
        kinds = self.queue_kinds_by_index.get(index)
        if kinds:  # Linux's get_default_qdisc_ops (net/sched/sch_generic.h): a queue not in use gets pfifo_fast
            used = self._used(index)
            self.queue_kinds_by_index[index] = ["fq_codel"] * used + ["pfifo_fast"] * (len(kinds) - used)

    # --- drivers
    def features(self, interface: str) -> dict[str, ethtool.FeatureState]:
        """A copy."""
        return copy.deepcopy(self.features_by_name.get(interface, {}))

    def set_features(self, interface: str, wanted: Mapping[str, bool]) -> None:
        """Requests are kept; what depends on a feature that is off is off; what is fixed does not change."""
        states = self.features_by_name[interface]
        for name, on in wanted.items():
            if name not in states:
                raise OSError(errno.EINVAL, f"this kernel has no feature called {name}")
            if states[name]["changeable"]:
                states[name]["requested"] = states[name]["active"] = on
        for state in states.values():
            state["active"] = state["requested"] if state["changeable"] else state["active"]
        for _ in states:  # until nothing changes any more: a chain is no longer than the table
            for name, state in states.items():
                needs = [each for each in _NEEDS.get(name, ()) if each in states]
                state["active"] = state["active"] and all(states[each]["active"] for each in needs)

    def read_table(self, interface: str, table: ethtool.Table) -> dict[str, int] | None:
        """A copy, or None."""
        words = self.tables.get((interface, table))
        return None if words is None else dict(words)

    def write_table(self, interface: str, table: ethtool.Table, changes: Mapping[str, int]) -> None:
        """The driver rounds up where the test says so, and refuses what is above its greatest value."""
        words = self.tables.get((interface, table))
        if words is None:
            raise OSError(errno.EOPNOTSUPP, os.strerror(errno.EOPNOTSUPP))
        for name, value in changes.items():
            if value > words.get(f"{name}-max", value):
                raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))
        for name, value in changes.items():
            step = self.rounding.get(name, 1)
            words[name] = -(-value // step) * step

    def link_settings(self, interface: str) -> ethtool.LinkSettings | None:
        """A copy, or None."""
        return copy.deepcopy(self.link_settings_by_name.get(interface))

    def set_link_settings(
        self,
        interface: str,
        *,
        autoneg: bool,
        speed_bit_s: int | None = None,
        duplex: str | None = None,
        advertised: Iterable[int] | None = None,
    ) -> None:
        """Forced, or negotiated with a peer that can do everything."""
        settings = self.link_settings_by_name[interface]
        settings["autoneg"] = autoneg
        settings["advertised"] = sorted(advertised) if advertised is not None else settings["advertised"]
        if autoneg:
            settings["speed_bit_s"], settings["duplex"] = ethtool.fastest(settings["advertised"]), "full"
        else:
            settings["speed_bit_s"] = speed_bit_s if speed_bit_s is not None else settings["speed_bit_s"]
            settings["duplex"] = duplex or settings["duplex"]

    def interrupts_of(self, interface: str) -> list[str]:
        """As the test says."""
        return list(self.interrupts.get(interface, []))

    # --- starting
    def next_start(self) -> FakeNextStart:
        """The boot files in memory."""
        return self.boot

    def release(self) -> str:
        """As the test says, or as the last start chose."""
        return self.running_release

    def start(self) -> None:
        """The host starts again: a kernel chosen once is used up, other boot files are read and restore."""
        self.default_release = self.default_release or self.running_release
        once = self.boot.text(CHOICE_ONCE).strip()
        self.boot.files.pop(CHOICE_ONCE, None)
        self.running_release = once or self.default_release
        self.boot.start()

    # --- programs and memory
    def run_program(self, arguments: list[str], timeout_s: float) -> Outcome:
        """What the test put there under the program's name."""
        if arguments[0] not in self.programs:
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), arguments[0])
        return self.programs[arguments[0]](arguments)

    def keep(self, name: str, value: object) -> None:
        """In memory."""
        self.saved_states[name] = copy.deepcopy(value)

    def kept(self, name: str) -> object:
        """From memory."""
        return copy.deepcopy(self.saved_states.get(name))

    def drop(self, name: str) -> None:
        """Forgotten."""
        self.saved_states.pop(name, None)


def _default_qdisc(index: int, kind: str, parent: int) -> Qdisc:
    return {
        "index": index,
        "kind": kind,
        "handle": 0,
        "parent": parent,
        "root": parent == 0xFFFFFFFF,
        "default": True,
        "options": "",
    }

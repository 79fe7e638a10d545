"""The real machine behind the settings; imported when the first of them is asked about a host."""

from __future__ import annotations

import contextlib
import json
import os
from typing import Dict, Iterable, List, Mapping, Optional

from orchestrator.onhost import ethtool, netlink
from orchestrator.onhost.at_start.next_start import RealNextStart
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
from orchestrator.onhost.path import neighbourhood
from orchestrator.onhost.settings.kernel import LAB_MARK, Kernel, NextStart, Outcome
from orchestrator.onhost.settings.programs import run_program
from orchestrator.onhost.watch.cores import interrupt_numbers
from orchestrator.onhost.watch.files import read_once

# In any other network namespace than the first this file does not exist, whatever /proc is mounted.
_ONLY_IN_THE_FIRST_NAMESPACE = "/proc/sys/net/core/netdev_max_backlog"
# What a setting must remember between two levels of one run; apart from the record, which others keep whole.
_SAVED_STATES = "/run/linktrial-kept"
_MOST_FILE_BYTES = 1 << 16


class RealKernel(Kernel):
    """This host, by its kernel's own interfaces."""

    # --- who we are -------------------------------------------------------------------------------------------------
    def is_root(self) -> bool:
        """Whether this process may change settings at all."""
        return os.geteuid() == 0

    def owns_machine(self) -> bool:
        """Whether what belongs to the whole machine is ours to change, not that of one which others use too."""
        return os.path.exists(_ONLY_IN_THE_FIRST_NAMESPACE) and not os.path.exists(LAB_MARK)

    def is_private(self, path: str) -> bool:
        """Whether `path` lies on a file system of this host's own, mounted over the kernel's (a simulated clock)."""
        best, kind = "", "sysfs"
        with open("/proc/self/mountinfo", encoding="utf-8", errors="surrogateescape") as mounts:
            for line in mounts:
                before, _, after = line.partition(" - ")
                point = before.split()[4]
                if (path + "/").startswith(point.rstrip("/") + "/") and len(point) >= len(best):
                    best, kind = point, after.split()[0]
        return kind not in ("sysfs", "proc")

    # --- files ------------------------------------------------------------------------------------------------------
    def exists(self, path: str) -> bool:
        """Whether there is such a file or directory."""
        return os.path.exists(path)

    def names(self, path: str) -> List[str]:
        """What a directory holds, sorted; nothing when there is none."""
        try:
            return sorted(os.listdir(path))
        except OSError:
            return []

    def read_text(self, path: str) -> str:
        """A file's text without the line end."""
        with open(path, "rb") as handle:
            return handle.read(_MOST_FILE_BYTES).decode("utf-8", "backslashreplace").rstrip("\n")

    def write_text(self, path: str, text: str) -> None:
        """Write a kernel file in one call: these files take a value per write."""
        # cut short first, as a shell does: the kernel's files do not care, a lab's simulated clock is a plain file
        handle = os.open(path, os.O_WRONLY | os.O_TRUNC | os.O_CLOEXEC)
        try:
            os.write(handle, text.encode() + b"\n")
        finally:
            os.close(handle)

    # --- interfaces -------------------------------------------------------------------------------------------------
    def find_link(self, name: str) -> Optional[Link]:
        """An interface as `netlink.links` describes it, or None."""
        return netlink.find_link(name)

    def links(self) -> List[Link]:
        """Every interface."""
        return netlink.links()

    def set_link(self, index: int, *, mtu: Optional[int] = None, transmit_queue_length: Optional[int] = None) -> None:
        """Change an interface."""
        netlink.set_link(index, mtu=mtu, transmit_queue_length=transmit_queue_length)

    def addresses(self, index: int) -> List[Address]:
        """An interface's addresses."""
        return netlink.addresses(index)

    def add_address(
        self, index: int, entry: AddressEntry, *, no_duplicate_check: bool = False, replace: bool = False
    ) -> None:
        """Add an address."""
        netlink.add_address(index, entry, no_duplicate_check=no_duplicate_check, replace=replace)

    def remove_address(self, index: int, entry: AddressEntry) -> None:
        """Take an address away."""
        netlink.remove_address(index, entry)

    def routes(self, family: int) -> List[Route]:
        """The routes of a family."""
        return netlink.routes(family)

    def add_route(self, entry: RouteKept, index: Optional[int]) -> None:
        """Restore a route."""
        netlink.add_route(entry, index)

    def neighbours(self, index: int) -> List[Neighbour]:
        """An interface's neighbour entries."""
        return netlink.neighbours(index)

    def set_neighbour(self, index: int, entry: NeighbourKept) -> None:
        """Restore a neighbour entry."""
        netlink.set_neighbour(index, entry)

    def owner_of(self, index: int, address: str) -> str:
        """Who else on the interface's link has `address`: a hardware address, or empty."""
        return neighbourhood.owner_of(index, address)

    def qdiscs(self, index: int) -> List[Qdisc]:
        """An interface's queueing disciplines."""
        return netlink.qdiscs(index)

    def set_root_qdisc(self, index: int, kind: str, options: bytes, handle: int) -> None:
        """Make `kind` the interface's discipline."""
        netlink.set_root_qdisc(index, kind, options, handle)

    def drop_root_qdisc(self, index: int) -> None:
        """Let the kernel put its default discipline there."""
        netlink.drop_root_qdisc(index)

    # --- drivers ----------------------------------------------------------------------------------------------------
    def features(self, interface: str) -> Dict[str, ethtool.FeatureState]:
        """Offload features by kernel name."""
        return ethtool.features(interface)

    def set_features(self, interface: str, wanted: Mapping[str, bool]) -> None:
        """Request features."""
        ethtool.set_features(interface, wanted)

    def read_table(self, interface: str, table: ethtool.Table) -> Optional[Dict[str, int]]:
        """Rings, coalescing, pause, channels or energy efficiency; None when the driver has none."""
        return ethtool.read_table(interface, table)

    def write_table(self, interface: str, table: ethtool.Table, changes: Mapping[str, int]) -> None:
        """Change words of such a table."""
        ethtool.write_table(interface, table, changes)

    def link_settings(self, interface: str) -> Optional[ethtool.LinkSettings]:
        """Speed, duplex and negotiation; None when the driver has none."""
        return ethtool.link_settings(interface)

    def set_link_settings(
        self,
        interface: str,
        *,
        autoneg: bool,
        speed_bit_s: Optional[int] = None,
        duplex: Optional[str] = None,
        advertised: Optional[Iterable[int]] = None,
    ) -> None:
        """Change speed, duplex or negotiation."""
        ethtool.set_link_settings(
            interface, autoneg=autoneg, speed_bit_s=speed_bit_s, duplex=duplex, advertised=advertised
        )

    def interrupts_of(self, interface: str) -> List[str]:
        """The numbers of an interface's interrupts, in their order."""
        return sorted(interrupt_numbers(interface, read_once("/proc/interrupts")), key=int)

    # --- starting ---------------------------------------------------------------------------------------------------
    def next_start(self) -> NextStart:
        """Its boot files."""
        return RealNextStart()

    def release(self) -> str:
        """The release of the kernel that runs."""
        return os.uname().release

    # --- programs ---------------------------------------------------------------------------------------------------
    def run_program(self, arguments: List[str], timeout_s: float) -> Outcome:
        """Run a program that the plan names; never through a shell."""
        return run_program(arguments, timeout_s)

    # --- what has to be remembered between two levels ---------------------------------------------------------------
    def keep(self, name: str, value: object) -> None:
        """Remember a JSON value until `drop`; a reboot forgets it, as it forgets the settings."""
        with contextlib.suppress(FileExistsError):
            os.mkdir(_SAVED_STATES, 0o700)
        path = os.path.join(_SAVED_STATES, name)
        with open(path + ".new", "w", encoding="utf-8", opener=_private) as handle:
            json.dump(value, handle)
        os.rename(path + ".new", path)

    def kept(self, name: str) -> object:
        """What was kept under this name, or None."""
        try:
            with open(os.path.join(_SAVED_STATES, name), encoding="utf-8") as handle:
                value: object = json.load(handle)
                return value
        except (OSError, ValueError):
            return None

    def drop(self, name: str) -> None:
        """Forget it; the last one takes the folder along."""
        with contextlib.suppress(OSError):
            os.unlink(os.path.join(_SAVED_STATES, name))
            os.rmdir(_SAVED_STATES)


def _private(path: str, flags: int) -> int:
    return os.open(path, flags | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)

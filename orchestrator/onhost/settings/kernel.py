"""What the settings ask of a machine, so that a double in memory can stand in for it and reading a plan needs none.

Paths are the kernel's own (/proc, /sys). Every method raises OSError with the kernel's number and, where it gave one,
its text.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Dict, Iterable, List, Mapping, NamedTuple, Optional, Tuple

if TYPE_CHECKING:
    from orchestrator.onhost.at_start.boot_files import ArmedFile, BootFile
    from orchestrator.onhost.ethtool import FeatureState, LinkSettings, Table
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

# A host of the lab carries this file: it shares its kernel with the machine it runs on.
LAB_MARK = "/run/linktrial-lab"


class Outcome(NamedTuple):
    """What a program left: its exit status (negative: the signal that ended it), output and complaints."""

    status: int
    output: str
    complaint: str
    too_late: bool
    too_much: bool


class NextStart:
    """What a machine is started with, and how a change of it is taken back; see at_start/."""

    def read(self, path: str) -> BootFile:
        """A boot file {content (base64), mode, uid, gid}, or None."""
        raise NotImplementedError

    def write(self, path: str, file: BootFile) -> None:
        """Make it so, on the disk when this returns; None removes it."""
        raise NotImplementedError

    def arm_file(self, path: str, original: BootFile, wanted: bytes) -> None:
        """From now on the next start restores this file, where it holds `wanted`, which may then be written."""
        raise NotImplementedError

    def holds_written(self, path: str) -> bool:
        """Whether an armed file holds what was written there since it was armed, not somebody else's change."""
        raise NotImplementedError

    def arm_command(self, name: str, undo: List[str], read: List[str], wanted: str) -> None:
        """From now on the next start runs `undo`, where `read` prints `wanted` then."""
        raise NotImplementedError

    def armed_original(self, path: str) -> Optional[ArmedFile]:
        """{file} as found, where the next start restores this one; None where it does not."""
        raise NotImplementedError

    def disarm(self, name: str) -> None:
        """The next start leaves the file of this path, or `command NAME`, alone."""
        raise NotImplementedError

    def started_with(self, name: str) -> Optional[bytes]:
        """What this start found in the file's place where that was not the original; None when it was."""
        raise NotImplementedError

    def way_back(self) -> str:
        """What would run a script at the next start; empty when nothing would."""
        raise NotImplementedError

    def boot_loader(self) -> Tuple[str, str]:
        """(environment block, menu) of a boot loader that can be told what to start once; empty without one."""
        raise NotImplementedError


class Kernel:
    """What a machine can be asked; see real_kernel.py."""

    # --- who we are -------------------------------------------------------------------------------------------------

    def is_root(self) -> bool:
        """Whether this process may change settings at all."""
        raise NotImplementedError

    def owns_machine(self) -> bool:
        """Whether what belongs to the whole machine is ours to change, not that of one which others use too."""
        raise NotImplementedError

    def is_private(self, path: str) -> bool:
        """Whether `path` lies on a file system of this host's own, mounted over the kernel's (a simulated clock)."""
        raise NotImplementedError

    # --- files ------------------------------------------------------------------------------------------------------

    def exists(self, path: str) -> bool:
        """Whether there is such a file or directory."""
        raise NotImplementedError

    def names(self, path: str) -> List[str]:
        """What a directory holds, sorted; nothing when there is none."""
        raise NotImplementedError

    def read_text(self, path: str) -> str:
        """A file's text without the line end."""
        raise NotImplementedError

    def write_text(self, path: str, text: str) -> None:
        """Write a kernel file in one call: these files take a value per write."""
        raise NotImplementedError

    # --- interfaces -------------------------------------------------------------------------------------------------

    def find_link(self, name: str) -> Optional[Link]:
        """An interface as `netlink.links` describes it, or None."""
        raise NotImplementedError

    def links(self) -> List[Link]:
        """Every interface."""
        raise NotImplementedError

    def set_link(self, index: int, *, mtu: Optional[int] = None, transmit_queue_length: Optional[int] = None) -> None:
        """Change an interface."""
        raise NotImplementedError

    def addresses(self, index: int) -> List[Address]:
        """An interface's addresses."""
        raise NotImplementedError

    def add_address(
        self, index: int, entry: AddressEntry, *, no_duplicate_check: bool = False, replace: bool = False
    ) -> None:
        """Add an address."""
        raise NotImplementedError

    def remove_address(self, index: int, entry: AddressEntry) -> None:
        """Take an address away."""
        raise NotImplementedError

    def routes(self, family: int) -> List[Route]:
        """The routes of a family."""
        raise NotImplementedError

    def add_route(self, entry: RouteKept, index: Optional[int]) -> None:
        """Restore a route."""
        raise NotImplementedError

    def neighbours(self, index: int) -> List[Neighbour]:
        """An interface's neighbour entries."""
        raise NotImplementedError

    def set_neighbour(self, index: int, entry: NeighbourKept) -> None:
        """Restore a neighbour entry."""
        raise NotImplementedError

    def owner_of(self, index: int, address: str) -> str:
        """Who else on the interface's link has `address`: a hardware address, or empty."""
        raise NotImplementedError

    def qdiscs(self, index: int) -> List[Qdisc]:
        """An interface's queueing disciplines."""
        raise NotImplementedError

    def set_root_qdisc(self, index: int, kind: str, options: bytes, handle: int) -> None:
        """Make `kind` the interface's discipline."""
        raise NotImplementedError

    def drop_root_qdisc(self, index: int) -> None:
        """Let the kernel put its default discipline there."""
        raise NotImplementedError

    # --- drivers ----------------------------------------------------------------------------------------------------

    def features(self, interface: str) -> Dict[str, FeatureState]:
        """Offload features by kernel name."""
        raise NotImplementedError

    def set_features(self, interface: str, wanted: Mapping[str, bool]) -> None:
        """Request features."""
        raise NotImplementedError

    def read_table(self, interface: str, table: Table) -> Optional[Dict[str, int]]:
        """Rings, coalescing, pause, channels or energy efficiency; None when the driver has none."""
        raise NotImplementedError

    def write_table(self, interface: str, table: Table, changes: Mapping[str, int]) -> None:
        """Change words of such a table."""
        raise NotImplementedError

    def link_settings(self, interface: str) -> Optional[LinkSettings]:
        """Speed, duplex and negotiation; None when the driver has none."""
        raise NotImplementedError

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
        raise NotImplementedError

    def interrupts_of(self, interface: str) -> List[str]:
        """The numbers of an interface's interrupts, in their order."""
        raise NotImplementedError

    # --- starting ---------------------------------------------------------------------------------------------------

    def next_start(self) -> NextStart:
        """Its boot files."""
        raise NotImplementedError

    def release(self) -> str:
        """The release of the kernel that runs."""
        raise NotImplementedError

    # --- programs ---------------------------------------------------------------------------------------------------

    def run_program(self, arguments: List[str], timeout_s: float) -> Outcome:
        """Run a program that the plan names; never through a shell."""
        raise NotImplementedError

    # --- what has to be remembered between two levels ---------------------------------------------------------------

    def keep(self, name: str, value: object) -> None:
        """Remember a JSON value until `drop`; a reboot forgets it, as it forgets the settings."""
        raise NotImplementedError

    def kept(self, name: str) -> object:
        """What was kept under this name, or None."""
        raise NotImplementedError

    def drop(self, name: str) -> None:
        """Forget it; the last one takes the folder along."""
        raise NotImplementedError

"""Every setting by name: those with a fixed name, and two families whose members are named by the kernel."""

from __future__ import annotations

from typing import Callable, Dict, Iterator, Mapping, NamedTuple, Tuple, Type

from orchestrator.onhost.settings.backlog import Backlog
from orchestrator.onhost.settings.base import Setting
from orchestrator.onhost.settings.boost import Boost
from orchestrator.onhost.settings.boot_kernel import BootKernel
from orchestrator.onhost.settings.boot_lines import BootLines
from orchestrator.onhost.settings.busy_polling import BusyPolling
from orchestrator.onhost.settings.channels import Channels
from orchestrator.onhost.settings.checksum_offload import ChecksumOffload
from orchestrator.onhost.settings.command import Command
from orchestrator.onhost.settings.congestion_control import CongestionControl
from orchestrator.onhost.settings.energy_efficient_ethernet import EnergyEfficientEthernet
from orchestrator.onhost.settings.features import Feature
from orchestrator.onhost.settings.flow_steering import FlowSteering
from orchestrator.onhost.settings.governor import Governor
from orchestrator.onhost.settings.idle_limit import IdleLimit
from orchestrator.onhost.settings.interrupt_coalescing import InterruptCoalescing
from orchestrator.onhost.settings.interrupt_cores import InterruptCores
from orchestrator.onhost.settings.kernel import Kernel
from orchestrator.onhost.settings.max_frequency import MaxFrequency
from orchestrator.onhost.settings.min_frequency import MinFrequency
from orchestrator.onhost.settings.mtu import Mtu
from orchestrator.onhost.settings.mtu_probing import MtuProbing
from orchestrator.onhost.settings.pause_frames import PauseFrames
from orchestrator.onhost.settings.queueing import Queueing
from orchestrator.onhost.settings.receive_buffer_limit import ReceiveBufferLimit
from orchestrator.onhost.settings.receive_offload import ReceiveCoalescing
from orchestrator.onhost.settings.receive_ring import ReceiveRing
from orchestrator.onhost.settings.receive_steering import ReceiveSteering
from orchestrator.onhost.settings.scatter_gather import ScatterGather
from orchestrator.onhost.settings.segmentation_offload import SegmentationOffload
from orchestrator.onhost.settings.speed import Speed
from orchestrator.onhost.settings.sysctl import Sysctl
from orchestrator.onhost.settings.tcp_memory import TcpMemory
from orchestrator.onhost.settings.tcp_receive_memory import TcpReceiveMemory
from orchestrator.onhost.settings.tcp_transmit_memory import TcpTransmitMemory
from orchestrator.onhost.settings.temporary_address import TemporaryAddress
from orchestrator.onhost.settings.this_host import this_host
from orchestrator.onhost.settings.transmit_buffer_limit import TransmitBufferLimit
from orchestrator.onhost.settings.transmit_queue_length import TransmitQueueLength
from orchestrator.onhost.settings.transmit_ring import TransmitRing
from orchestrator.onhost.settings.transmit_steering import TransmitSteering

_CLASSES: Tuple[Type[Setting], ...] = (
    Mtu,
    Speed,
    SegmentationOffload,
    ReceiveCoalescing,
    ChecksumOffload,
    ScatterGather,
    ReceiveRing,
    TransmitRing,
    InterruptCoalescing,
    Channels,
    PauseFrames,
    EnergyEfficientEthernet,
    TransmitQueueLength,
    Queueing,
    InterruptCores,
    ReceiveSteering,
    FlowSteering,
    TransmitSteering,
    TemporaryAddress,
    Governor,
    MinFrequency,
    MaxFrequency,
    Boost,
    IdleLimit,
    CongestionControl,
    ReceiveBufferLimit,
    TransmitBufferLimit,
    TcpReceiveMemory,
    TcpTransmitMemory,
    TcpMemory,
    Backlog,
    BusyPolling,
    MtuProbing,
    BootLines,
    BootKernel,
    Command,
)


class Family(NamedTuple):
    """Settings whose names are made of a prefix and a name of the kernel's."""

    prefix: str
    called: str  # in a list of settings
    example: str  # one member, which documents them all
    make: Callable[[Kernel, str], Setting]  # KeyError for a name that is none


FAMILIES: Tuple[Family, ...] = (
    Family("feature.", "feature.NAME", "feature.tx-udp-segmentation", Feature),
    Family("net", "net.NAME", "net.ipv4.tcp_sack", Sysctl),
)


class Catalogue(Mapping[str, Setting]):
    """Settings by name.

    Iterating gives those with a fixed name, in the order in which people look for them; a member of a family is there
    when asked for by its name.
    """

    def __init__(self, kernel: Kernel) -> None:
        self._kernel = kernel
        self._fixed: Dict[str, Setting] = {each.name: each(kernel) for each in _CLASSES}

    def __getitem__(self, name: str) -> Setting:
        if name in self._fixed:
            return self._fixed[name]
        for family in FAMILIES:
            if name.startswith(family.prefix):
                return family.make(self._kernel, name)
        raise KeyError(name)

    def __iter__(self) -> Iterator[str]:
        return iter(self._fixed)

    def __len__(self) -> int:
        return len(self._fixed)


def catalogue(kernel: Kernel) -> Catalogue:
    """The settings of another machine than this one: a double in memory."""
    return Catalogue(kernel)


CATALOGUE = Catalogue(this_host())

"""What a host tells of itself: before a run (`facts`), and in depth (`survey`). Pure."""

from __future__ import annotations

from typing import TypedDict


class AddressFacts(TypedDict, total=False):
    """One address of an interface; `family` is 4 or 6."""

    address: str
    prefix: int
    family: int
    scope: int
    peer: str  # the far address of a point-to-point link
    tentative: bool  # its duplicate check has not ended (RFC 4862 s5.4)
    duplicate: bool


class BusFacts(TypedDict, total=False):
    """The bus between card and machine; speeds as the kernel words them, widths in lanes."""

    kind: str  # pcie | usb
    speed: str
    best_speed: str
    width: int | None
    best_width: int | None
    mbit_s: int


class QueueFacts(TypedDict, total=False):
    """How many queues an interface has, and whether receive steering spreads their work."""

    receive: int
    transmit: int
    steered: bool


class InterfaceFacts(TypedDict, total=False):
    """One interface; what its driver does not tell is None or "" or missing."""

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
    min_mtu: int | None
    max_mtu: int | None
    speed_bit_s: float | None
    fastest_bit_s: float | None
    offered_load_max_bit_s: float | None  # the most that it offers its peer when they negotiate
    peer_fastest_bit_s: float | None
    duplex: str
    operstate: str
    carrier: bool
    loopback: bool
    up: bool
    addresses: list[AddressFacts]
    master: str
    master_kind: str
    bus_link: BusFacts | None
    features: list[str]
    queues: QueueFacts | None
    interrupts: dict[str, str] | None  # number -> the cores it goes to
    errors: dict[str, int]
    waited_s: float  # of one that was waited for
    address: str  # the state of the address that was waited for; "" while it is not there


class KernelIdentity(TypedDict, total=False):
    """Which kernel exactly."""

    release: str
    build: str
    build_id: str
    boot_parameters: str
    configuration_sha256: str
    modules_sha256: str
    modules: list[object]


class KernelFacts(TypedDict, total=False):
    """What of a host's facts is its kernel's."""

    kernel: str
    kernel_build: str
    kernel_identity: KernelIdentity


class HostFacts(KernelFacts, total=False):
    """A host as its helper sees it; clocks in nanoseconds."""

    system: str
    family: str
    hostname: str
    machine: str
    model: str
    python: str
    boot_id: str
    netns: float | str
    machine_id: str
    uid: int
    cpus: int
    online_cpus: list[int]
    monotonic_ns: int
    boottime_ns: int
    wall_ns: int
    interfaces: list[InterfaceFacts]


class ClockPolicy(TypedDict, total=False):
    """Cores that share a clock, and what may set it; clocks in kHz."""

    policy: str
    cores: str
    governor: str
    driver: str
    min_khz: float | None
    max_khz: float | None
    hardware_max_khz: float | None


class MachineFacts(TypedDict, total=False):
    """What is below the kernel: processor, memory, clocks, temperature in degrees Celsius."""

    boot_parameters: str
    configuration_sha256: str
    memory_bytes: int
    processor: str
    policies: list[ClockPolicy]
    throttles: int | None
    temperature_max_c: float | None
    temperature_limit_c: float | None
    under_voltage: list[str] | None


class ActivityFacts(TypedDict, total=False):
    """What is at work on a host already."""

    services: dict[str, str]
    connection_tracking: int | None
    filters: list[str] | None
    firmware_missing: list[str] | None
    traffic_bit_s: dict[str, float]
    new_errors: dict[str, dict[str, int]]


class CardFacts(TypedDict, total=False):
    """A network card on the bus, whether it has an interface or not."""

    slot: str
    ids: str
    driver: str
    interfaces: list[str]
    modules: list[str]
    other_kernels: dict[str, list[str]]
    options: dict[str, str]


class ControlFacts(TypedDict, total=False):
    """How our own SSH connection reaches a host."""

    local: str
    peer: str
    interface: str
    interfaces: list[str]


class Survey(HostFacts, total=False):
    """A host in depth."""

    machine_depth: MachineFacts
    activity: ActivityFacts
    control: ControlFacts
    cards: list[CardFacts]
    clock_offset_s: float | None  # its wall clock's lead on ours

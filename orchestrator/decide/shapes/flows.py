"""What one end of a link measured in a trial, as its host told it and the journal keeps it. Pure."""

from __future__ import annotations

from typing import Literal, TypedDict

from orchestrator.metrics.steadiness import Summary

EndName = Literal["first", "second"]
ENDS: tuple[EndName, EndName] = ("first", "second")
WayName = Literal["transmit", "receive"]
PartName = Literal["send", "receive"]


class TcpFigures(TypedDict, total=False):
    """A kernel's account of connections (TCP_INFO); `_whole`: from their begin to their end, else in the window."""

    segments_sent: int
    segments_sent_whole: int
    segments_received_whole: int
    segments_retransmitted: int
    segments_retransmitted_whole: int
    bytes_sent: int
    bytes_retransmitted: int
    mss_bytes: int
    path_mtu_bytes: int
    rtt_s: float
    rtt_min_s: float
    window_segments: float
    delivery_rate_bit_s: float
    pacing_rate_bit_s: float
    span_s: float
    busy_s: float
    limited_receiver_window_s: float
    limited_send_buffer_s: float


class FlowResult(TypedDict, total=False):
    """One half of one way: what was sent, or what arrived. Counts without `window_` are of the whole trial."""

    way: WayName
    part: PartName
    transport: str
    window_s: float  # the length of the counted window
    error: str
    counted_by: str
    intended_load_bit_s: float | None
    sent_bytes: int
    window_sent_bytes: int
    goodput_bytes: int
    received_bytes: int
    edge_error_bytes: float
    send_buffer_bytes: int
    receive_buffer_bytes: int
    datagram_bytes: int
    datagrams_sent: int
    window_datagrams_sent: int
    datagrams_refused: int | None
    datagrams_received: int
    window_datagrams_received: int
    datagrams_duplicate: int
    datagrams_reordered: int
    datagrams_foreign: int | None
    send_times_refused: int | None
    jitter_mean_s: float
    delay_variation_p99_s: float
    clock_skew_ppm: float
    source_port: int
    socket_drops: int | None
    signs_sent: int
    signs_sent_bytes: int
    burst_datagrams: int
    send_path: str
    receive_path: str
    tcp: TcpFigures | None
    process: dict[str, float | None]
    streams: list[FlowResult]
    steadiness: Summary
    series: list[list[float]]  # of older journals, which hold every interval here


class CoreShares(TypedDict, total=False):
    """One core in the window, in shares of its time."""

    core: int
    busy: float
    softirq: float
    irq: float
    steal: float


class WatchResult(TypedDict, total=False):
    """What a host's cores did in the window; clocks in Hz."""

    seconds: float
    cores: list[CoreShares]
    steal: float | None
    clock_mean_hz: float | None
    clock_min_hz: float | None
    clock_max_hz: float | None
    thermal_throttles: int | None
    busiest_core: int
    busiest_core_busy: float
    busiest_core_softirq: float
    series: list[list[float | None]]  # of older journals
    kernel_warnings: list[str]


class Counters(TypedDict, total=False):
    """A host's counters before and after the traffic, by name: `interface.rx_bytes`."""

    before: dict[str, int]
    after: dict[str, int]


class Segments(TypedDict, total=False):
    """The segments of one connection at one end, counted by its kernel over the whole trial."""

    way: str
    sends: bool
    header_bytes: int
    transmitted: int
    received: int
    transmitted_data: int
    received_data: int
    transmitted_payload_bytes: int | None
    received_payload_bytes: int
    out_of_order: int | None


class ControlFlow(TypedDict):
    """The connection that carries our orders, where it goes over the measured interface."""

    local: str
    peer: str
    segments: Segments


class OwnFrames(TypedDict, total=False):
    """A host's account of our own flows, between the two readings of its interface's counters."""

    from_ns: int
    to_ns: int
    tcp: list[Segments]
    control: ControlFlow | None
    acknowledgement_header_bytes: float | None
    acknowledgements_looked_at: int
    probes_transmitted: int
    probes_received: int
    probe_payload_bytes: int


class Probes(TypedDict, total=False):
    """A round-trip flow: seconds, and how many probes did not come back."""

    p50_s: float
    p99_s: float
    largest_s: float
    lost: int
    loss_ratio: float


class RoundTrip(TypedDict, total=False):
    """Before the traffic, and within it."""

    idle: Probes | None
    load: Probes | None


class ToldIntervals(TypedDict, total=False):
    """Of the intervals that a host was to tell: those that nobody took from it."""

    dropped_intervals: int
    dropped_samples: int


class EndResult(TypedDict, total=False):
    """What one end of a link gave. `window` numbers the counted windows of a trial: a search has several."""

    parts: list[FlowResult]
    watch: WatchResult
    counters: Counters
    own_frames: OwnFrames | None
    told: ToldIntervals
    queue: object
    round_trip: RoundTrip | None
    window: int

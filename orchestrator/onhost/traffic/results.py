"""What a traffic job and its streams answer, key by key. Rates are payload in bit/s, sizes octets, times seconds.

What a host cannot know is None. A result lacks what its transport and its end have not.
"""

from __future__ import annotations

from typing import Dict, List, Optional, TypedDict

from orchestrator.metrics.steadiness import Summary
from orchestrator.onhost.path.receipts import IdleAndLoaded
from orchestrator.onhost.traffic.own_frames import OwnFrames
from orchestrator.onhost.traffic.tcp_info import Figures
from orchestrator.onhost.watch.watcher import Watched


class _ProcessAlways(TypedDict):
    cpu_s: Optional[float]
    run_delay_s: Optional[float]
    span_s: Optional[float]


class Process(_ProcessAlways, total=False):
    """What our own processes used in the window, and for which share of it they were throttled."""

    throttled_ratio: Optional[float]


class StreamResult(TypedDict, total=False):
    """One stream's half at this end; the first block is there always."""

    stream: int
    last_interval: Optional[float]
    core: Optional[int]
    source_port: int
    process: Process
    # what receives
    received_bytes: int
    goodput_bytes: int
    counted_by: str
    edge_error_bytes: int
    softirq_core: Optional[int]
    end_seen: bool
    receive_buffer_bytes: int
    # what receives datagrams
    datagrams_received: int
    datagrams_duplicate: int
    datagrams_reordered: int
    datagrams_foreign: int
    window_datagrams_received: int
    window_datagrams_duplicate: int
    window_datagrams_reordered: int
    highest_sequence: int
    socket_drops: Optional[int]
    receive_path: str
    coalesced_mean: Optional[float]
    jitter_mean_s: Optional[float]
    jitter_basis: str
    delay_variation_p99_s: Optional[float]
    clock_skew_ppm: Optional[float]
    transit_samples: int
    send_times_refused: int
    # what sends
    sent_bytes: int
    window_sent_bytes: int
    send_buffer_bytes: int
    congestion: Optional[str]
    # what sends datagrams
    datagrams_sent: int
    window_datagrams_sent: int
    datagrams_by_phase: List[int]
    datagrams_refused: int
    unreachable_reports: int
    send_path: str
    burst_datagrams: int
    pacing_late_p99_s: Optional[float]
    # what sends or receives datagrams: the signs of life and of the end
    signs_sent: int
    signs_sent_bytes: int
    # of TCP, once the job has put it there
    tcp: Figures


class _PartAlways(TypedDict):
    way: str
    part: str  # send | receive
    transport: str
    window_s: float


class PartResult(_PartAlways, total=False):
    """One flow's half at this end: its streams together, figure by figure, and each alone."""

    datagram_bytes: int
    intended_load_bit_s: Optional[float]
    received_bytes: Optional[float]
    goodput_bytes: Optional[float]
    counted_by: Optional[str]
    edge_error_bytes: Optional[float]
    receive_buffer_bytes: Optional[float]
    datagrams_received: Optional[float]
    datagrams_duplicate: Optional[float]
    datagrams_reordered: Optional[float]
    datagrams_foreign: Optional[float]
    window_datagrams_received: Optional[float]
    window_datagrams_duplicate: Optional[float]
    window_datagrams_reordered: Optional[float]
    highest_sequence: Optional[float]
    socket_drops: Optional[float]
    receive_path: Optional[str]
    coalesced_mean: Optional[float]
    jitter_mean_s: Optional[float]
    jitter_basis: Optional[str]
    delay_variation_p99_s: Optional[float]
    clock_skew_ppm: Optional[float]
    transit_samples: Optional[float]
    send_times_refused: Optional[float]
    sent_bytes: Optional[float]
    window_sent_bytes: Optional[float]
    send_buffer_bytes: Optional[float]
    congestion: Optional[str]
    datagrams_sent: Optional[float]
    window_datagrams_sent: Optional[float]
    datagrams_refused: Optional[float]
    unreachable_reports: Optional[float]
    send_path: Optional[str]
    burst_datagrams: Optional[float]
    pacing_late_p99_s: Optional[float]
    signs_sent: Optional[float]
    signs_sent_bytes: Optional[float]
    steadiness: Summary
    process: Process
    tcp: Figures
    streams: List[StreamResult]
    error: str


class Counters(TypedDict):
    """An interface's counters before and after the traffic, by name."""

    before: Dict[str, int]
    after: Dict[str, int]


class Around(TypedDict):
    """What was seen around and beside the traffic."""

    watch: Watched
    counters: Counters
    own_frames: Optional[OwnFrames]
    round_trip: Optional[IdleAndLoaded]  # of the end that asked


class LeftOut(TypedDict):
    """How much of what was measured could not be told while it was measured."""

    dropped_intervals: int
    dropped_samples: int


class TrafficResult(Around):
    """One end's answer."""

    parts: List[PartResult]
    told: LeftOut

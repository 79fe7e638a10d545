"""The results of a flow's streams as one part: sums where things add up, the worst where they do not."""

from __future__ import annotations

from typing import Dict, List, Mapping, Optional, Sequence, cast

from orchestrator.onhost.traffic import tcp_info
from orchestrator.onhost.traffic.flow_series import FlowSeries
from orchestrator.onhost.traffic.flows import Flow
from orchestrator.onhost.traffic.results import PartResult, Process, StreamResult
from orchestrator.onhost.traffic.window import Window

_ADDED = (
    "goodput_bytes",
    "received_bytes",
    "datagrams_received",
    "datagrams_duplicate",
    "datagrams_reordered",
    "datagrams_foreign",
    "window_datagrams_received",
    "window_datagrams_duplicate",
    "window_datagrams_reordered",
    "highest_sequence",
    "socket_drops",
    "receive_buffer_bytes",
    "send_buffer_bytes",
    "transit_samples",
    "sent_bytes",
    "window_sent_bytes",
    "datagrams_sent",
    "window_datagrams_sent",
    "datagrams_refused",
    "unreachable_reports",
    "edge_error_bytes",
    "signs_sent",
    "signs_sent_bytes",
    "send_times_refused",
)
_WORST = ("delay_variation_p99_s", "pacing_late_p99_s", "burst_datagrams")
_MEAN = ("jitter_mean_s", "coalesced_mean", "clock_skew_ppm")
_SAME = ("counted_by", "jitter_basis", "receive_path", "send_path", "congestion")


def part_of(
    flow: Flow,
    sends: bool,
    window: Window,
    results: List[StreamResult],
    infos: Dict[int, tcp_info.Figures],
    series: FlowSeries,
) -> PartResult:
    """One flow's half on this end. `infos` are the TCP summaries by stream number, `series` the flow's own."""
    part: PartResult = {
        "way": flow.way,
        "part": "send" if sends else "receive",
        "transport": flow.transport,
        "window_s": window.seconds,
    }
    if flow.transport == "udp":
        part["datagram_bytes"] = flow.datagram_bytes
    if sends:
        part["intended_load_bit_s"] = flow.intended_load_bit_s
    part.update(_together(results))
    part["steadiness"] = series.summary()
    part["process"] = _process([result["process"] for result in results])
    part["tcp"] = tcp_info.together([infos[result["stream"]] for result in results if result["stream"] in infos])
    part["streams"] = [_stream(result, infos) for result in results]
    unheard = [result["stream"] for result in results if result.get("end_seen") is False and _silent(result)]
    part["error"] = f"streams whose sender fell silent without saying its end: {unheard}" if unheard else ""
    return part


def _silent(result: StreamResult) -> bool:
    """Whether nothing came at the window's end. A lossy path loses the signs of the end as well, and a slow one may
    hold back more than is waited for: whoever was heard until the window's end has been counted whole.
    """
    return not result["last_interval"]


def _together(results: Sequence[Mapping[str, object]]) -> PartResult:
    """The figures that these results carry, joined; None for one that nobody knows, none that no result has."""
    found: Dict[str, object] = {}
    for names, join in ((_ADDED, sum), (_WORST, max), (_MEAN, _mean)):
        for name in names:
            values = [result[name] for result in results if name in result]
            numbers = [value for value in values if isinstance(value, (int, float))]
            if values:
                found[name] = join(numbers) if numbers else None
    for name in _SAME:
        values = [result[name] for result in results if name in result]
        if values:
            found[name] = "; ".join(sorted({str(value) for value in values if value is not None})) or None
    return cast(PartResult, found)  # the names are the type's own


def _mean(values: List[float]) -> float:
    return sum(values) / len(values)


def _process(each: List[Process]) -> Process:
    return {
        "cpu_s": _whole([one["cpu_s"] for one in each]),
        "run_delay_s": _whole([one["run_delay_s"] for one in each]),
        "span_s": _whole([one["span_s"] for one in each]),
    }


def _whole(values: List[Optional[float]]) -> Optional[float]:
    """The sum; None where one is not known."""
    known = [value for value in values if value is not None]
    return sum(known) if len(known) == len(values) else None


def _stream(result: StreamResult, infos: Dict[int, tcp_info.Figures]) -> StreamResult:
    kept = result.copy()
    if result["stream"] in infos:
        kept["tcp"] = infos[result["stream"]]
    return kept

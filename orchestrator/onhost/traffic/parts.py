"""The results of a flow's streams as one part: sums where things add up, the worst where they do not."""

from __future__ import annotations

from typing import Any, Dict, List, Optional

from orchestrator.onhost.traffic import tcp_info
from orchestrator.onhost.traffic.flow_series import FlowSeries
from orchestrator.onhost.traffic.flows import Flow
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
    results: List[Dict[str, Any]],
    infos: Dict[int, Dict[str, Any]],
    series: FlowSeries,
) -> Dict[str, Any]:
    """One flow's half on this end. `infos` are the TCP summaries by stream number, `series` the flow's own."""
    part: Dict[str, Any] = {
        "way": flow.way,
        "part": "send" if sends else "receive",
        "transport": flow.transport,
        "window_s": window.seconds,
        "seconds": window.seconds,
    }
    if flow.transport == "udp":
        part["datagram_bytes"] = flow.datagram_bytes
    if sends:
        part["intended_load_bit_s"] = flow.intended_load_bit_s
    for name in _ADDED:
        _put(part, name, results, sum)
    for name in _WORST:
        _put(part, name, results, max)
    for name in _MEAN:
        _put(part, name, results, lambda values: sum(values) / len(values))
    for name in _SAME:
        _put(part, name, results, lambda values: "; ".join(sorted(set(values))))
    part["steadiness"] = series.summary()
    part["process"] = _process([result["process"] for result in results])
    part["tcp"] = tcp_info.together([infos[result["stream"]] for result in results if result["stream"] in infos])
    part["streams"] = [_stream(result, infos) for result in results]
    unheard = [result["stream"] for result in results if result.get("end_seen") is False and _silent(result)]
    part["error"] = f"streams whose sender fell silent without saying its end: {unheard}" if unheard else ""
    return part


def _silent(result: Dict[str, Any]) -> bool:
    """Whether nothing came at the window's end. A lossy path loses the signs of the end as well, and a slow one may
    hold back more than is waited for: whoever was heard until the window's end has been counted whole.
    """
    return not result["last_interval"]


def _put(part: Dict[str, Any], name: str, results: List[Dict[str, Any]], join: Any) -> None:
    """Join a figure that these results carry; leave out one they do not, and keep None for one nobody knows."""
    if not any(name in result for result in results):
        return
    values = [result[name] for result in results if result.get(name) is not None]
    part[name] = join(values) if values else None


def _process(each: List[Dict[str, Optional[float]]]) -> Dict[str, Optional[float]]:
    found: Dict[str, Optional[float]] = {}
    for name in ("cpu_s", "run_delay_s", "span_s"):
        values = [one.get(name) for one in each]
        known = [value for value in values if value is not None]
        found[name] = sum(known) if len(known) == len(values) else None
    return found


def _stream(result: Dict[str, Any], infos: Dict[int, Dict[str, Any]]) -> Dict[str, Any]:
    kept = dict(result)
    if result["stream"] in infos:
        kept["tcp"] = infos[result["stream"]]
    return kept

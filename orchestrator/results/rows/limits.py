"""Figures of a trial that tell what may have limited it: processes, windows, the instrument, RFC 6349's metrics."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from orchestrator.decide.shapes.record import TrialRecord
from orchestrator.decide.verdict.evidence import Side, Way
from orchestrator.metrics.tcp import buffer_delay_ratio, efficiency_ratio, ideal_time_s, transfer_time_ratio

Json = Mapping[str, Any]
Row = dict[str, Any]


def limit_figures(record: TrialRecord, way: Way, run: Json) -> Row:
    """The columns of trials.csv behind the bottleneck."""
    return {
        **_process("sender", way.send, way.sender),
        **_process("receiver", way.receive, way.receiver),
        **_windows(way),
        "opposite_fill": way.opposite_fill,
        "paced_bit_s": _paced(way),
        "instrument_ceiling_bit_s": _instrument(way, run),
        **_rfc_6349(record, way),
    }


def _process(role: str, part: Json, side: Side) -> Row:
    """Shares are per process: sixteen streams that each run a tenth of the time are not one that never rests."""
    used, window_s = part.get("process") or {}, part.get("window_s")
    streams = max(len(part.get("streams") or ()), 1)
    if used.get("span_s"):  # a late process looked at other instants than the window's ends
        window_s = used["span_s"] / streams
    mean, greatest = side.watch.get("clock_mean_hz"), side.watch.get("clock_max_hz")
    return {
        f"{role}_process_cpu_share": _share(used.get("cpu_s"), window_s, streams),
        f"{role}_process_wait_share": _share(used.get("run_delay_s"), window_s, streams),
        f"{role}_throttled_ratio": used.get("throttled_ratio"),
        f"{role}_clock_share": mean / greatest if mean and greatest else None,
    }


def _share(seconds: float | None, window_s: float | None, streams: int) -> float | None:
    return seconds / window_s / streams if seconds is not None and window_s else None


def _windows(way: Way) -> Row:
    return {
        **{
            f"{name}_share": way.tcp_share(f"{name}_s")
            for name in ("limited_receiver_window", "limited_send_buffer", "busy")
        },
        "congestion_window_segments": way.tcp.get("window_segments"),
        "delivery_rate_bit_s": way.tcp.get("delivery_rate_bit_s"),
    }


def _paced(way: Way) -> float | None:
    """Each stream keeps to its own pace, so there are as many of them; the kernel counts payload, or headers too."""
    pace = way.traffic.get("pacing_bit_s")
    return float(pace) * way.streams if pace and way.transport == "tcp" else None


def _instrument(way: Way, run: Json) -> float | None:
    """run.json's `instrument`: {host: {transport: bit/s over the host's own loopback}}."""
    measured = run.get("instrument") or {}
    known = [
        rates[way.transport]
        for host in (way.sender.host, way.receiver.host)
        if (rates := measured.get(host) or {}).get(way.transport)
    ]
    return min(known, default=None)


def _rfc_6349(record: TrialRecord, way: Way) -> Row:
    if way.transport != "tcp" or way.goodput_bit_s is None:
        return {}
    ceiling, octets = way.ceiling_bit_s, way.receive["goodput_bytes"]
    idle_s = (((record.get("first") or {}).get("round_trip") or {}).get("idle") or {}).get("p50_s")
    sent, again, rtt_s = way.tcp.get("bytes_sent"), way.tcp.get("bytes_retransmitted"), way.tcp.get("rtt_s")
    return {
        "transfer_time_ratio": transfer_time_ratio(way.receive["window_s"], ideal_time_s(octets, ceiling))
        if ceiling and octets
        else None,
        "tcp_efficiency_ratio": efficiency_ratio(sent, min(again, sent))
        if sent is not None and again is not None
        else None,
        "buffer_delay_ratio": buffer_delay_ratio(rtt_s, idle_s) if rtt_s and idle_s else None,
    }

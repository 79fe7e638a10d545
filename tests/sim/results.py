"""What a healthy pair of ends reports, for the simulated hosts."""

from __future__ import annotations

from typing import Any

Json = dict[str, Any]


def path_results(first: Json, second: Json, carries: int) -> tuple[Json, Json]:
    """(asking end's, answering end's) results of a path proof on a path that carries frames up to `carries` bytes."""
    mtu = first["mtu"]
    got = {mtu: 5} if mtu <= carries else {carries: 5}
    sent = {mtu: 5, **({} if mtu <= carries else {carries: 5})}
    shared = {
        "sent": sent,
        "received": got,
        "small_sent": 3,
        "small_received": 3,
        "mtu": mtu,
        "waited_s": 0.0,
        "proof_s": 0.1,
        "learned_mtu_bytes": mtu,
        "small_behind_full": 3,
        "network": {"routers": [], "refusals": 0, "refused_by": [], "too_long_here": []},
    }
    return {**shared, "role": "probe"}, {**shared, "role": "answer"}


def traffic_results(first: Json, second: Json) -> tuple[Json, Json]:
    """(dialling end's, serving end's) results of a full link."""
    mtu, rate = first["mtu"], float(first["rate_bit_s"] or 1e9)
    goodput = rate * (mtu - 52) / (mtu + 38)
    window_s = 1.0
    got = int(goodput * window_s / 8)
    parts: dict[str, list[Json]] = {"first": [], "second": []}
    for flow in first["flows"]:
        sender, receiver = ("first", "second") if flow["way"] == "transmit" else ("second", "first")
        parts[receiver].append(_received(flow["way"], got, window_s))
        parts[sender].append(_sent(flow["way"], got, window_s, mtu))
    return _done(parts["first"], got), _done(parts["second"], got)


def _received(way: str, got: int, window_s: float) -> Json:
    return {
        "way": way,
        "part": "receive",
        "window_s": window_s,
        "goodput_bytes": got,
        "received_bytes": got,
        "series": [[i / 10, got // 10, 0] for i in range(10)],
        "streams": [],
        "socket_drops": 0,
        "process": {"cpu_s": 0.2, "run_delay_s": 0.0, "throttled_ratio": None},
    }


def _sent(way: str, got: int, window_s: float, mtu: int) -> Json:
    return {
        "way": way,
        "part": "send",
        "sent_bytes": got,
        "window_sent_bytes": got,
        "window_s": window_s,
        "streams": [],
        "error": "",
        "intended_load_bit_s": None,
        "tcp": {
            "segments_sent": got // (mtu - 52),
            "segments_retransmitted": 0,
            "rtt_s": 0.001,
            "rtt_min_s": 0.0005,
            "mss_bytes": mtu - 52,
            "path_mtu_bytes": mtu,
        },
        "process": {"cpu_s": 0.2, "run_delay_s": 0.0, "throttled_ratio": None},
    }


def _done(parts: list[Json], got: int) -> Json:
    wire = int(got * 1.05)
    return {
        "parts": parts,
        "watch": {},
        "round_trip": None,
        "counters": {"before": {"rx_bytes": 0, "tx_bytes": 0}, "after": {"rx_bytes": wire, "tx_bytes": wire}},
    }

"""Records of trials as two healthy hosts on a healthy link write them, with the small disorder of a real bench.

Payload and headers are laid out packet by packet (RFC 791, 768, 9293, Ethernet header 14), not by the code under test.
"""

from __future__ import annotations

import copy
import random
from typing import Any

Json = dict[str, Any]
WINDOW_S, WHOLE_S = 10.0, 12.1  # the measured window; warm-up and tail with it
HEADERS = {("tcp", 4): 52, ("tcp", 6): 72, ("udp", 4): 28, ("udp", 6): 48}  # IP + transport, timestamps with TCP


def healthy_record(
    *,
    transport: str = "tcp",
    direction: str = "transmit",
    mtu: int = 1500,
    family: int = 4,
    rate_bit_s: float = 1e9,
    load: float | None = None,
    seed: int = 0,
) -> Json:
    """One trial. `load`: goodput as a share of the ceiling; drawn for TCP when None, 0.9 asked and kept for UDP."""
    draw = random.Random(seed)
    ways = ["transmit", "receive"] if direction == "bidirectional" else [direction]
    record: Json = {
        "attempt": 1,
        "cell": 1,
        "replicate": 1,
        "block": 1,
        "whole_plot": 1,
        "position": 1,
        "role": "measure",
        "link": "uplink",
        "levels": {"mtu": mtu},
        "started_at": "2026-01-01T00:00:00Z",
        "traffic": {
            "transport": transport,
            "direction": direction,
            "segment_bytes": None,
            "datagram_bytes": None,
            "socket_buffer_bytes": None,
            "streams": 1,
        },
        "link_facts": {
            "rate_bit_s": rate_bit_s,
            "family": family,
            "mtu": mtu,
            "first": {"host": "dome", "interface": "eth1", "speed_bit_s": rate_bit_s, "driver": "card"},
            "second": {"host": "hall", "interface": "eth1", "speed_bit_s": rate_bit_s, "driver": "card"},
        },
        "settings": {
            "dome": [{"setting": "mtu", "target": "eth1", "level": mtu, "ok": True, "seen": mtu, "why": ""}],
            "hall": [],
        },
        "ready": {},
        "path": {"verdict": "open", "sentence": "", "learned_mtu_bytes": {"first": mtu, "second": mtu}},
        "before": {"boot_id": {"dome": "b1", "hall": "b2"}},
        "after": {
            "settings": {"dome": [], "hall": []},
            "speed_bit_s": {"dome": rate_bit_s, "hall": rate_bit_s},
            "boot_id": {"dome": "b1", "hall": "b2"},
        },
        "settle_s": 1.0,
        "overhead_s": 0.4,
        "error": None,
        "first": {"parts": [], "round_trip": {"idle": {"p50_s": 1e-4}, "load": {"p50_s": 4e-4, "p99_s": 9e-4}}},
        "second": {"parts": [], "round_trip": None},
    }
    octets = {"first": _counters(), "second": _counters()}
    for way in ways:
        _add_way(record, octets, way, load, draw)
    for end, counted in octets.items():
        _add_small_talk(counted, draw)
        before = {name: draw.randrange(10**9) for name in counted}
        record[end]["counters"] = {"before": before, "after": {name: before[name] + counted[name] for name in counted}}
        record[end]["watch"] = _watch(draw)
    return record


def _counters() -> dict[str, int]:
    names = (
        "rx_bytes",
        "tx_bytes",
        "rx_packets",
        "tx_packets",
        "rx_dropped",
        "tx_dropped",
        "rx_missed_errors",
        "rx_fifo_errors",
        "rx_crc_errors",
        "tx_errors",
        "carrier_changes",
    )
    return {**{f"interface.{name}": 0 for name in names}, "queue.drops": 0, "softnet.dropped": 0, "softnet.squeezed": 0}


def _add_way(record: Json, octets: Json, way: str, load: float | None, draw: random.Random) -> None:
    transport, facts = record["traffic"]["transport"], record["link_facts"]
    mtu, family = facts["mtu"], facts["family"]
    payload = mtu - HEADERS[transport, family]
    ceiling = facts["rate_bit_s"] * payload / (mtu + 38)
    share = load if load is not None else (0.9 if transport == "udp" else draw.uniform(0.99, 0.9999))
    asked = share * ceiling if transport == "udp" else None
    packets_window = round(share * ceiling * WINDOW_S / 8 / payload)
    packets = round(packets_window * WHOLE_S / WINDOW_S)
    again = min(draw.randrange(20), packets_window // 1000) if transport == "tcp" else 0
    sender, receiver = ("first", "second") if way == "transmit" else ("second", "first")
    _carry(octets[sender], octets[receiver], packets + again, mtu + 14)
    if transport == "tcp":  # receivers that coalesce acknowledge less often than every second segment
        _carry(octets[receiver], octets[sender], packets // draw.choice((2, 3, 8, 20)), HEADERS["tcp", family] + 14)
    send: Json = {
        "way": way,
        "part": "send",
        "intended_load_bit_s": asked,
        "window_s": WINDOW_S,
        "error": "",
        "sent_bytes": packets * payload,
        "window_sent_bytes": packets_window * payload,
        "process": {"cpu_s": 2.0, "run_delay_s": 0.01, "throttled_ratio": None},
        "streams": [{"stream": 1}],
    }
    received: Json = {
        "way": way,
        "part": "receive",
        "window_s": WINDOW_S,
        "goodput_bytes": packets_window * payload,
        "received_bytes": packets * payload,
        "series": _series(packets_window * payload, draw),
        "socket_drops": 0,
        "receive_path": "batch",
        "streams": [{"stream": 1, "source_port": 20001}],
        "process": {"cpu_s": 3.0, "run_delay_s": 0.02, "throttled_ratio": None},
    }
    if transport == "udp":
        send |= {
            "datagrams_sent": packets,
            "datagrams_refused": 0,
            "send_path": "segment",
            "burst_datagrams": 8,
            "datagram_bytes": payload,
            "tcp": None,
        }
        received |= {"datagrams_received": packets, "datagrams_duplicate": 0, "datagrams_reordered": 0}
    else:
        send["tcp"] = {
            "segments_sent": packets_window,
            "segments_retransmitted": again,
            "mss_bytes": payload,
            "path_mtu_bytes": mtu,
            "rtt_s": 5e-4,
            "rtt_min_s": 1e-4,
            "bytes_sent": packets_window * payload,
            "bytes_retransmitted": again * payload,
            "limited_receiver_window_s": 0.0,
            "limited_send_buffer_s": 0.1,
            "busy_s": WINDOW_S,
        }
    record[sender]["parts"].append(send)
    record[receiver]["parts"].append(received)


def _carry(sender: dict[str, int], receiver: dict[str, int], frames: int, frame_bytes: int) -> None:
    for counted, way in ((sender, "tx"), (receiver, "rx")):
        counted[f"interface.{way}_packets"] += frames
        counted[f"interface.{way}_bytes"] += frames * frame_bytes


def _add_small_talk(counted: dict[str, int], draw: random.Random) -> None:
    """Path proof, probes, address resolution, a neighbour's announcements: what even a quiet link carries."""
    for way in ("tx", "rx"):
        frames = 900 + draw.randrange(600)
        counted[f"interface.{way}_packets"] += frames
        counted[f"interface.{way}_bytes"] += frames * 90
    counted["interface.rx_dropped"] += draw.randrange(3)  # frames of a protocol that nobody here speaks
    counted["softnet.squeezed"] += draw.randrange(30)


def _series(octets: int, draw: random.Random) -> list[list[float]]:
    intervals = round(WINDOW_S * 10)
    return [[(index + 1) / 10, int(octets / intervals * draw.gauss(1, 0.01)), 0] for index in range(intervals)]


def _watch(draw: random.Random) -> Json:
    busy = draw.uniform(0.2, 0.7)
    return {
        "interval_s": 0.2,
        "seconds": WINDOW_S,
        "busiest_core": 1,
        "busiest_core_busy": busy,
        "busiest_core_softirq": busy / 2,
        "irq_core": 1,
        "softirq_core": 1,
        "steal": draw.uniform(0, 0.003),
        "cores": [
            {"core": 0, "busy": busy / 3, "softirq": 0.0, "irq": 0.0, "steal": 0.0},
            {"core": 1, "busy": busy, "softirq": busy / 2, "irq": 0.0, "steal": 0.0},
        ],
        "clock_mean_hz": 2.3e9,
        "clock_min_hz": 1.9e9,
        "clock_max_hz": 2.4e9,
        "clock_simulated": False,
        "temperature_max_c": 51.0,
        "thermal_throttles": None,
        "throttled_ratio": None,
        "softnet_dropped": 0,
        "softnet_squeezed": 3,
        "cost_cpu_s": 0.01,
        "series": [[0.2, 0, 0.1, 0.0, 0.0, 0.0, None]],
    }


def changed(record: Json, **paths: Any) -> Json:
    """A copy with values set at dotted paths given as keywords with `__`: first__watch__steal=0.2."""
    made = copy.deepcopy(record)
    for path, value in paths.items():
        *outer, last = path.split("__")
        place = made
        for name in outer:
            place = place[int(name)] if isinstance(place, list) else place[name]
        place[last] = value
    return made


def count(record: Json, end: str, **changes: int) -> Json:
    """A copy in which an end's counters moved by so much more; names with `_` after the room: interface_rx_bytes."""
    made = copy.deepcopy(record)
    for name, more in changes.items():
        room, _, counter = name.partition("_")
        after = made[end]["counters"]["after"]
        after[f"{room}.{counter}"] = after.get(f"{room}.{counter}", 0) + more
        made[end]["counters"]["before"].setdefault(f"{room}.{counter}", 0)
    return made

"""What the kernel says about one TCP connection (struct tcp_info), by name, and what changed between two readings.

Offsets: check-values compiled from the 6.1 header; the layout only ever grows at its end, so the length that the call
returns says which fields this kernel knows. A field it does not know is absent, not zero.
"""

from __future__ import annotations

import socket
import struct
import sys
from typing import Any, Dict, List, Optional

_LAYOUT = struct.Struct("=8B24I4Q6I4Q2I2Q4I")
_NAMES = (
    *("state", "ca_state", "retransmits", "probes", "backoff", "options", "wscale", "flags"),
    *("rto_us", "ato_us", "snd_mss", "rcv_mss", "unacked", "sacked", "lost", "retrans", "fackets", "last_data_sent_ms",
      "last_ack_sent_ms", "last_data_recv_ms", "last_ack_recv_ms", "pmtu", "rcv_ssthresh", "rtt_us", "rttvar_us",
      "snd_ssthresh", "snd_cwnd", "advmss", "reordering", "rcv_rtt_us", "rcv_space", "total_retrans"),
    *("pacing_rate", "max_pacing_rate", "bytes_acked", "bytes_received"),
    *("segs_out", "segs_in", "notsent_bytes", "min_rtt_us", "data_segs_in", "data_segs_out"),
    *("delivery_rate", "busy_us", "rwnd_limited_us", "sndbuf_limited_us"),
    *("delivered", "delivered_ce", "bytes_sent", "bytes_retrans"),
    *("dsack_dups", "reord_seen", "rcv_ooopack", "snd_wnd"),
)
_SIZES = (1,) * 8 + (4,) * 24 + (8,) * 4 + (4,) * 6 + (8,) * 4 + (4,) * 2 + (8,) * 2 + (4,) * 4
_OF_32_BITS = frozenset(name for name, size in zip(_NAMES, _SIZES) if size == 4)
_ENDS = [sum(_SIZES[:place + 1]) for place in range(len(_SIZES))]
_TAKEN_IN = (_ENDS[_NAMES.index("bytes_received") - 1], _ENDS[_NAMES.index("bytes_received")])
_UNKNOWN_MIN_RTT = 0xFFFFFFFF
Info = Dict[str, int]


def read_info(sock: socket.socket) -> Info:
    """One reading, 1 µs: every field that this kernel knows."""
    return parse_info(sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, 512))


def parse_info(raw: bytes) -> Info:
    """The fields of a struct tcp_info, as far as it reaches."""
    values = _LAYOUT.unpack_from(raw.ljust(_LAYOUT.size, b"\0"))
    return {name: value for name, value, end in zip(_NAMES, values, _ENDS) if end <= len(raw)}


def taken_in_bytes(sock: socket.socket) -> Optional[int]:
    """What the kernel has taken in of a connection, in order, read or not; None where it does not count that."""
    start, end = _TAKEN_IN
    raw = sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, end)
    return int.from_bytes(raw[start:end], sys.byteorder) if len(raw) == end else None


def sent_summary(readings: List[Info], whole: Info) -> Dict[str, Any]:
    """What a sending connection did between the first and the last reading of the window; `whole`: at its very end."""
    first, last = readings[0], readings[-1]
    least = min(reading.get("min_rtt_us", _UNKNOWN_MIN_RTT) for reading in readings)
    return {
        "segments_sent": change(first, last, "data_segs_out"),
        "segments_retransmitted": change(first, last, "total_retrans"),
        "segments_sent_whole": whole.get("data_segs_out"),
        "segments_retransmitted_whole": whole.get("total_retrans"),
        "bytes_retransmitted_whole": whole.get("bytes_retrans"),
        "bytes_sent": change(first, last, "bytes_sent"), "bytes_retransmitted": change(first, last, "bytes_retrans"),
        "rtt_s": _mean([reading["rtt_us"] / 1e6 for reading in readings]),
        "rtt_min_s": None if least == _UNKNOWN_MIN_RTT else least / 1e6,
        "mss_bytes": last["snd_mss"], "path_mtu_bytes": last["pmtu"],
        "window_segments": _mean([reading["snd_cwnd"] for reading in readings]),
        "peer_window_bytes": last.get("snd_wnd"),
        "limited_receiver_window_s": change(first, last, "rwnd_limited_us", 1e-6),
        "limited_send_buffer_s": change(first, last, "sndbuf_limited_us", 1e-6),
        "busy_s": change(first, last, "busy_us", 1e-6),
        "delivery_rate_bit_s": 8 * last["delivery_rate"] if last.get("delivery_rate") else None,
        "reordering_seen": change(first, last, "reord_seen"),
        "duplicates_reported": change(first, last, "dsack_dups"),
    }


def received_summary(readings: List[Info], whole: Info) -> Dict[str, Any]:
    """What a receiving connection saw between the first and the last reading."""
    first, last = readings[0], readings[-1]
    return {
        "segments_received": change(first, last, "data_segs_in"),
        "segments_received_whole": whole.get("data_segs_in"),
        "segments_out_of_order": change(first, last, "rcv_ooopack"),
        "mss_bytes": last["rcv_mss"], "path_mtu_bytes": last["pmtu"],
        "rtt_s": last["rcv_rtt_us"] / 1e6 or None, "receive_space_bytes": last["rcv_space"],
    }


_ADDED = ("segments_sent", "segments_sent_whole", "segments_retransmitted", "segments_retransmitted_whole",
          "bytes_retransmitted_whole", "bytes_sent", "bytes_retransmitted", "limited_receiver_window_s",
          "limited_send_buffer_s", "busy_s", "delivery_rate_bit_s", "reordering_seen", "duplicates_reported",
          "segments_received", "segments_received_whole", "segments_out_of_order")
_LEAST = ("rtt_min_s", "mss_bytes", "path_mtu_bytes")


def together(summaries: List[Dict[str, Any]]) -> Dict[str, Any]:
    """Several connections as one: counts, times and rates added, the least of sizes, otherwise the mean."""
    found: Dict[str, Any] = {}
    for name in summaries[0] if summaries else ():
        values = [each[name] for each in summaries if each.get(name) is not None]
        if not values:
            found[name] = None
        elif name in _ADDED:
            found[name] = sum(values)
        else:
            found[name] = min(values) if name in _LEAST else _mean(values)
    return found


def change(first: Info, last: Info, name: str, unit: float = 1) -> Optional[float]:
    """What a field grew by, times `unit`; None where this kernel does not know it."""
    if name not in first or name not in last:
        return None
    change = last[name] - first[name]
    return (change % (1 << 32) if name in _OF_32_BITS else change) * unit  # counts of 32 bits go round


def _mean(values: List[float]) -> float:
    return sum(values) / len(values)

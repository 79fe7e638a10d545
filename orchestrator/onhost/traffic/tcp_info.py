"""What the kernel says about one TCP connection (struct tcp_info), by name, and what changed between two readings.

Offsets: compiled from the header of Linux 6.1 (include/uapi/linux/tcp.h); the layout only ever grows at its end, so the
length that the call returns says which fields this kernel knows. A field it does not know is absent, not zero.
"""

from __future__ import annotations

import socket
import struct
import sys
from typing import Dict, Iterable, List, Optional

_LAYOUT = struct.Struct("=8B24I4Q6I4Q2I2Q4I")
_NAMES = (
    *("state", "ca_state", "retransmits", "probes", "backoff", "options", "wscale", "flags"),
    *(
        "rto_us",
        "ato_us",
        "snd_mss",
        "rcv_mss",
        "unacked",
        "sacked",
        "lost",
        "retrans",
        "fackets",
        "last_data_sent_ms",
        "last_ack_sent_ms",
        "last_data_recv_ms",
        "last_ack_recv_ms",
        "pmtu",
        "rcv_ssthresh",
        "rtt_us",
        "rttvar_us",
        "snd_ssthresh",
        "snd_cwnd",
        "advmss",
        "reordering",
        "rcv_rtt_us",
        "rcv_space",
        "total_retrans",
    ),
    *("pacing_rate", "max_pacing_rate", "bytes_acked", "bytes_received"),
    *("segs_out", "segs_in", "notsent_bytes", "min_rtt_us", "data_segs_in", "data_segs_out"),
    *("delivery_rate", "busy_us", "rwnd_limited_us", "sndbuf_limited_us"),
    *("delivered", "delivered_ce", "bytes_sent", "bytes_retrans"),
    *("dsack_dups", "reord_seen", "rcv_ooopack", "snd_wnd"),
)
_SIZES = (1,) * 8 + (4,) * 24 + (8,) * 4 + (4,) * 6 + (8,) * 4 + (4,) * 2 + (8,) * 2 + (4,) * 4
_OF_32_BITS = frozenset(name for name, size in zip(_NAMES, _SIZES) if size == 4)
_ENDS = [sum(_SIZES[: place + 1]) for place in range(len(_SIZES))]
_TAKEN_IN = (_ENDS[_NAMES.index("bytes_received") - 1], _ENDS[_NAMES.index("bytes_received")])
_UNKNOWN_MIN_RTT = 0xFFFFFFFF
Info = Dict[str, int]
Figures = Dict[str, Optional[float]]  # what a connection did or saw, by name; None where the kernel does not count it


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


_COUNTED = (
    "segs_out",
    "segs_in",
    "data_segs_out",
    "data_segs_in",
    "total_retrans",
    "bytes_sent",
    "bytes_retrans",
    "bytes_received",
    "rwnd_limited_us",
    "sndbuf_limited_us",
    "busy_us",
    "reord_seen",
    "dsack_dups",
    "rcv_ooopack",
)


class Account:
    """What the readings of one connection come to; none of them is kept but the last.

    Counts of 32 bits may go round many times in a long window, and less than once between two readings.
    """

    def __init__(self, readings: Iterable[Info] = ()) -> None:
        self.count = 0
        self.last: Info = {}
        self.min_rtt_us = _UNKNOWN_MIN_RTT
        self._first: Info = {}
        self._changes: Dict[str, int] = {}
        self._rtt_us = self._window_segments = 0
        for reading in readings:
            self.take(reading)

    def take(self, reading: Info) -> None:
        """The next reading."""
        if self.count:
            self._add_changes(reading)
        else:
            self._first = {name: reading[name] for name in _COUNTED if name in reading}
            self._changes = dict.fromkeys(self._first, 0)
        self.count += 1
        self.last = reading
        self.min_rtt_us = min(self.min_rtt_us, reading.get("min_rtt_us", _UNKNOWN_MIN_RTT))
        self._rtt_us += reading["rtt_us"]
        self._window_segments += reading["snd_cwnd"]

    def _add_changes(self, reading: Info) -> None:
        for name in self._changes:
            self._changes[name] += _grown(self.last, reading, name)

    def change(self, name: str, unit: float = 1) -> Optional[float]:
        """From the first reading to the last; None where the kernel does not count it."""
        change = self._changes.get(name)
        return None if change is None else change * unit

    def since_the_beginning(self, name: str, whole: Info) -> Optional[int]:
        """Of the connection, up to the reading `whole`, which is later than all others."""
        if name not in self._first or name not in whole:
            return whole.get(name)
        return self._first[name] + self._changes[name] + _grown(self.last, whole, name)

    @property
    def rtt_s(self) -> float:
        """The mean of the kernel's smoothed round-trip times."""
        return self._rtt_us / 1e6 / self.count

    @property
    def window_segments(self) -> float:
        """The mean congestion window."""
        return self._window_segments / self.count


def sent_summary(account: Account, whole: Info) -> Figures:
    """What a sending connection did between the first and the last reading of the window; `whole`: at its very end."""
    last, least = account.last, account.min_rtt_us
    return {
        "segments_sent": account.change("data_segs_out"),
        "segments_retransmitted": account.change("total_retrans"),
        "segments_sent_whole": account.since_the_beginning("data_segs_out", whole),
        "segments_retransmitted_whole": account.since_the_beginning("total_retrans", whole),
        "bytes_retransmitted_whole": whole.get("bytes_retrans"),
        "bytes_sent": account.change("bytes_sent"),
        "bytes_retransmitted": account.change("bytes_retrans"),
        "rtt_s": account.rtt_s,
        "rtt_min_s": None if least == _UNKNOWN_MIN_RTT else least / 1e6,
        "mss_bytes": last["snd_mss"],
        "path_mtu_bytes": last["pmtu"],
        "window_segments": account.window_segments,
        "peer_window_bytes": last.get("snd_wnd"),
        "limited_receiver_window_s": account.change("rwnd_limited_us", 1e-6),
        "limited_send_buffer_s": account.change("sndbuf_limited_us", 1e-6),
        "busy_s": account.change("busy_us", 1e-6),
        "delivery_rate_bit_s": 8 * last["delivery_rate"] if last.get("delivery_rate") else None,
        "reordering_seen": account.change("reord_seen"),
        "duplicates_reported": account.change("dsack_dups"),
    }


def received_summary(account: Account, whole: Info) -> Figures:
    """What a receiving connection saw between the first and the last reading."""
    last = account.last
    return {
        "segments_received": account.change("data_segs_in"),
        "segments_received_whole": account.since_the_beginning("data_segs_in", whole),
        "segments_out_of_order": account.change("rcv_ooopack"),
        "mss_bytes": last["rcv_mss"],
        "path_mtu_bytes": last["pmtu"],
        "rtt_s": last["rcv_rtt_us"] / 1e6 or None,
        "receive_space_bytes": last["rcv_space"],
    }


_ADDED = (
    "segments_sent",
    "segments_sent_whole",
    "segments_retransmitted",
    "segments_retransmitted_whole",
    "bytes_retransmitted_whole",
    "bytes_sent",
    "bytes_retransmitted",
    "limited_receiver_window_s",
    "limited_send_buffer_s",
    "busy_s",
    "delivery_rate_bit_s",
    "reordering_seen",
    "duplicates_reported",
    "segments_received",
    "segments_received_whole",
    "segments_out_of_order",
)
_LEAST = ("rtt_min_s", "mss_bytes", "path_mtu_bytes")


def together(summaries: List[Figures]) -> Figures:
    """Several connections as one: counts, times and rates added, the least of sizes, otherwise the mean."""
    found: Figures = {}
    for name in summaries[0] if summaries else ():
        values = [value for each in summaries for value in (each.get(name),) if value is not None]
        if not values:
            found[name] = None
        elif name in _ADDED:
            found[name] = sum(values)
        else:
            found[name] = min(values) if name in _LEAST else _mean(values)
    return found


def _grown(first: Info, last: Info, name: str) -> int:
    change = last.get(name, first[name]) - first[name]
    return change % (1 << 32) if name in _OF_32_BITS else change  # counts of 32 bits go round


def _mean(values: List[float]) -> float:
    return sum(values) / len(values)

"""TCP's own account, read by the length that the kernel gives, and summed up."""

from __future__ import annotations

import socket
import struct
from typing import Any

import pytest

from orchestrator.onhost.traffic import tcp_info

# Offsets in octets of fields of struct tcp_info, compiled from the 6.1 header (check values 8.6)
OFFSETS = {
    "snd_mss": 16,
    "pmtu": 60,
    "rtt_us": 68,
    "snd_cwnd": 80,
    "total_retrans": 100,
    "pacing_rate": 104,
    "bytes_acked": 120,
    "segs_out": 136,
    "min_rtt_us": 148,
    "data_segs_out": 156,
    "delivery_rate": 160,
    "busy_us": 168,
    "rwnd_limited_us": 176,
    "sndbuf_limited_us": 184,
    "delivered": 192,
    "bytes_sent": 200,
    "bytes_retrans": 208,
    "reord_seen": 220,
    "rcv_ooopack": 224,
    "snd_wnd": 228,
}


class Kernel:
    """A socket of a kernel that knows so many octets of the structure."""

    def __init__(self, raw: bytes) -> None:
        self._raw = raw

    def getsockopt(self, level: int, option: int, length: int) -> bytes:
        assert (level, option) == (socket.IPPROTO_TCP, socket.TCP_INFO)
        return self._raw[:length]


def test_every_field_is_read_from_the_offset_of_the_header() -> None:
    raw = bytearray(280)
    for number, offset in enumerate(OFFSETS.values(), start=1):
        struct.pack_into("=I", raw, offset, number)
    read = tcp_info.read_info(Kernel(bytes(raw)))  # type: ignore[arg-type]
    assert [read[name] for name in OFFSETS] == list(range(1, len(OFFSETS) + 1))


@pytest.mark.parametrize(("length", "absent"), [(232, []), (192, ["bytes_sent", "snd_wnd"]), (104, ["pacing_rate"])])
def test_what_an_older_kernel_does_not_tell_is_absent_and_not_zero(length: int, absent: list[str]) -> None:
    read = tcp_info.read_info(Kernel(bytes(length)))  # type: ignore[arg-type]
    assert all(name not in read for name in absent)
    assert "rtt_us" in read
    summary = tcp_info.sent_summary(tcp_info.Account([{**read}, {**read}]), read)
    assert summary["bytes_sent"] == (0 if length >= 208 else None)
    assert summary["segments_sent"] == (0 if length >= 160 else None)


def test_a_real_connection_is_read() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener, socket.create_connection(listener.getsockname()) as sock:
        other, _ = listener.accept()
        with other:
            before = tcp_info.read_info(sock)
            sock.sendall(b"x" * 10000)
            received = 0
            while received < 10000:
                received += len(other.recv(10000))
            after = tcp_info.read_info(sock)
            summary = tcp_info.sent_summary(tcp_info.Account([before, after]), after)
            assert summary["bytes_sent"] == 10000
            assert summary["segments_sent"] >= 1
            assert summary["mss_bytes"] == sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_MAXSEG)
            readings = tcp_info.Account([tcp_info.read_info(other)])
            assert tcp_info.received_summary(readings, tcp_info.read_info(other))["mss_bytes"] > 0


def test_several_connections_add_counts_and_times_and_average_the_rest() -> None:
    one: dict[str, Any] = {
        "segments_sent": 10,
        "rtt_s": 0.010,
        "rtt_min_s": 0.004,
        "mss_bytes": 1448,
        "window_segments": 20,
        "busy_s": 1.0,
        "delivery_rate_bit_s": 4e6,
    }
    other = {**one, "segments_sent": 5, "rtt_s": 0.020, "rtt_min_s": 0.002, "mss_bytes": 524, "busy_s": None}
    assert tcp_info.together([one, other]) == {
        "segments_sent": 15,
        "rtt_s": 0.015,
        "rtt_min_s": 0.002,
        "mss_bytes": 524,
        "window_segments": 20,
        "busy_s": 1.0,
        "delivery_rate_bit_s": 8e6,
    }
    assert tcp_info.together([]) == {}


def test_counts_of_32_bits_that_go_round_in_the_window_stay_right() -> None:
    """data_segs_out has 32 bits: at 10 Gb/s in frames of 1500 it goes round in 83 minutes."""
    first, last = (
        {"data_segs_out": (1 << 32) - 100, "total_retrans": (1 << 32) - 1},
        {"data_segs_out": 900, "total_retrans": 4},
    )
    reading = {"rtt_us": 100, "snd_mss": 1448, "pmtu": 1500, "snd_cwnd": 10}
    found = tcp_info.sent_summary(tcp_info.Account([{**reading, **first}, {**reading, **last}]), {**reading, **last})
    assert (found["segments_sent"], found["segments_retransmitted"]) == (1000, 5)

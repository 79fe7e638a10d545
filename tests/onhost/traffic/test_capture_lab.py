"""The frames themselves, captured at the receiver and read by scapy: sizes, marks and repeats are what the row says."""

from __future__ import annotations

import os
import pickle
import signal
import socket
import struct
import time
from collections import Counter
from collections.abc import Callable
from typing import Any

import pytest
from scapy.all import IP, TCP, UDP, Ether, IPv6

from orchestrator.metrics.delay_variation import above_min_percentile
from orchestrator.metrics.jitter import Jitter
from tests.onhost.traffic.two_ends import PORTS, arguments, flow, part, run_pair
from tests.onhost.traffic.wire_lab import ends, enter, in_own_namespace, inside, join_by_switch, shape

pytestmark = [pytest.mark.lab, pytest.mark.alone]
PORT = PORTS[0]
_TIMESTAMPS = 35  # SO_TIMESTAMPNS


def captured(
    flows: list[dict[str, Any]], prepare: Callable[[], None] = lambda: None, *, length_s: float = 0.3, **more: Any
) -> tuple[dict[str, Any], dict[str, Any], list[tuple[int, Any]]]:
    """One trial and every frame that the far end's interface took in: (receive time in nanoseconds, packet)."""

    def body() -> tuple[Any, Any, list[tuple[int, bytes]]]:
        join_by_switch(mtu=more.get("mtu", 1500), segmentation="gso off gro off")
        prepare()
        readable, writable = os.pipe()
        child = os.fork()
        if child == 0:
            _capture(writable)
        os.close(writable)
        time.sleep(0.15)
        try:
            results = run_pair(
                arguments(flows, **ends(**more)), length_s=length_s, dial_in=enter("near"), serve_in=enter("far")
            )
        finally:
            os.kill(child, signal.SIGTERM)
            with os.fdopen(readable, "rb") as pipe:
                frames = pickle.loads(pipe.read())  # noqa: S301 - our own child's
            os.waitpid(child, 0)
        return (*results, frames)

    dialled, served, frames = in_own_namespace(body)
    return dialled, served, [(at, Ether(frame)) for at, frame in frames]


def _capture(writable: int) -> None:
    enter("far")()
    sock = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(3))
    sock.bind(("eth1", 3))
    sock.setsockopt(socket.SOL_SOCKET, 33, 64 * 1024 * 1024)  # SO_RCVBUFFORCE
    sock.setsockopt(socket.SOL_SOCKET, _TIMESTAMPS, 1)
    sock.settimeout(0.1)
    frames: list[tuple[int, bytes]] = []
    ended: list[int] = []
    signal.signal(signal.SIGTERM, lambda number, _: ended.append(number))
    while True:
        try:
            frame, ancillary, _, source = sock.recvmsg(65536, 64)
        except TimeoutError:
            if ended:
                break
            continue
        if source[2] != 4:  # not the far end's own frames
            seconds, rest = struct.unpack("@ll", ancillary[0][2])
            frames.append((seconds * 10**9 + rest, frame))
    with os.fdopen(writable, "wb") as pipe:
        pipe.write(pickle.dumps(frames))
    os._exit(0)


def payload_bytes(packet: Any) -> int:
    """Payload of a TCP or UDP packet by its headers, not by padding."""
    if UDP in packet:
        return int(packet[UDP].len) - 8
    whole = packet[IPv6].plen if IPv6 in packet else packet[IP].len - 4 * packet[IP].ihl
    return int(whole) - 4 * int(packet[TCP].dataofs)


@pytest.mark.parametrize(("family", "mtu"), [(4, 1500), (6, 1500), (4, 4000)])
@pytest.mark.parametrize("send_path", ["segment", "batch", "single"])
def test_datagrams_fill_the_mtu_and_carry_the_dscp_on_every_path(family: int, mtu: int, send_path: str) -> None:
    flows = [flow("transmit", "udp", intended_load_bit_s=20e6, send_path=send_path, dscp=46, burst_datagrams=8)]
    dialled, served, frames = captured(flows, family=family, mtu=mtu, rate_bit_s=1e9)
    ours = [packet for _, packet in frames if UDP in packet and packet[UDP].dport == PORT]
    sizes = Counter(payload_bytes(packet) for packet in ours)
    filling = mtu - (48 if family == 6 else 28)
    assert part(dialled, "send")["datagram_bytes"] == filling
    # two datagrams without a number prove the way of sending; the small ones are the hello and the signs of the end
    assert sizes[filling] == part(served, "receive")["datagrams_received"] + 2
    assert all(size < 150 for size in sizes if size != filling)
    assert {packet[IPv6].tc if family == 6 else packet[IP].tos for packet in ours} == {46 << 2}
    assert {len(packet) for packet in ours if payload_bytes(packet) == filling} == {14 + mtu}
    if family == 4:
        assert all(packet[IP].flags.DF and packet[IP].frag == 0 for packet in ours)


def test_the_receiver_shows_itself_once_a_second() -> None:
    """A switch forgets where a silent end is and floods its traffic to every port."""
    flows = [flow("receive", "udp", datagram_bytes=500, intended_load_bit_s=400e3)]
    _, _, frames = captured(flows, length_s=2.2)
    times = [at_ns / 1e9 for at_ns, packet in frames if UDP in packet and packet[UDP].dport == PORT]
    _hello, *alive = times  # the dialling end receives here: its hello, then nothing but signs of life
    assert len(alive) == 3, "at the start, after one and after two seconds"
    assert alive[-1] - alive[0] == pytest.approx(2.0, abs=0.3)


@pytest.mark.parametrize(("size", "frame"), [(18, 60), (82, 124), (466, 508), (1472, 1514)])
def test_explicit_sizes_make_the_frames_of_rfc_2544(size: int, frame: int) -> None:
    """RFC 2544 section 9: 64, 128, 512 and 1518 octets, less the 4 of the check sequence, which no capture has."""
    flows = [flow("transmit", "udp", datagram_bytes=size, intended_load_bit_s=2e6)]
    _, served, frames = captured(flows, rate_bit_s=1e9)
    ours = [
        packet for _, packet in frames if UDP in packet and packet[UDP].dport == PORT and payload_bytes(packet) == size
    ]
    assert len(ours) == part(served, "receive")["datagrams_received"] + 2, "two prove the way of sending"
    assert {len(packet) for packet in ours} == {frame}


@pytest.mark.parametrize("family", [4, 6])
@pytest.mark.parametrize("limit", [None, 536])
def test_segments_have_the_size_that_the_row_says(family: int, limit: int | None) -> None:
    """RFC 9293 s3.7.1 and RFC 7323 App. A: MTU less 40 or 60, or the clamp, less 12 for timestamps."""
    flows = [flow(pacing_bit_s=20e6, segment_bytes=limit, dscp=10)]
    dialled, served, frames = captured(flows, family=family)
    ours = [packet for _, packet in frames if TCP in packet and packet[TCP].dport == PORT]
    largest = max(payload_bytes(packet) for packet in ours)
    expected = (limit or 1500 - (60 if family == 6 else 40)) - 12
    assert largest == part(dialled, "send")["tcp"]["mss_bytes"] == expected
    payload = sum(payload_bytes(packet) for packet in ours)
    assert payload == part(served, "receive")["received_bytes"] + 32, "and the hello"
    assert {packet[IPv6].tc if family == 6 else packet[IP].tos for packet in ours} == {10 << 2}


def test_segments_sent_again_are_those_seen_again_in_the_capture() -> None:
    """Drops behind the capture (at the far end's own filter, which sits after it): every repeat passes the capture."""

    def lose() -> None:
        shape(20_000_000)
        inside("far", "nft add table ip lossy")
        inside("far", "nft add chain ip lossy into { type filter hook prerouting priority -300 ; }")
        inside("far", "nft add rule ip lossy into ip length > 1000 numgen inc mod 60 0 counter drop")

    dialled, _, frames = captured([flow()], lose, length_s=0.6)
    ours = [packet for _, packet in frames if TCP in packet and packet[TCP].dport == PORT and payload_bytes(packet) > 0]
    seen = Counter(packet[TCP].seq for packet in ours)
    repeats = sum(count - 1 for count in seen.values())
    assert repeats > 10
    assert part(dialled, "send")["tcp"]["segments_retransmitted_whole"] == repeats


def test_delay_variation_and_jitter_recomputed_from_the_capture_agree() -> None:
    """The receiver's window is cut by time, so it may begin a datagram earlier or later than the phase does."""
    flows = [
        flow("transmit", "udp", datagram_bytes=1200, intended_load_bit_s=10e6, send_path="single", receive_path="batch")
    ]
    dialled, served, frames = captured(flows, rate_bit_s=1e9, length_s=0.5)
    got = part(served, "receive")
    before, inside_count, _ = part(dialled, "send")["streams"][0]["datagrams_by_phase"]
    count = got["transit_samples"]
    assert abs(count - inside_count) <= 3
    transits_ns = [
        at_ns - struct.unpack_from("<Q", bytes(packet[UDP].payload), 8)[0]
        for at_ns, packet in frames
        if UDP in packet and packet[UDP].dport == PORT and payload_bytes(packet) == 1200
    ]
    read = (got["delay_variation_p99_s"], got["jitter_mean_s"])
    again = [recomputed(transits_ns[start : start + count]) for start in range(2 + before - 3, 2 + before + 4)]
    assert any(each == pytest.approx(read, rel=1e-6) for each in again), (read, again)


def recomputed(transits_ns: list[int]) -> tuple[float, float]:
    """Delay variation (99th percentile) and mean jitter, seconds, by the definitions in metrics/."""
    transits = [(transit - min(transits_ns)) / 1e9 for transit in transits_ns]
    jitter = Jitter()
    for transit in transits:
        jitter.arrival(transit)
    variation, mean = above_min_percentile(transits, 99), jitter.mean
    assert variation is not None
    assert mean is not None
    return variation, mean

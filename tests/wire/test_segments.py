"""Segment and datagram sizes against RFC 879, 2018, 6691, 7323, 8238, 9293."""

from __future__ import annotations

import pytest

from orchestrator.wire import advertised_mss, datagram_payload, effective_send_mss, packet_of_datagram, segment_payload
from orchestrator.wire.segments import (
    default_mss,
    ip_header_bytes,
    largest_window_bytes,
    min_mtu_bytes,
    packets_of_datagram,
    packets_of_segment,
    selective_acknowledgement_bytes,
)


@pytest.mark.parametrize(
    ("mtu", "family", "announced", "with_timestamps"),
    [
        (1500, 4, 1460, 1448),  # both printed in RFC 8238 s7.3
        (1500, 6, 1440, 1428),
        (9000, 4, 8960, 8948),
        (9000, 6, 8940, 8928),
    ],
)
def test_an_end_announces_its_mtu_less_the_headers_and_sends_less_by_its_options(
    mtu: int, family: int, announced: int, with_timestamps: int
) -> None:
    """RFC 6691: MTU - 40 (v4), - 60 (v6), options not subtracted; RFC 7323 App. A: timestamps cost 12 bytes."""
    assert advertised_mss(mtu, family) == announced
    assert segment_payload(mtu, family, timestamps=False) == announced
    assert segment_payload(mtu, family) == with_timestamps


@pytest.mark.parametrize(("ip_header", "tcp_header", "mss"), [(20, 20, 536), (60, 20, 496), (60, 60, 456)])
def test_options_of_both_headers_come_out_of_the_segment(ip_header: int, tcp_header: int, mss: int) -> None:
    """RFC 879: a 576-byte packet carries 536 with the least headers, 496 and 456 with full ones."""
    assert effective_send_mss(536, 576 - 20, tcp_header_bytes=tcp_header, ip_options_bytes=ip_header - 20) == mss


def test_the_smaller_of_the_peers_word_and_the_own_path_decides() -> None:
    """RFC 9293 s3.7.1."""
    assert effective_send_mss(1460, 8980) == 1460
    assert effective_send_mss(8960, 1480) == 1460


def test_a_limit_on_the_segment_takes_the_options_out_of_itself() -> None:
    assert segment_payload(9000, 4, segment_limit_bytes=1460) == 1448
    assert segment_payload(1500, 4, segment_limit_bytes=8960) == 1448


@pytest.mark.parametrize("mtu", range(68, 96))
def test_below_an_mtu_of_88_the_sending_kernels_own_min_counts_and_leaves_in_fragments(mtu: int) -> None:
    """net.ipv4.tcp_min_snd_mss is 48 (ip-sysctl.rst); seen: 36 bytes with timestamps at an MTU of 68, 38 at 90."""
    assert segment_payload(mtu, 4) == max(mtu - 52, 36)
    assert segment_payload(mtu, 4, timestamps=False) == max(mtu - 40, 48)
    packets = packets_of_segment(segment_payload(mtu, 4), mtu, 4)
    assert max(packets) <= mtu
    assert sum(packet - 20 for packet in packets) == 32 + segment_payload(mtu, 4)  # RFC 791: each with its own header
    assert len(packets) == (2 if mtu < 88 else 1)


@pytest.mark.parametrize(("mtu", "v4", "v6"), [(1500, 1472, 1452), (9000, 8972, 8952), (1280, 1252, 1232)])
def test_the_largest_datagram_of_an_mtu(mtu: int, v4: int, v6: int) -> None:
    """RFC 768: the header has 8 bytes; so MTU - 28 over IPv4 and MTU - 48 over IPv6."""
    assert (datagram_payload(mtu, 4), datagram_payload(mtu, 6)) == (v4, v6)
    assert packet_of_datagram(v4, 4) == packet_of_datagram(v6, 6) == mtu


def test_defaults_and_limits_of_the_standards() -> None:
    assert (default_mss(4), default_mss(6)) == (536, 1220)  # RFC 9293 s3.7.1
    assert (min_mtu_bytes(4), min_mtu_bytes(6)) == (68, 1280)  # RFC 791, RFC 8200 s5
    assert largest_window_bytes() == 1_073_725_440 < 2**30  # RFC 7323 s2.3
    assert largest_window_bytes(0) == 65535
    assert [selective_acknowledgement_bytes(n) for n in (1, 3, 4)] == [10, 26, 34]  # RFC 2018


def test_what_is_no_size_is_refused() -> None:
    with pytest.raises(ValueError, match="no room"):
        segment_payload(40, 4)
    with pytest.raises(ValueError, match="no room"):
        datagram_payload(28, 4)
    with pytest.raises(ValueError, match="no IP family"):
        ip_header_bytes(5)
    with pytest.raises(ValueError, match="window scale"):
        largest_window_bytes(15)
    with pytest.raises(ValueError, match="blocks"):
        selective_acknowledgement_bytes(5)


@pytest.mark.parametrize("size", [1472, 1473, 2952, 2953, 8972, 65507])
def test_fragments_of_a_datagram_are_those_that_scapy_makes(size: int) -> None:
    inet, inet6 = pytest.importorskip("scapy.layers.inet"), pytest.importorskip("scapy.layers.inet6")
    datagram = inet.UDP(sport=1, dport=2) / (b"x" * size)
    cut = [len(bytes(each)) for each in inet.fragment(inet.IP(dst="198.18.0.1") / datagram, fragsize=1480)]
    assert packets_of_datagram(size, 1500, 4) == cut
    whole = inet6.IPv6(dst="2001:2::1") / inet6.IPv6ExtHdrFragment() / datagram
    cut = [len(bytes(each)) for each in inet6.fragment6(whole, 1500)]
    expected = packets_of_datagram(size, 1500, 6)
    assert expected == cut if size + 48 > 1500 else expected == [size + 48]

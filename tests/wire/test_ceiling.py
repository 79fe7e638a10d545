"""Goodput ceilings against RFC 6349 s4.1.1 and against packets built by scapy."""

from __future__ import annotations

import pytest

from orchestrator.wire import (
    acknowledgement_share,
    both_ways_ceiling,
    frame_bytes,
    frame_rate_floor,
    frames_to_payload_rate,
    goodput_ceiling,
    ip_layer_ceiling,
    share_to_payload_rate,
    wire_bytes,
    wire_occupancy,
)

# Check values 4.3: MTU, family, transport, timestamps, payload, per cent of the line rate. Computed there from the
# formula of RFC 6349 s4.1.1; the frame lengths are checked below by building each packet.
CEILINGS = [
    (1500, 4, "udp", False, 1472, 95.708713),
    (1500, 4, "tcp", False, 1460, 94.928479),
    (1500, 4, "tcp", True, 1448, 94.148244),
    (1500, 6, "udp", False, 1452, 94.408322),
    (1500, 6, "tcp", False, 1440, 93.628088),
    (1500, 6, "tcp", True, 1428, 92.847854),
    (9000, 4, "udp", False, 8972, 99.269750),
    (9000, 4, "tcp", False, 8960, 99.136977),
    (9000, 4, "tcp", True, 8948, 99.004204),
    (9000, 6, "udp", False, 8952, 99.048462),
    (9000, 6, "tcp", False, 8940, 98.915689),
    (9000, 6, "tcp", True, 8928, 98.782917),
]


@pytest.mark.parametrize("row", CEILINGS, ids=str)
def test_goodput_ceilings(row: tuple[int, int, str, bool, int, float]) -> None:
    mtu, family, transport, timestamps, payload, per_cent = row
    for rate in (1e8, 1e9, 2.5e9, 5e9, 1e10):
        ceiling = goodput_ceiling(rate, mtu, family, transport, timestamps=timestamps)
        assert ceiling / rate * 100 == pytest.approx(per_cent, abs=5e-7)
        assert ceiling == pytest.approx(rate * payload / (mtu + 38), rel=1e-12)


@pytest.mark.parametrize("row", CEILINGS, ids=str)
def test_the_packet_of_each_ceiling_built_byte_for_byte(row: tuple[int, int, str, bool, int, float]) -> None:
    """Headers built by scapy, not by us; the frame must come out at MTU + 14 (+ 4 check sequence)."""
    from scapy.layers.inet import IP, TCP, UDP
    from scapy.layers.inet6 import IPv6
    from scapy.layers.l2 import Dot1Q, Ether

    mtu, family, transport, timestamps, payload, _ = row
    network = IP() if family == 4 else IPv6()
    options = [("NOP", None), ("NOP", None), ("Timestamp", (1, 2))] if timestamps else []
    header = TCP(options=options) if transport == "tcp" else UDP()
    packet = network / header / (b"x" * payload)
    assert len(bytes(packet)) == mtu
    assert len(bytes(Ether() / packet)) + 4 == frame_bytes(mtu) == wire_bytes(mtu) - 20
    assert len(bytes(Ether() / Dot1Q(vlan=7) / packet)) + 4 == frame_bytes(mtu, vlan=True)


@pytest.mark.parametrize(("rate", "printed_mbit_s", "places"), [(1e8, 94.9, 1), (1e9, 949.2, 1), (1e10, 9492.0, 0)])
def test_the_highest_tcp_rates_of_rfc_6349(rate: float, printed_mbit_s: float, places: int) -> None:
    """RFC 6349 s4.1.1: (MTU - 40) * 8 * frames/s, frames floored, printed results cut."""
    from_frames = frames_to_payload_rate(frame_rate_floor(rate, 1518), 1460)
    assert from_frames / 1e6 == pytest.approx(printed_mbit_s, abs=10**-places)
    assert goodput_ceiling(rate, 1500, timestamps=False) == pytest.approx(from_frames, rel=1e-4)


def test_the_t3_rate_of_rfc_6349() -> None:
    """RFC 6349 s4.1.1: 44.21 Mb/s, 1508 bytes a packet on the line, 3664 frames/s, 42.8 Mb/s printed."""
    frames = frame_rate_floor(44.21e6, 1508, around_bits=0)
    assert frames == 3664
    assert frames_to_payload_rate(frames, 1460) / 1e6 == pytest.approx(42.8, abs=0.1)


def test_common_practice_figures_lie_at_the_ceilings() -> None:
    """Common practice, no source: about 940 Mb/s on gigabit; 2.35 and 2.48 Gb/s on 2.5 Gb/s at 1500 and 9000."""
    assert goodput_ceiling(1e9, 1500) / 1e6 == pytest.approx(940, abs=5)
    assert goodput_ceiling(2.5e9, 1500) / 1e9 == pytest.approx(2.35, abs=0.01)
    assert goodput_ceiling(2.5e9, 9000) / 1e9 == pytest.approx(2.48, abs=0.01)


def test_a_tag_takes_four_bytes_of_every_frame() -> None:
    """Computed in check values 4.3: 93.904021 % and 98.960407 % with a VLAN tag."""
    assert goodput_ceiling(100.0, 1500, vlan=True) == pytest.approx(93.904021, abs=5e-7)
    assert goodput_ceiling(100.0, 9000, vlan=True) == pytest.approx(98.960407, abs=5e-7)


def test_the_ip_layer_counts_its_headers() -> None:
    """RFC 9097 sense; computed in check values 3.1 and 4.3."""
    assert ip_layer_ceiling(100.0, 1500) == pytest.approx(97.529259, abs=5e-7)
    assert ip_layer_ceiling(100.0, 9000) == pytest.approx(99.579553, abs=5e-7)
    assert ip_layer_ceiling(1e9, 1500) == pytest.approx(975.29e6, abs=0.01e6)


def test_short_payloads_cost_as_much_line_time_as_the_min_frame() -> None:
    """Check values 4.3: 18 bytes fill the least frame: 214.286 Mb/s at 1 Gb/s; less carries proportionally less."""
    assert goodput_ceiling(1e9, 1500, 4, "udp", payload=18) / 1e6 == pytest.approx(214.286, abs=5e-4)
    assert goodput_ceiling(1e9, 1500, 4, "udp", payload=9) * 2 == goodput_ceiling(1e9, 1500, 4, "udp", payload=18)
    assert goodput_ceiling(1e9, 1500, 4, "udp", payload=19) < goodput_ceiling(1e9, 1500, 4, "udp", payload=18) * 19 / 18


def test_ninety_per_cent_of_the_link_is_ninety_per_cent_of_its_frame_rate() -> None:
    """RFC 2544 s26.3 counts frames: 10,000 Mb/s, 64-byte frames, 14,880,952.38 frames/s."""
    offered = share_to_payload_rate(0.9, 1e10, 1500, payload=18)
    assert offered / 8 / 18 == pytest.approx(0.9 * 1e10 / 672, rel=1e-12)
    assert share_to_payload_rate(1, 1e9, 9000, 6) == goodput_ceiling(1e9, 9000, 6, "udp")


def test_acknowledgements_alone_take_three_per_cent_at_1500() -> None:
    """Seen on a symmetric 100 Mb/s lab link: 2.9 % at MTU 1500. A bare one is 52 bytes of packet, 90 on the line."""
    assert acknowledgement_share(1500) == pytest.approx(90 / 2 / 1538, rel=1e-12)
    assert acknowledgement_share(1500) == pytest.approx(0.029, abs=5e-4)
    assert acknowledgement_share(9000) == pytest.approx(45 / 9038, rel=1e-12)


def test_a_line_filled_both_ways_is_exactly_full() -> None:
    each = both_ways_ceiling(1e8, 1500)
    assert each < goodput_ceiling(1e8, 1500)
    assert wire_occupancy(each, 1e8, 1500, opposite_goodput_bit_s=each) == pytest.approx(1, rel=1e-12)
    assert both_ways_ceiling(1e8, 1500, transport="udp") == goodput_ceiling(1e8, 1500, transport="udp")


def test_occupancy_of_datagrams_ignores_the_other_direction() -> None:
    ceiling = goodput_ceiling(1e9, 1500, 4, "udp")
    assert wire_occupancy(ceiling / 2, 1e9, 1500, 4, "udp", opposite_goodput_bit_s=ceiling) == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("family", "size", "occupied"),
    [
        (4, 4000, 2 * 1538 + (4008 - 2 * 1480 + 20 + 38)),
        (6, 4000, 2 * (1448 + 48 + 38) + (4008 - 2 * 1448 + 48 + 38)),
        (4, 1473, 1538 + 84),
    ],
)  # what does not fit is one octet, and costs a least frame
def test_a_share_of_the_line_counts_the_fragments_of_a_datagram_that_the_mtu_cuts(family, size, occupied) -> None:
    assert share_to_payload_rate(0.5, 1e9, 1500, family, payload=size) == pytest.approx(0.5e9 * size / occupied)


def test_what_cannot_be_sent_in_one_packet_is_refused() -> None:
    with pytest.raises(ValueError, match="1 to 1448"):
        goodput_ceiling(1e9, 1500, payload=1449)
    with pytest.raises(ValueError, match="1 to 65507"):
        goodput_ceiling(1e9, 1500, 4, "udp", payload=65508)
    with pytest.raises(ValueError, match="0 bytes"):
        goodput_ceiling(1e9, 1500, payload=0)
    with pytest.raises(ValueError, match="no transport"):
        goodput_ceiling(1e9, 1500, transport="sctp")
    with pytest.raises(ValueError, match="above 0"):
        share_to_payload_rate(0, 1e9, 1500)

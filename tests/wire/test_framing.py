"""Frame sizes and frame rates against RFC 2544 App. B, RFC 5180 App. A, RFC 8238 s5.3."""

from __future__ import annotations

import pytest

from orchestrator.wire import frame_bytes, frame_rate, frame_rate_floor, legal_frame_rates, wire_bytes
from orchestrator.wire.framing import PREAMBLE_BYTES

# RFC 2544 App. B: frame size, Ethernet 10 Mb/s, token ring 16 Mb/s, FDDI 100 Mb/s
APPENDIX_B = [
    (64, 14880, 24691, 152439),
    (128, 8445, 13793, 85616),
    (256, 4528, 7326, 45620),
    (512, 2349, 3780, 23585),
    (768, 1586, 2547, 15903),
    (1024, 1197, 1921, 11996),
    (1280, 961, 1542, 9630),
    (1518, 812, 1302, 8138),
]
# RFC 5180 App. A.1 without the three cells that differ from the table's own formula (4096 B at 1 and 10 Gb/s,
# 9216 B at 1 Gb/s: misprints)
APPENDIX_A1 = [
    (64, 14880, 148809, 1488095, 14880952),
    (128, 8445, 84459, 844594, 8445945),
    (256, 4528, 45289, 452898, 4528985),
    (512, 2349, 23496, 234962, 2349624),
    (1024, 1197, 11973, 119731, 1197318),
    (1280, 961, 9615, 96153, 961538),
    (1518, 812, 8127, 81274, 812743),
    (1522, 810, 8106, 81063, 810635),
    (2048, 604, 6044, 60444, 604448),
    (4096, 303, 3036, None, None),
    (8192, 152, 1522, 15221, 152216),
    (9216, 135, 1353, None, 135339),
]


@pytest.mark.parametrize(("size", "ethernet", "token_ring", "fddi"), APPENDIX_B)
def test_frame_rates_are_those_of_rfc_2544_appendix_b(size: int, ethernet: int, token_ring: int, fddi: int) -> None:
    assert frame_rate_floor(10_000_000, size) == ethernet
    assert frame_rate_floor(16_000_000, size, around_bits=136) == token_ring
    printed_rounded_up = size == 512  # the one cell of the table that is not rounded down: exact 23584.9
    assert frame_rate_floor(100_000_000, size, around_bits=144) + printed_rounded_up == fddi


@pytest.mark.parametrize("row", APPENDIX_A1, ids=lambda row: str(row[0]))
def test_frame_rates_are_those_of_rfc_5180_appendix_a1(row: tuple[int, ...]) -> None:
    size, *printed = row
    for rate, frames in zip((10**7, 10**8, 10**9, 10**10), printed, strict=True):
        if frames is not None:
            assert frame_rate_floor(rate, size) == frames


@pytest.mark.parametrize(
    ("payload_rate", "size", "frames"),
    [
        ("OC-3c", 47, 390_000),
        ("OC-3c", 64, 288_000),
        ("OC-3c", 128, 145_116),
        ("OC-3c", 1024, 18_263),
        ("OC-192c", 64, 18_432_000),
    ],
)
def test_another_medium_is_only_another_overhead(payload_rate: str, size: int, frames: int) -> None:
    """RFC 5180 App. A.2, packet over SONET: (87N - N/3) * 9 * 8 * 8000 bit/s, one byte around each frame."""
    n = int(payload_rate[3:-1])
    rate = (87 * n - n // 3) * 9 * 8 * 8000
    assert frame_rate_floor(rate, size, around_bits=8) == frames


def test_a_clock_within_tolerance_moves_the_frame_rate_by_100_ppm() -> None:
    """RFC 8238 s5.3: 64 B at 1 Gb/s, 1,488,095.2 frames/s, legal 1,487,946.4 to 1,488,244, 1.488 per ppm."""
    low, high = legal_frame_rates(1e9, 64)
    assert frame_rate(1e9, 64) == pytest.approx(1_488_095.2, abs=0.05)
    assert low == pytest.approx(1_487_946.4, abs=0.05)
    assert high == pytest.approx(1_488_244, abs=0.05)
    assert (high - low) / 200 == pytest.approx(1.488, abs=0.001)


def test_frame_rates_of_full_packets() -> None:
    """Computed in check values 4.3 from the formula of RFC 5180 App. A.1."""
    assert frame_rate(1e9, frame_bytes(1500)) == pytest.approx(81_274.38, abs=0.005)
    assert frame_rate(1e9, frame_bytes(9000)) == pytest.approx(13_830.49, abs=0.005)


def test_a_full_packet_occupies_the_line_for_its_mtu_and_38_bytes() -> None:
    """RFC 6349 s4.1.1: 1538 = 1500 + 14 header + 4 check + 12 gap + 7 preamble + 1 delimiter; a tag adds 4."""
    assert wire_bytes(1500) == 1538
    assert wire_bytes(9000) == 9038
    assert wire_bytes(1500, vlan=True) == 1542
    assert frame_bytes(1500) == 1518  # RFC 2544 s9.1
    assert frame_bytes(1500, vlan=True) == 1522  # RFC 5180 App. A.1


def test_frames_of_rfc_8238_count_the_preamble_but_not_the_gap() -> None:
    """RFC 8238 s7.3: 1460/1526 of 10 Gbit/s is 9.567 Gbit/s."""
    counted = frame_bytes(1500) + PREAMBLE_BYTES
    assert counted == 1526
    assert 10 * 1460 / counted == pytest.approx(9.567, abs=0.0005)


@pytest.mark.parametrize("packet", range(47))
def test_a_small_packet_is_padded_to_the_min_frame(packet: int) -> None:
    """RFC 894: at least 46 bytes of data; RFC 2544 s9.1: the least frame is 64 bytes."""
    assert frame_bytes(packet) == 64
    assert wire_bytes(packet) == 84


def test_the_first_byte_beyond_the_padding_makes_the_frame_longer() -> None:
    assert frame_bytes(47) == 65
    assert frame_bytes(42, vlan=True) == 64
    assert frame_bytes(43, vlan=True) == 65


@pytest.mark.parametrize(("rate", "size"), [(0, 64), (-1, 64), (1e9, 0)])
def test_no_rate_and_no_frame_have_no_frame_rate(rate: float, size: int) -> None:
    with pytest.raises(ValueError, match="no frame rate"):
        frame_rate(rate, size)


def test_a_packet_of_negative_size_is_refused() -> None:
    with pytest.raises(ValueError, match="-1 bytes"):
        frame_bytes(-1)

"""Bus rates against the kernel's constants (drivers/pci/pci.h, Linux 6.1) and a chip vendor's AN 456."""

from __future__ import annotations

import pytest

from orchestrator.wire import pcie_lane_mbit_s, pcie_link_bit_s, pcie_payload_bit_s, pcie_transfer_rate, usb_data_bit_s
from orchestrator.wire.bus import largest_payload_bytes, packet_efficiency

# Linux 6.1 drivers/pci/pci.h, PCIE_SPEED2MBS_ENC: GT/s, Mb/s per lane
LANES = [(2.5, 2000), (5.0, 4000), (8.0, 7876), (16.0, 15753), (32.0, 31507), (64.0, 64000)]


@pytest.mark.parametrize(("transfers", "lane"), LANES)
def test_lanes_carry_what_the_kernel_computes(transfers: float, lane: int) -> None:
    assert pcie_lane_mbit_s(transfers) == lane
    assert [pcie_link_bit_s(transfers, width) // 1_000_000 for width in (1, 2, 4, 8, 16)] == [
        lane,
        2 * lane,
        4 * lane,
        8 * lane,
        16 * lane,
    ]


@pytest.mark.parametrize(
    ("transfers", "width", "gbit_s"),
    [
        (8.0, 4, 31.504),
        (8.0, 16, 126.016),
        (16.0, 8, 126.024),
        (32.0, 16, 504.112),
        (64.0, 16, 1024.0),
    ],
)
def test_widths_multiply_the_lane_after_its_rounding(transfers: float, width: int, gbit_s: float) -> None:
    assert pcie_link_bit_s(transfers, width) == round(gbit_s * 1e9)


@pytest.mark.parametrize(
    ("payload", "with_20", "with_24", "with_28"),
    [
        (128, 0.8649, 0.8421, 0.8205),
        (256, 0.9275, 0.9143, 0.9014),
        (512, 0.9624, 0.9552, 0.9481),
    ],
)
def test_packet_headers_leave_this_share(payload: int, with_20: float, with_24: float, with_28: float) -> None:
    """AN 456: payload/(payload + overhead), overhead 20 to 28 bytes; it prints 256/276 = 92 %."""
    shares = [packet_efficiency(payload, overhead) for overhead in (20, 24, 28)]
    assert shares == [pytest.approx(printed, abs=5e-5) for printed in (with_20, with_24, with_28)]


@pytest.mark.parametrize(
    ("transfers", "width", "payload", "gbit_s"),
    [
        (2.5, 1, 128, 1.730),
        (5.0, 1, 128, 3.459),
        (5.0, 4, 128, 13.838),
        (8.0, 4, 128, 27.250),
        (8.0, 8, 128, 54.500),
        (2.5, 1, 256, 1.855),
        (5.0, 1, 256, 3.710),
        (5.0, 4, 256, 14.841),
        (8.0, 4, 256, 29.225),
        (8.0, 8, 256, 58.449),
    ],
)
def test_payload_ceilings_of_a_link(transfers: float, width: int, payload: int, gbit_s: float) -> None:
    """Computed in check values 6.2 from AN 456's formula and the exact coding rate."""
    assert pcie_payload_bit_s(transfers, width, payload) / 1e9 == pytest.approx(gbit_s, abs=6e-4)


@pytest.mark.parametrize(
    ("text", "transfers"),
    [
        ("8.0 GT/s PCIe", 8.0),
        ("2.5 GT/s PCIe\n", 2.5),
        ("5.0 GT/s PCIe", 5.0),
        ("64.0 GT/s PCIe", 64.0),
        ("8 GT/s", 8.0),
    ],
)
def test_speeds_are_read_as_sysfs_prints_them(text: str, transfers: float) -> None:
    assert pcie_transfer_rate(text) == transfers


@pytest.mark.parametrize("text", ["Unknown", "Unknown speed", "", "3.0 GT/s PCIe", "nan GT/s"])
def test_a_speed_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="not a PCI Express speed"):
        pcie_transfer_rate(text)


def test_the_payload_code_of_device_control() -> None:
    """Linux 6.1 and AN 456: bits 7:5, codes 0 to 5 are 128 to 4096 bytes."""
    assert [largest_payload_bytes(code << 5 | 0b11111) for code in range(6)] == [128, 256, 512, 1024, 2048, 4096]
    with pytest.raises(ValueError, match="reserved"):
        largest_payload_bytes(6 << 5)


def test_usb_carries_its_signalling_rate_less_the_line_code() -> None:
    """480 and 5000 Mb/s are the rates sysfs prints; 8b/10b at 5 Gb/s is from memory of the standard."""
    assert usb_data_bit_s(480) == 480e6
    assert usb_data_bit_s(5000) == 4000e6
    with pytest.raises(ValueError, match="no USB generation"):
        usb_data_bit_s(1234)


def test_no_lanes_and_no_generation_are_refused() -> None:
    with pytest.raises(ValueError, match="lanes"):
        pcie_link_bit_s(8.0, 0)
    with pytest.raises(ValueError, match="generation"):
        pcie_lane_mbit_s(3.0)
    with pytest.raises(ValueError, match="no efficiency"):
        packet_efficiency(0)

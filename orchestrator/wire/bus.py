"""What the bus between a card and its machine can carry.

PCI Express: the kernel's own arithmetic (drivers/pci/pci.h, PCIE_SPEED2MBS_ENC: integer division for one lane,
then times the width), and the share that packet headers leave. USB: the rates of its line codes.
"""

from __future__ import annotations

from typing import Dict, Tuple

# transfers per second in GT/s -> (payload bits, coded bits) of the line code
_PCIE_CODING: Dict[float, Tuple[int, int]] = {
    2.5: (8, 10),
    5.0: (8, 10),
    8.0: (128, 130),
    16.0: (128, 130),
    32.0: (128, 130),
    64.0: (1, 1),
}
# Framing, sequence number, a three-dword header and link check: the least a data packet costs. Longer headers and
# an end-to-end check make it 24 or 28, link-layer packets take more; so what is computed with 20 is an upper bound.
PACKET_OVERHEAD_BYTES = 20
# signalling rate in Mb/s as sysfs `speed` prints it -> (payload bits, coded bits); codes from memory of the standard
_USB_CODING: Dict[int, Tuple[int, int]] = {
    12: (1, 1),
    480: (1, 1),
    5000: (8, 10),
    10000: (128, 132),
    20000: (128, 132),
}


def pcie_transfer_rate(text: str) -> float:
    """GT/s out of sysfs `current_link_speed` ("8.0 GT/s PCIe"); ValueError when it is `Unknown` or not known here."""
    head = text.strip().split(" ")[0]
    try:
        transfers = float(head)
    except ValueError:
        raise ValueError(f"not a PCI Express speed: {text!r}") from None
    if transfers not in _PCIE_CODING:
        raise ValueError(f"not a PCI Express speed: {text!r}")
    return transfers


def pcie_lane_mbit_s(transfers_gt_s: float) -> int:
    """Mb/s of one lane and direction after line coding, in the kernel's whole numbers."""
    if transfers_gt_s not in _PCIE_CODING:
        raise ValueError(f"no PCI Express generation has {transfers_gt_s} GT/s")
    payload, coded = _PCIE_CODING[transfers_gt_s]
    return int(transfers_gt_s * 1000) * payload // coded


def pcie_link_bit_s(transfers_gt_s: float, width: int) -> int:
    """bit/s of a link of `width` lanes in one direction, as the kernel reports it."""
    if width < 1:
        raise ValueError(f"a PCI Express link has 1 or more lanes, not {width}")
    return pcie_lane_mbit_s(transfers_gt_s) * width * 1_000_000


def pcie_payload_bit_s(
    transfers_gt_s: float, width: int, largest_payload_bytes: int, *, overhead_bytes: int = PACKET_OVERHEAD_BYTES
) -> float:
    """bit/s that packet headers leave on a link, for the negotiated payload size (128 to 4096 bytes)."""
    return _exact_link_bit_s(transfers_gt_s, width) * packet_efficiency(largest_payload_bytes, overhead_bytes)


def packet_efficiency(payload_bytes: int, overhead_bytes: int = PACKET_OVERHEAD_BYTES) -> float:
    """The share of a link's bytes that is payload: payload / (payload + overhead)."""
    if payload_bytes <= 0 or overhead_bytes < 0:
        raise ValueError(f"no efficiency for {payload_bytes} bytes of payload and {overhead_bytes} of overhead")
    return payload_bytes / (payload_bytes + overhead_bytes)


def largest_payload_bytes(device_control: int) -> int:
    """The payload size that a device's Device Control register allows (bits 7:5)."""
    code = (device_control >> 5) & 0b111
    if code > 5:
        raise ValueError(f"payload code {code} is reserved")
    return 128 << code


def usb_data_bit_s(speed_mbit_s: int) -> float:
    """bit/s after line coding for a USB signalling rate in Mb/s (sysfs `speed`); protocol overhead takes more."""
    if speed_mbit_s not in _USB_CODING:
        raise ValueError(f"no USB generation signals at {speed_mbit_s} Mb/s")
    payload, coded = _USB_CODING[speed_mbit_s]
    return speed_mbit_s * 1e6 * payload / coded


def _exact_link_bit_s(transfers_gt_s: float, width: int) -> float:
    pcie_link_bit_s(transfers_gt_s, width)  # refuses what is no link
    payload, coded = _PCIE_CODING[transfers_gt_s]
    return transfers_gt_s * 1e9 * payload / coded * width

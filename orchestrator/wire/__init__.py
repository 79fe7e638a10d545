"""Frames, segments, ceilings and bus rates. Pure, standard library; ships to the hosts."""

from __future__ import annotations

from orchestrator.wire.bus import (
    pcie_lane_mbit_s,
    pcie_link_bit_s,
    pcie_payload_bit_s,
    pcie_transfer_rate,
    usb_data_bit_s,
)
from orchestrator.wire.ceiling import (
    acknowledgement_share,
    both_ways_ceiling,
    frames_to_payload_rate,
    goodput_ceiling,
    ip_layer_ceiling,
    share_to_payload_rate,
    wire_occupancy,
)
from orchestrator.wire.framing import frame_bytes, frame_rate, frame_rate_floor, legal_frame_rates, wire_bytes
from orchestrator.wire.segments import (
    advertised_mss,
    datagram_payload,
    effective_send_mss,
    ip_header_bytes,
    packet_of_datagram,
    segment_payload,
)

__all__ = [
    "acknowledgement_share",
    "advertised_mss",
    "both_ways_ceiling",
    "datagram_payload",
    "effective_send_mss",
    "frame_bytes",
    "frame_rate",
    "frame_rate_floor",
    "frames_to_payload_rate",
    "goodput_ceiling",
    "ip_header_bytes",
    "ip_layer_ceiling",
    "legal_frame_rates",
    "packet_of_datagram",
    "pcie_lane_mbit_s",
    "pcie_link_bit_s",
    "pcie_payload_bit_s",
    "pcie_transfer_rate",
    "segment_payload",
    "share_to_payload_rate",
    "usb_data_bit_s",
    "wire_bytes",
    "wire_occupancy",
]

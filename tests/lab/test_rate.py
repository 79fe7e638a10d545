"""The measured link carries what its rate says, counted on the wire."""

from __future__ import annotations

import pytest

from orchestrator.lab.lab import Lab
from tests.lab.crossing import goodput_bit_s, set_mtu_of_both

pytestmark = pytest.mark.alone

# Per frame: Ethernet 38 bytes (IEEE 802.3: preamble 8, header 14, check 4, gap 12), IPv4 20 (RFC 791), TCP 20
# (RFC 9293) and its timestamps 12 (RFC 7323).
_FRAME_BYTES, _HEADER_BYTES = 38, 52


@pytest.mark.lab
@pytest.mark.parametrize("mtu", [1500, 9000])
def test_tcp_over_the_shaped_port_reads_the_arithmetic_of_the_wire(lab: Lab, mtu: int) -> None:
    rate = 100_000_000
    lab.switch.set_rate(rate)
    set_mtu_of_both(lab, mtu)
    expected = rate * (mtu - _HEADER_BYTES) / (mtu + _FRAME_BYTES)
    # a busy machine can only slow a shaper down, so the best of a few says what the shaper does
    runs = [goodput_bit_s(lab) for _ in range(4)]
    best = max(goodput for goodput, _ in runs)
    assert best == pytest.approx(expected, rel=0.005)
    assert min(again for _, again in runs) == 0, "the lab lost or reordered frames by itself"


@pytest.mark.lab
def test_a_rate_can_be_changed_and_lifted_while_the_lab_stands(lab: Lab) -> None:
    lab.switch.set_rate(50_000_000)
    slow, _ = goodput_bit_s(lab, 0.5)
    lab.switch.set_rate(None)
    free, _ = goodput_bit_s(lab, 0.5)
    assert slow < 50_000_000 < free

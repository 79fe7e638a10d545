"""A link of a known rate: goodput is what the wire's own arithmetic leaves of it, in every direction and framing.

The switch's ports are shaped with what Ethernet adds to a frame counted (stab overhead 24: check sequence 4, preamble
8, gap 12; the kernel counts the 14 of the header itself), so payload / (MTU + 38) of the rate is what can arrive.
"""

from __future__ import annotations

import statistics
from typing import Any

import pytest

from orchestrator.decide.verdict.judge import Verdict
from orchestrator.results.causes.from_columns import cell_cause
from orchestrator.results.rows import trial_rows
from orchestrator.wire import goodput_ceiling
from tests.onhost.traffic.two_ends import arguments, flow, part, run_pair
from tests.onhost.traffic.wire_lab import ends, enter, in_own_namespace, join_by_switch, shape

pytestmark = [pytest.mark.lab, pytest.mark.alone]


CPU = ("sender_process", "receiver_process", "sender_softirq", "receiver_softirq", "sender_quota", "receiver_quota")


def trials(
    rate_bit_s: int, mtu: int, family: int, transport: str, way: str, *, repeats: int, length_s: float
) -> list[dict[str, Any]]:
    """The rows of several trials over one shaped link, as the tables have them."""
    more = {"congestion": "reno", "socket_buffer_bytes": 1_000_000} if transport == "tcp" else {}
    asked = flow(way, transport, **more)

    def body() -> list[Any]:
        join_by_switch(mtu)
        # a queue of a quarter of a second at 100 Mb/s: the port stays busy however long a loaded machine looks away
        shape(rate_bit_s, limit_bytes=3_000_000)
        # TCP's window stays below that queue: it is neither overrun nor ever empty
        args = [arguments([asked], **ends(family, mtu=mtu, rate_bit_s=float(rate_bit_s))) for _ in range(repeats)]
        return [
            run_pair(each, length_s=length_s, warmup_s=0.3, dial_in=enter("near"), serve_in=enter("far"))
            for each in args
        ]

    facts = {
        "rate_bit_s": float(rate_bit_s),
        "family": family,
        "mtu": mtu,
        "first": {"host": "near", "interface": "eth1"},
        "second": {"host": "far", "interface": "eth1"},
    }
    records = [
        {"traffic": {**asked, "direction": way}, "levels": {}, "link_facts": facts, "first": dialled, "second": served}
        for dialled, served in in_own_namespace(body)
    ]
    return [row for record in records for row in trial_rows(record, Verdict("valid"), {})]


def fills(rate_bit_s: int, mtu: int, family: int, transport: str, way: str) -> list[float]:
    """Goodput / ceiling of five short trials."""
    ceiling = goodput_ceiling(rate_bit_s, mtu, family, transport)
    found = trials(rate_bit_s, mtu, family, transport, way, repeats=5, length_s=0.5)
    return [row["goodput_bit_s"] / ceiling for row in found]


@pytest.mark.parametrize(
    ("mtu", "family", "transport", "way"),
    [
        (1500, 4, "tcp", "transmit"),
        (1500, 6, "tcp", "receive"),
        (1500, 4, "udp", "receive"),
        (9000, 6, "udp", "transmit"),
    ],
)
def test_a_hundred_megabit_link_is_filled_to_half_a_per_cent(mtu: int, family: int, transport: str, way: str) -> None:
    found = fills(100_000_000, mtu, family, transport, way)
    assert statistics.median(found) == pytest.approx(1.0, abs=0.005), found


@pytest.mark.proof
@pytest.mark.timeout(900)
@pytest.mark.parametrize("rate_bit_s", [100_000_000, 1_000_000_000, 2_500_000_000])
@pytest.mark.parametrize("mtu", [1500, 9000])
@pytest.mark.parametrize("family", [4, 6])
@pytest.mark.parametrize("transport", ["tcp", "udp"])
def test_every_rate_frame_and_family_is_filled_to_half_a_per_cent(
    rate_bit_s: int, mtu: int, family: int, transport: str
) -> None:
    """Where this machine does not reach the rate, the row says that a processor was the limit."""
    found = trials(rate_bit_s, mtu, family, transport, "transmit", repeats=7, length_s=2.0)
    ceiling = goodput_ceiling(rate_bit_s, mtu, family, transport)
    middle, cause = statistics.median(row["goodput_bit_s"] for row in found) / ceiling, cell_cause(found)
    print(f"{rate_bit_s / 1e9:g} Gb/s, MTU {mtu}, IPv{family}, {transport}: {middle:.4f} of the ceiling; {cause.code}")
    if cause.code in CPU:
        assert middle < 0.995
    else:
        assert middle == pytest.approx(1.0, abs=0.005), (found, cause)


def test_both_ways_at_once_over_udp_are_each_as_full_as_alone() -> None:
    """RFC 2544 section 14; TCP both ways would be less, as acknowledgements queue behind data."""

    def body() -> list[Any]:
        join_by_switch()
        shape(100_000_000)
        asked = 0.95 * goodput_ceiling(100e6, 1500, 4, "udp")
        args = arguments(
            [flow(way, "udp", intended_load_bit_s=asked) for way in ("transmit", "receive")], **ends(rate_bit_s=100e6)
        )
        return [
            run_pair(
                args | {"token": f"{number:064x}"},
                length_s=0.4,
                warmup_s=0.2,
                dial_in=enter("near"),
                serve_in=enter("far"),
            )
            for number in range(16, 19)
        ]

    for dialled, served in in_own_namespace(body):
        for result, sending, way in ((served, dialled, "transmit"), (dialled, served, "receive")):
            received, sent = part(result, "receive", way), part(sending, "send", way)
            assert received["datagrams_received"] == sent["datagrams_sent"], "nothing is lost at 95 % in either way"

"""A receiver that is made to wait for its core, 90 ms out of 100: what it reads late still counts where it arrived."""

from __future__ import annotations

import os
from typing import Any

import pytest

from orchestrator.lab.cpu_group import place_for_groups
from orchestrator.wire import goodput_ceiling
from tests.onhost.traffic.late_receiver import throttled
from tests.onhost.traffic.two_ends import arguments, flow, part, run_pair
from tests.onhost.traffic.wire_lab import ends, enter, in_own_namespace, join_by_switch, shape

pytestmark = [pytest.mark.lab, pytest.mark.alone]
BUCKET_BYTES = 32_500  # of the shaper at this rate: what a link that stood still gives back at once


@pytest.mark.parametrize(
    ("share", "traffic"),
    [
        (0.05, {"transport": "tcp", "congestion": "reno"}),
        (0.05, {"transport": "udp", "intended_load_bit_s": 60e6, "send_path": "single", "receive_path": "single"}),
        (0.05, {"transport": "udp", "intended_load_bit_s": 60e6}),
    ],
)
def test_a_throttled_receiver_counts_neither_more_nor_less_than_arrived(share: float, traffic: dict[str, Any]) -> None:
    if place_for_groups() is None:
        pytest.skip("no control groups with a CPU quota here")
    with throttled(share) as (members, folder):

        def slow_down(verb: str, pid: int) -> None:
            if verb == "serve":
                os.write(members, str(pid).encode())

        def body() -> list[Any]:
            join_by_switch()
            shape(100_000_000)
            args = [arguments([flow("transmit", **traffic)], timeout_s=15.0, **ends(rate_bit_s=1e8)) for _ in range(3)]
            return [
                run_pair(
                    each, length_s=0.75, warmup_s=0.3, dial_in=enter("near"), serve_in=enter("far"), born=slow_down
                )
                for each in args
            ]

        results = in_own_namespace(body)
        counts = dict(line.split() for line in (folder / "cpu.stat").read_text().splitlines())
    assert int(counts["nr_throttled"]) > 5, "otherwise nothing has been tried"
    ceiling = goodput_ceiling(1e8, 1500, 4, traffic["transport"])
    for dialled, served in results:
        got, sent = part(served, "receive"), part(dialled, "send")
        goodput_bit_s = 8 * got["goodput_bytes"] / got["window_s"]
        bucket = 8 * BUCKET_BYTES / 1e8 / got["window_s"]
        assert goodput_bit_s <= (1.001 + bucket) * ceiling, "a backlog from before the window is not in it"
        if traffic["transport"] == "udp":
            assert got["datagrams_received"] == sent["datagrams_sent"], "the socket's buffer has held the backlog"
            # 90 ms read into the wrong window would be 12 %; what remains is how long frames were on their way
            assert got["goodput_bytes"] == pytest.approx(sent["window_sent_bytes"], rel=0.04)

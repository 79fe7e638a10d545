"""Receivers made late on purpose: goodput is what the shaper let through in the window, whenever it was read.

A bounded sample of `bash tests/proofs.sh late`; the bounds leave room for a machine that others use meanwhile.
"""

from __future__ import annotations

import pytest

from orchestrator.lab.cpu_group import place_for_groups
from tests.onhost.traffic.late_receiver import KINDS, Case, draw, measure

pytestmark = [pytest.mark.lab, pytest.mark.alone]

# 5 ms of the window, which frames are on their way from the shaper to a busy host's stack
ON_THE_WAY_S = 0.005


def _drawn(kind: str, transport: str, seed: int) -> Case:
    case = draw(seed, kind, length_s=0.4)
    return case._replace(transport=transport, load=0.9 if transport == "udp" else None, own_buffer=False)


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("transport", ["tcp", "udp"])
@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "none"])
def test_goodput_is_what_arrived_in_the_window_however_late_it_is_read(kind: str, transport: str, seed: int) -> None:
    if kind == "quota" and place_for_groups() is None:
        pytest.skip("no control groups with a CPU quota here")
    case = _drawn(kind, transport, seed)
    seen = measure(case)
    assert seen.counted_by == {"tcp": "kernel", "udp": "arrival"}[transport]
    assert "fill_above_one" not in seen.doubts, seen
    assert seen.fill <= 1.003 + ON_THE_WAY_S / case.length_s
    if seen.error is not None:
        allowed = seen.edge_error + 2 * ON_THE_WAY_S / case.length_s
        assert abs(seen.error) <= allowed, "nothing of the 100 ms that it was late is in the wrong window"


def test_the_referee_agrees_with_a_receiver_that_is_left_alone() -> None:
    seen = measure(_drawn("none", "udp", 5))
    assert seen.error == pytest.approx(0, abs=0.01)

"""Jumbo frames on both ends and something smaller between them: impossible, never a zero.

Both ends and everything between must carry jumbo frames or a bulk transfer stalls at zero: common practice, no source.
"""

from __future__ import annotations

import pytest

from tests.spine.bench import Bench, plan_text, trials_of

pytestmark = pytest.mark.lab


@pytest.mark.parametrize("carries", [1500, 4000])
def test_a_switch_port_that_stops_jumbo_frames_makes_the_cell_impossible(bench: Bench, carries: int):
    bench.lab.switch.set_port_mtu("hall", carries)
    done, folder = bench.run(plan_text())
    rows = {row["mtu"]: row for row in trials_of(folder)}
    assert rows["1500"]["status"] == "valid"
    assert rows["9000"]["status"] == "impossible"
    assert rows["9000"]["goodput_bit_s"] == ""
    assert str(carries) in rows["9000"]["reason"]
    assert "something between the ends" in rows["9000"]["reason"].lower()
    assert done.returncode == 1


def test_what_the_plan_accepts_does_not_fail_the_run(bench: Bench):
    bench.lab.switch.set_port_mtu("hall", 1500)
    done, _ = bench.run(plan_text(accept=["impossible"]))
    assert done.returncode == 0, done.stderr


def test_a_path_that_is_repaired_measures_in_the_very_next_trial(bench: Bench):
    bench.lab.switch.set_port_mtu("hall", 1500)
    process = bench.start(plan_text(factors={"mtu": [9000]}))
    bench.wait_for("impossible")  # in the rehearsal
    bench.lab.switch.set_port_mtu("hall", 9000)
    process.wait(timeout=90)
    assert [row["status"] for row in trials_of(bench.newest(), "rehearsal.csv")] == ["impossible"]
    assert [row["status"] for row in trials_of(bench.newest())] == ["valid"], bench.said()
    row = trials_of(bench.newest())[-1]
    assert int(row["mss_bytes"]) == 8948  # RFC 6691, RFC 7323: 9000 - 20 - 20 - 12


def test_a_port_that_forwards_late_is_waited_for(bench: Bench):
    bench.lab.switch.spanning_tree(10.0)  # forwards after twice as long
    bench.lab.switch.unplug("hall")
    bench.lab.switch.plug("hall")
    done, folder = bench.run(plan_text(factors={"mtu": [9000]}))
    assert done.returncode == 0, done.stderr
    assert {row["status"] for row in trials_of(folder)} == {"valid"}
    assert "forwarding" in (folder / "log.txt").read_text()

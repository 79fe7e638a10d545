"""Control trials keep their place: at the head of their block, whatever is grouped or added later."""

from __future__ import annotations

import io
import tempfile
from itertools import pairwise
from pathlib import Path

from orchestrator.cli.progress import Progress
from orchestrator.decide.commands import Conduct
from orchestrator.decide.compose import compose
from orchestrator.decide.reorder import grouped
from orchestrator.decide.state import begin
from orchestrator.onhost.settings import CATALOGUE
from orchestrator.planning import load
from orchestrator.results.statistics.enough import asked, more_trials

PLAN = """\
plan: night
hosts: {dome: {ssh: dome, privilege: root}, hall: {ssh: hall, privilege: root}}
links: {uplink: {under_test: dome eth1, far: hall eth1, rate: 2.5Gbit/s, isolated: true}}
factors: {congestion-control: [cubic, reno, bbr], streams: [1, 2, 3, 4]}
trial: {replicates: {min: 5, max: 20}, precision: 2%}
"""


def test_a_setting_that_turns_out_costly_does_not_move_the_control_trial() -> None:
    setup = compose(load(PLAN, catalogue=CATALOGUE), run_id="r", holder="h")
    trials = [trial for trial in setup.schedule if trial.position > 0]
    cells = {cell.number: cell for cell in setup.cells}
    made = grouped(trials, cells, frozenset({"congestion-control"}))
    assert [trial.position for trial in made] == [trial.position for trial in trials]
    for block in range(1, 6):
        first, *rest = [trial for trial in made if trial.block == block]
        assert (first.role, first.cell) == ("control", 1)
        assert {trial.role for trial in rest} == {"measure"}
        levels = [cells[trial.cell].levels["congestion-control"] for trial in rest]
        assert sum(one != other for one, other in pairwise(levels)) == 2
        assert first.whole_plot not in {trial.whole_plot for trial in rest}


def test_a_block_added_for_precision_has_its_control_trial_which_counts_for_no_cell() -> None:
    state = begin(compose(load(PLAN, catalogue=CATALOGUE), run_id="r", holder="h"))
    for trial in state.schedule:
        noise = 1 + 0.2 * (trial.block % 2)
        state.outcomes[trial.position] = {
            "status": "valid",
            "doubts": [],
            "reason": "",
            "attempt": 1,
            "goodput_bit_s": {"transmit": 1e9 * noise},
            "took_s": 1.0,
        }
    trials, _ = more_trials(state)
    assert [trial.role for trial in trials] == ["control", *["measure"] * 12]
    assert [trial.position for trial in trials] == list(range(66, 66 + 13))
    assert {trial.block for trial in trials} == {6}
    state.added.extend(trials)
    assert asked(state, 1) == 6


def test_the_log_says_which_trials_are_control_trials() -> None:
    state = begin(compose(load(PLAN, catalogue=CATALOGUE), run_id="r", holder="h"))
    stream = io.StringIO()
    with tempfile.TemporaryDirectory() as place:
        progress = Progress(Path(place, "log.txt"), stream)
        progress(state, Conduct(1, 1))
        progress(state, Conduct(2, 1))
        progress.close()
    assert stream.getvalue().startswith("control trial 1 of 65: congestion-control=cubic streams=1\ntrial 2 of 65: ")

"""One run, begun or gone on with: what `run`, `resume` and a suite do with each plan."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, cast

from orchestrator.act.signals import Signals
from orchestrator.cli.access import Access
from orchestrator.cli.own_fault import say_fault
from orchestrator.cli.plans import LoadedPlan, load_plans
from orchestrator.cli.running import drive, finish_folder
from orchestrator.cli.say import say, typed
from orchestrator.decide.ending import outcome_code
from orchestrator.decide.shapes.run import StoredTrial
from orchestrator.decide.state import RunState
from orchestrator.faults import PlanError
from orchestrator.run_files import Folder, has_file
from orchestrator.stored import NO_SENSE
from orchestrator.words.exit_codes import Exit
from orchestrator.words.statuses import NOT_VALID


def begin_run(
    loaded: LoadedPlan,
    out: Path,
    run_id: str,
    access: Access,
    lab: Mapping[str, Any] | None = None,
    *,
    rehearse: bool = False,
    signals: Signals | None = None,
) -> int:
    """Run a plan into the new folder `out`/`run_id`; the exit code."""
    from orchestrator.act.made_here import note_made
    from orchestrator.act.run_folder import make_folder

    folder = make_folder(out, run_id, loaded.text)
    note_made(run_id, loaded.text, loaded.binds)
    return drive(_fresh(loaded, folder, run_id, rehearse), loaded, folder, access, lab=lab, signals=signals)


def _fresh(loaded: LoadedPlan, folder: Path, run_id: str, rehearse: bool) -> RunState:
    from orchestrator.act.run_folder import owner_text
    from orchestrator.decide.compose import compose
    from orchestrator.decide.setup import setup_from_dict
    from orchestrator.decide.state import begin

    setup = compose(loaded.plan, run_id=run_id, holder=owner_text(folder), only_rehearse=rehearse)
    return begin(setup_from_dict(json.loads(json.dumps(setup.as_dict()))))  # the same as replayed


def go_on_run(
    run: Path,
    access: Access,
    again: str = "",
    replicates: int | None = None,
    signals: Signals | None = None,
    *,
    rehearse: bool = False,
    obeyed: Sequence[str] = (),
) -> int:
    """Go on with the run in a folder; one that is complete ends as it did, and gets its report if it has none.

    `rehearse`: one that ended before any host was contacted is to stop after its rehearsal. `obeyed`: folders of
    somebody else's whose plans' programs may run.
    """
    from orchestrator.act.run_folder import has_begun, is_complete, journal_path, state_of
    from orchestrator.cli.obeying import require_own, require_the_plans_own
    from orchestrator.decide.events import Resumed

    loaded = load_plans([run], {})[0]
    if has_file(run / "plan.yaml") and not has_begun(run):  # it ended before any host was contacted
        fresh = _fresh(loaded, run, run.resolve().name, rehearse)
        require_own(run, fresh.setup.run_id, loaded, fresh.setup, obeyed, "linktrial resume")
        return drive(fresh, loaded, run, access, signals=signals)
    try:
        state = state_of(run)
    except PlanError as error:
        if error.code != NO_SENSE:
            raise
        say_fault(error)  # nobody knows what the hosts are before they are recovered
        say(f"to restore the hosts from their own records: linktrial recover {typed(run)}", err=True)
        return Exit.NOT_AS_FOUND
    added = _added(loaded, state, replicates) if replicates else []
    positions = _positions(state, again)
    if not added and not positions and nothing_is_left(state) and is_complete(run, state):
        _tell_complete(run, state, signals, journal_path(run))
        return outcome_code(state)
    if loaded.in_old_words:
        raise PlanError(
            "old_words",
            f"{run}: plan and journal are in words that plans had before: such a run cannot be gone on with",
            next_step=f"linktrial recover {typed(run)} restores its hosts, linktrial run {typed(run)} repeats it",
        )
    require_the_plans_own(run, loaded, state, obeyed, "linktrial resume")
    # also where nothing is left but to say so: a run can be ended between its last trial and its last word
    return drive(state, loaded, run, access, Resumed(positions, added), signals=signals)


def _tell_complete(run: Path, state: RunState, signals: Signals | None, journal: Path) -> None:
    if signals is None:
        say(f"{run}: every trial has its outcome; nothing is left to do (see --again, --replicates)")
    folder = Folder(run)
    if any(position > 0 for position in state.outcomes) and (
        folder.modified_ns("report.html") < folder.modified_ns(journal.name)
    ):
        finish_folder(run)


def nothing_is_left(state: RunState) -> bool:
    """No trial to measure, and no host to restore or to let go: a run can die between its last trial and its end."""
    measured = not state.next_position() and (state.enough or not state.setup.open_ended)
    return measured and not any(host.token or not host.as_found for host in state.hosts.values())


def _positions(state: RunState, again: str) -> list[int]:
    wanted = [word.strip() for word in again.split(",") if word.strip()]
    unknown = sorted(set(wanted) - set(NOT_VALID))
    if unknown:
        raise PlanError(
            "again",
            f"--again {', '.join(unknown)}: not a status that can be measured again",
            next_step=f"name some of {', '.join(NOT_VALID)}",
        )
    return [
        position
        for position, outcome in state.outcomes.items()
        if outcome["status"] in wanted or ("suspect" in wanted and position in state.marks)
    ]


def _added(loaded: LoadedPlan, state: RunState, replicates: int) -> list[StoredTrial]:
    """The trials that a schedule with more replicates has beyond the present one."""
    from orchestrator.planning import schedule

    have = max(trial.replicate for trial in state.schedule)
    more = [
        trial for trial in schedule(loaded.plan, state.setup.cells, replicates=replicates) if trial.replicate > have
    ]
    last = max(trial.position for trial in state.schedule)
    return [cast("StoredTrial", {**asdict(trial), "position": last + number}) for number, trial in enumerate(more, 1)]

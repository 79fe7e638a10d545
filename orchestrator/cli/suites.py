"""A suite on its way: its plans one after the other into one folder, from the beginning or from where it was left.

suite.json lists every plan, with its text and binds kept beside it, before the first one starts: going on needs nothing
else. A run that is complete is never touched again; an interruption ends the suite, anything else only its own run.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from orchestrator.act.signals import Interrupted, Signals
from orchestrator.cli.access import Access
from orchestrator.cli.obeying import require_own_plans
from orchestrator.cli.one_run import begin_run, go_on_run
from orchestrator.cli.plans import LoadedPlan, PlanSource, load_sources, mark_of
from orchestrator.cli.say import say, typed
from orchestrator.faults import Fault, PlanError
from orchestrator.results.suite import PLANS, SUITE, Suite, SuiteEntry
from orchestrator.run_files import has_file
from orchestrator.words.exit_codes import Exit, exit_of, most_serious

_ENDS_ALL = (Exit.INTERRUPTED, Exit.TERMINATED)


@dataclass(frozen=True)
class SuiteEnd:
    """A suite as a command leaves it, with the most serious exit code of its runs."""

    suite: Suite
    code: int


def run_suite(
    plans: Sequence[LoadedPlan],
    name: str,
    out: Path,
    access: Access,
    lab: Mapping[str, Any] | None,
    *,
    rehearse: bool = False,
) -> SuiteEnd:
    """Run plans one after the other into a new suite's folder."""
    return go_on(make_suite(plans, name, out, rehearse=rehearse), access, lab)


def make_suite(plans: Sequence[LoadedPlan], name: str, out: Path, *, rehearse: bool) -> Suite:
    """The folder of a suite that is about to begin: every plan in it, and no run."""
    from orchestrator.act.journal import flush_folder
    from orchestrator.act.made_here import note_made
    from orchestrator.act.run_folder import new_run_id, write_private, writing

    folder = out / new_run_id(name)
    entries = [
        SuiteEntry(one.plan.plan, file=f"{number:03}-{one.plan.plan}.yaml", binds=one.binds)
        for number, one in enumerate(plans, 1)
    ]
    suite = Suite(folder, name, tuple(entries), rehearse)
    with writing(folder):
        out.mkdir(parents=True, exist_ok=True)
        folder.mkdir(mode=0o700)
        (folder / PLANS).mkdir(mode=0o700)
        for entry, one in zip(entries, plans, strict=True):
            write_private(folder / PLANS / entry.file, one.text)
            note_made(mark_of(folder, entry.file), one.text, one.binds)
        _write(suite)
        flush_folder(out)
    return suite


def go_on(
    suite: Suite,
    access: Access,
    lab: Mapping[str, Any] | None,
    *,
    again: str = "",
    replicates: int | None = None,
    obeyed: Sequence[str] = (),
) -> SuiteEnd:
    """Go on with every run that is not complete, begin those that never began, tell how the suite stands."""
    from orchestrator.act.journal import alone_in
    from orchestrator.cli.suite_view import tell_suite

    with alone_in(suite.path), Signals() as signals:
        for number, entry in enumerate(suite.entries, 1):
            if signals.seen:
                break
            say(f"plan {number} of {len(suite.entries)}: {entry.plan}", err=True)
            suite, code = _one(suite, number - 1, access, lab, signals, again, replicates, obeyed)
            if code in _ENDS_ALL:
                break
        code = most_serious(code_of(suite), signals.seen)
        try:
            with signals.raised():
                tell_suite(suite)
        except Interrupted:
            code = most_serious(code, signals.seen)
            say(
                f"interrupted before the suite's page was made; it is made by: linktrial report {typed(suite.path)}",
                err=True,
            )
        except OSError as error:
            code = most_serious(code, Exit.STOPPED_EARLY)
            say(
                f"cannot write the suite's page: {error}; make room there, then: linktrial report {typed(suite.path)}",
                err=True,
            )
        if left := unfinished(suite):
            say(f"left of the suite: {', '.join(left)}; to go on: linktrial resume {typed(suite.path)}", err=True)
    return SuiteEnd(suite, code)


def code_of(suite: Suite) -> int:
    """The most serious exit code of its runs; 6 where a plan never began and nothing says why."""
    codes = [entry.exit for entry in suite.entries if entry.exit is not None]
    return most_serious(*codes, *([Exit.STOPPED_EARLY] if len(codes) < len(suite.entries) else []))


def unfinished(suite: Suite) -> list[str]:
    """The plans that `resume` would go on with or begin."""
    return [entry.plan for entry in suite.entries if entry.exit not in (Exit.COMPLETE, Exit.SOME_NOT_VALID)]


def _one(
    suite: Suite,
    place: int,
    access: Access,
    lab: Mapping[str, Any] | None,
    signals: Signals,
    again: str,
    replicates: int | None,
    obeyed: Sequence[str],
) -> tuple[Suite, int]:
    """One plan of the suite; its exit code stands in suite.json when this returns, its run before it begins."""
    from orchestrator.act.run_folder import new_run_id

    entry, why = suite.entries[place], ""
    run = suite.folder_of(entry)
    try:
        if run is not None and has_file(run / "plan.yaml"):
            code = go_on_run(run, access, again, replicates, signals=signals, rehearse=suite.rehearse, obeyed=obeyed)
        else:
            loaded = _plan(suite, entry)
            require_own_plans([loaded], obeyed, "linktrial resume")
            entry = replace(entry, run=new_run_id(loaded.plan.plan), exit=None)
            suite = _with(suite, place, entry)
            code = begin_run(loaded, suite.path, entry.run, access, lab, rehearse=suite.rehearse, signals=signals)
    except Fault as fault:
        code, why = exit_of(fault), fault.message
        say(f"{entry.plan}: {fault.message}" + (f" - {fault.next_step}" if fault.next_step else ""), err=True)
    return _with(suite, place, replace(entry, exit=int(code), why=why)), code


def _plan(suite: Suite, entry: SuiteEntry) -> LoadedPlan:
    file = suite.plan_of(entry)
    if file is None:
        raise PlanError("plan_missing", f"the plan '{entry.plan}' is not in {suite.path} any more")
    return load_sources([PlanSource(file, dict(entry.binds))], {})[0]


def _with(suite: Suite, place: int, entry: SuiteEntry) -> Suite:
    """The suite with another entry, also on the disk where it takes it."""
    suite = replace(suite, entries=(*suite.entries[:place], entry, *suite.entries[place + 1 :]))
    try:
        _write(suite)
    except OSError as error:  # the run's own folder knows how it ended
        say(f"cannot write {suite.path / SUITE}: {error.strerror}; make room there", err=True)
    return suite


def _write(suite: Suite) -> None:
    from orchestrator.act.run_folder import write_private

    write_private(suite.path / SUITE, json.dumps(suite.as_dict(), indent=1))

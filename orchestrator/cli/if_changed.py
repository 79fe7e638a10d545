"""`linktrial run --if-changed kernel`: run again only where the kernel is another, and say whether it got worse."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from orchestrator.cli.access import Access, opener
from orchestrator.cli.plans import LoadedPlan
from orchestrator.cli.say import say
from orchestrator.faults import PlanError
from orchestrator.run_files import Folder, has_file
from orchestrator.stored import made_of
from orchestrator.words.exit_codes import Exit

if TYPE_CHECKING:
    from orchestrator.results.comparison.environment import Unlike

WHAT = ("kernel",)
_MEASURED = (Exit.COMPLETE, Exit.SOME_NOT_VALID)


@dataclass(frozen=True)
class Again:
    """A plan whose hosts have another kernel than the reference runs had."""

    loaded: LoadedPlan
    reference: tuple[Path, ...]


def plans_to_run(plans: Sequence[LoadedPlan], references: Sequence[Path], access: Access) -> list[Again]:
    """The plans to run again; what was found is told, host by host. No traffic, and nothing is changed on any host.

    PlanError when a plan has no reference run, or would measure something else; HostError when a host cannot be read.
    """
    from orchestrator.results.comparison.kernel_change import kernel_changes

    asked = [Again(loaded, _runs_of(loaded, references)) for loaded in plans]
    for one in asked:
        _refuse_unlike(one)
    known: dict[str, Mapping[str, Any]] = {}
    again: list[Again] = []
    for one in asked:
        key = repr(sorted(one.loaded.plan.hosts.items()))
        if key not in known:
            known[key] = _read_kernels(one.loaded, access)
        with made_of(one.reference[-1]):
            found = kernel_changes(_run_json(one.reference[-1]), known[key])
        _tell(one, found, known[key])
        again += [one] if found else []
    return again


def verdict(again: Again, run_code: int, folder: Path | None) -> int:
    """The exit code of a plan that was run again: 1 a cell got worse or cannot be measured any more, 0 none did.

    The run's own code where it did not end.
    """
    if run_code not in _MEASURED or folder is None:
        say("", f"{again.loaded.plan.plan}: not compared, because its run is not complete")
        return run_code
    from orchestrator.report.comparison import text_lines
    from orchestrator.results.comparison.compare import LOST, compare
    from orchestrator.results.comparison.run_summary import summarise_run
    from orchestrator.results.comparison.verdicts import WORSE
    from orchestrator.results.read_run import read_run

    found = compare([summarise_run(read_run(path)) for path in again.reference], [summarise_run(read_run(folder))])
    say("", f"{again.loaded.plan.plan} against {again.reference[-1].name}", *text_lines(found))
    return Exit.SOME_NOT_VALID if found.has_any_of((WORSE, LOST)) else Exit.COMPLETE


def _runs_of(loaded: LoadedPlan, references: Sequence[Path]) -> tuple[Path, ...]:
    """The reference's runs of this plan, oldest first: those named, or in the folders of suites that are named."""
    own = loaded.path.parent
    if not references and has_file(own / "run.json"):
        return (own,)  # an earlier run again: it is the reference itself
    if not references:
        raise PlanError(
            "no_reference",
            f"{loaded.path}: --if-changed needs a run to compare with",
            next_step="name it with --reference RUN, or run an earlier run's folder again",
        )
    runs = [run for folder in references for run in _runs_in(folder)]
    mine = [run for run in runs if _run_json(run).get("plan_name") == loaded.plan.plan]
    if not mine:
        raise PlanError(
            "no_reference",
            f"{loaded.path}: no reference run is of the plan '{loaded.plan.plan}'",
            next_step="run it once without --if-changed, or name another --reference",
            known=sorted({str(_run_json(run).get("plan_name")) for run in runs}),
        )
    return tuple(sorted(mine, key=lambda run: str(_run_json(run).get("started_at"))))


def _runs_in(folder: Path) -> list[Path]:
    if has_file(folder / "run.json"):
        return [folder]
    inside = Folder(folder)
    found = [folder / name for name in inside.names() if inside.has_folder(name) and inside.inner(name).has("run.json")]
    if not found:
        raise PlanError("run_missing", f"{folder} is neither a run's folder nor a suite's")
    return found


def _run_json(run: Path) -> dict[str, Any]:
    from orchestrator.results.folder import open_run

    return open_run(run).record()


def _refuse_unlike(one: Again) -> None:
    """PlanError when the plan would not measure what the reference did: a night must not end with that news."""
    from orchestrator.decide.compose import compose
    from orchestrator.results.comparison.environment import conditions, differences

    setup = compose(one.loaded.plan, run_id="", holder="")
    run = {
        "trial": {"length_s": setup.length_s, "warmup_s": setup.warmup_s},
        "cells": [
            {"key": cell.key, "settings": [asdict(use) for use in cell.settings], "traffic": dict(cell.traffic)}
            for cell in setup.cells
        ],
    }
    reference = _run_json(one.reference[-1])
    with made_of(one.reference[-1]):
        was, now = (
            conditions({"trial": each.get("trial", {}), "cells": each.get("cells", [])}, ())
            for each in (reference, json.loads(json.dumps(run)))
        )
        unlike = [each for each in differences(was, now) if each.reference and each.candidate]
    if unlike:
        raise PlanError(
            "not_alike",
            f"{one.loaded.path} does not measure what {one.reference[-1].name} did: "
            f"{unlike[0].what} was {unlike[0].reference} and is {unlike[0].candidate}",
            next_step="run the reference's own folder again, or run this plan without --if-changed",
        )


def _read_kernels(loaded: LoadedPlan, access: Access) -> Mapping[str, Any]:
    from orchestrator.act.surveying import survey_hosts

    surveyed = asyncio.run(survey_hosts(list(loaded.plan.hosts), opener(loaded.plan, access)))
    for fault in surveyed.faults.values():
        raise fault
    return surveyed.surveys


def _tell(one: Again, found: Sequence[Unlike], kernels: Mapping[str, Any]) -> None:
    name, reference = one.loaded.plan.plan, one.reference[-1].name
    if found:
        say(f"{name}: not as in {reference}, so it is run again:")
        for change in found:
            say(f"  {change.what}: {change.reference or 'not known'} -> {change.candidate or 'not known'}")
        return
    now = ", ".join(f"{host}: {facts.get('kernel')}" for host, facts in kernels.items())
    say(f"{name}: the kernel is that of {reference} ({now}); nothing is run")

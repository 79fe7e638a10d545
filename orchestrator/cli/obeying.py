"""A run's folder that this user's linktrial did not make is obeyed only as far as a person says who saw what it asks.

Its plan is a plan like any other, but for the programs that it names; and what its journal alone says of hosts is used
for nothing that is done to them.
"""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from pathlib import Path

from orchestrator.act.made_here import made_here
from orchestrator.cli.plans import LoadedPlan
from orchestrator.cli.say import say
from orchestrator.decide.compose import compose
from orchestrator.decide.obeying import HERE, Program, beyond_the_plan, composed_as, differences, programs
from orchestrator.decide.setup import RunSetup
from orchestrator.decide.state import RunState
from orchestrator.faults import PlanError
from orchestrator.stored import made_of
from orchestrator.words.plain_text import visible

OBEY_HELP = (
    "Let the programs run that the plan in this folder of somebody else's names; the folder's name, as it is "
    "shown with them."
)


def require_the_plans_own(run: Path, loaded: LoadedPlan, state: RunState, obeyed: Sequence[str], command: str) -> None:
    """PlanError unless what `command` would do to hosts is what the run's own plan asks, and the user's to ask."""
    found = _not_the_plans(run, loaded, state)
    if found:
        _show(f"{run}: the journal does not say what the plan says:", found)
        raise PlanError(
            "journal_is_not_the_plans",
            f"{run}: its journal is not that of its plan; nothing was done",
            next_step="a newer linktrial may compose a plan otherwise: use the one that began the run; "
            f"hosts are restored from their own records by: linktrial recover {shlex.quote(str(run))}",
        )
    require_own(run, state.setup.run_id, loaded, state.setup, obeyed, command)


def require_own(
    run: Path, run_id: str, loaded: LoadedPlan, setup: RunSetup, obeyed: Sequence[str], command: str
) -> None:
    """PlanError when the plan names programs, the folder is not of this user's making, and nobody has allowed it."""
    name = run.resolve().name
    named = programs(setup)
    if not named or _is_own(run, run_id, loaded, obeyed):
        return
    _show(
        f"{run} was not made by your linktrial, and its plan names programs:",
        [_where(program, loaded) for program in named],
    )
    raise PlanError(
        "not_made_here",
        f"{run}: nothing was run",
        next_step="if you know whose it is and these may run: "
        f"{command} {shlex.quote(str(run))} --obey {shlex.quote(name)}",
    )


def require_own_plans(plans: Sequence[LoadedPlan], obeyed: Sequence[str], command: str = "linktrial run") -> None:
    """The same for earlier runs that are run again, and for plans in a suite's folder, which go by the suite's name."""
    for loaded in plans:
        if loaded.made_in is not None:
            setup = compose(loaded.plan, run_id="", holder="")
            require_own(loaded.made_in, loaded.made_by, loaded, setup, obeyed, command)


def journal_may_be_used(run: Path, loaded: LoadedPlan, state: RunState, obeyed: Sequence[str]) -> list[str]:
    """Why what the journal alone knows of hosts is not used to restore them; empty when it is."""
    found = _not_the_plans(run, loaded, state)
    known = [
        f"{name}: {place} to {visible(repr(host.before.get(place)))[:200]}"
        for name, host in state.hosts.items()
        for place in host.ours
    ]
    if found:
        return [f"{run}: its journal is not that of its plan, and was not used:", *found]
    if known and not _is_own(run, state.setup.run_id, loaded, obeyed):
        name = shlex.quote(run.resolve().name)
        return [
            f"{run} was not made by your linktrial; restored is what the hosts' own records say.",
            f"Its journal would have hosts restored so (if they may be: --obey {name}):",
            *known,
        ]
    return []


def _not_the_plans(run: Path, loaded: LoadedPlan, state: RunState) -> list[str]:
    """What the journal says that the plan does not."""
    with made_of(run):
        return [*differences(composed_as(loaded.plan, state.setup), state.setup), *beyond_the_plan(state)]


def _is_own(run: Path, run_id: str, loaded: LoadedPlan, obeyed: Sequence[str]) -> bool:
    """Whether this user made the folder with just this plan, or has said to obey it; new bindings are the user's."""
    return run.resolve().name in obeyed or made_here(run_id, loaded.text, loaded.made_with)


def _where(program: Program, loaded: LoadedPlan) -> str:
    host = loaded.plan.hosts.get(program.where)
    root = ", as root" if program.where != HERE and host is not None and host.privilege in ("root", "sudo") else ""
    return f"on {program.where}{root}: {shlex.join(program.arguments)}"


def _show(head: str, lines: Sequence[str]) -> None:
    for line in (head, *(f"  {line}" for line in lines)):
        say(line, err=True)

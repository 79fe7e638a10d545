"""`linktrial recover`: restore what an interrupted run, or suite, left on its hosts, and say so."""

from __future__ import annotations

import asyncio
import contextlib
import signal
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import click

from orchestrator.cli.access import Access, access_options, opener
from orchestrator.cli.last_words import accept_command
from orchestrator.cli.obeying import journal_may_be_used
from orchestrator.cli.own_fault import say_fault, say_own_fault
from orchestrator.cli.plans import LoadedPlan, PlanSource, load_plans, load_sources, plan_sources
from orchestrator.cli.progress import stays_lines
from orchestrator.cli.say import say, typed
from orchestrator.decide.as_found.stays import accepted, remaining
from orchestrator.faults import BugError, Fault, HostError, PlanError, as_fault
from orchestrator.planning.binds import parse_binds
from orchestrator.results.suite import is_suite, open_suite
from orchestrator.stored import NO_SENSE
from orchestrator.words.exit_codes import Exit, most_serious
from orchestrator.words.plain_text import visible

if TYPE_CHECKING:
    from orchestrator.act.recovering import Recovered
    from orchestrator.decide.state import RunState


@dataclass
class Target:
    """One run, or one plan whose runs' folders are lost, and what became of its hosts."""

    loaded: LoadedPlan
    folder: Path | None
    state: RunState | None = None
    unread: bool = False  # its journal could not be understood
    unused: list[str] = field(default_factory=list)  # why nothing that only the journal says is done to a host
    found: dict[str, Recovered | Fault] = field(default_factory=dict)
    accepting: frozenset[str] = frozenset()  # hosts on which what differs now is to stay

    def unsure(self, name: str) -> bool:
        """Whether the run has changed this host and nobody has seen it as found since, as far as its journal knows."""
        return self.unread or (self.state is not None and not self.state.hosts[name].as_found)


ALL_HOSTS = "every host of the plan"


@click.command()
@click.argument("what", type=click.Path(path_type=Path, exists=True))
@click.option(
    "--accept",
    multiple=True,
    is_flag=False,
    flag_value=ALL_HOSTS,
    metavar="[HOST]",
    help="Keep what this host has now where it differs from how it was found (without a name: every host): "
    "somebody else's change that is to stay, or what cannot be restored.",
)
@click.option(
    "--obey",
    "obeyed",
    multiple=True,
    metavar="NAME",
    help="Use what the journal in this folder of somebody else's says of hosts, where theirs is gone.",
)
@click.option("--bind", multiple=True, metavar="NAME=VALUE", help="Give a $name of the plan its value.")
@access_options
def command(
    what: Path, accept: tuple[str, ...], obeyed: tuple[str, ...], bind: tuple[str, ...], ssh_config: str | None
) -> int:
    """Restore what a run left behind. WHAT is a run's or a suite's folder, or a plan when the folder is lost.

    A value that is neither the run's nor the one before it was set by somebody else: it is reported every time and
    never overwritten, until it is put right by hand or kept by --accept. Harmless to repeat. Exit 0: every host
    verified as found, or as its owner keeps it; 5: something stays, with the command that mends it.
    """
    binds = parse_binds(bind)
    if is_suite(what):
        suite = open_suite(what)
        sources = [(suite.plan_of(entry), entry, suite.folder_of(entry)) for entry in suite.entries]
        targets = [
            Target(load_sources([PlanSource(plan, dict(entry.binds))], binds)[0], folder)
            for plan, entry, folder in sources
            if plan is not None and folder is not None
        ]
        if not targets:
            say(f"{what}: no plan of this suite has begun, so no host was contacted")
            return Exit.COMPLETE
        return recover_all(_accepting(targets, accept), what, Access(ssh_config), obeyed)
    loaded = load_plans([what], binds)
    is_run = what.is_dir() and plan_sources([what])[0].path == what / "plan.yaml"
    targets = [Target(one, what if is_run else None) for one in loaded]
    return recover_all(_accepting(targets, accept), what, Access(ssh_config), obeyed)


def _accepting(targets: list[Target], named: tuple[str, ...]) -> list[Target]:
    """The same targets, told on which hosts what differs is to stay."""
    known = list(dict.fromkeys(name for target in targets for name in target.loaded.plan.hosts))
    for name in named:
        if name not in (*known, ALL_HOSTS):
            raise PlanError(
                "no_host",
                f"--accept {visible(name)}: no host has this name",
                next_step=f"the hosts are {', '.join(known)}; --accept behind the folder means all of them",
            )
    for target in targets:
        target.accepting = frozenset(known if ALL_HOSTS in named else named)
    return targets


def recover_all(targets: Sequence[Target], what: Path, access: Access, obeyed: Sequence[str] = ()) -> int:
    """Recover every host of every target; from a run's journal too, whose folder is finished; the exit code."""
    from orchestrator.act.journal import undriven
    from orchestrator.act.run_folder import journal_path

    for target in targets:
        _read_journal(target, obeyed)
    with contextlib.ExitStack() as kept:
        for target in targets:
            if target.state is not None and target.folder is not None:
                kept.enter_context(undriven(journal_path(target.folder)))
        stopped = asyncio.run(_recover(targets, access))
    codes = [stopped, *_tell(targets, what)]
    for target in targets:
        if target.folder is not None and target.state is not None:
            try:
                _note(target, shows=len(targets) == 1)
            except (HostError, OSError) as error:  # a full disk: what the hosts are is known and told all the same
                say(f"{target.folder}: what was restored could not be noted there: {error}", err=True)
            except Exception as error:
                say_own_fault(error, f"{target.folder}: what was restored could not be noted there")
                codes.append(Exit.OUR_FAULT)
    if is_suite(what):
        from orchestrator.report.suite import write_suite

        with contextlib.suppress(OSError):
            write_suite(what)
    code = most_serious(*codes)
    if code not in (Exit.COMPLETE, Exit.SOME_NOT_VALID):
        say(f"to try again: linktrial recover {typed(what)}", err=True)
    return code


def _read_journal(target: Target, obeyed: Sequence[str]) -> None:
    """What the run's journal says, as far as it may be used, and why not; one that makes no sense is told and left."""
    from orchestrator.act.run_folder import has_begun, state_of

    if target.folder is None or not has_begun(target.folder):
        return
    try:
        target.state = state_of(target.folder)
        target.unused = journal_may_be_used(target.folder, target.loaded, target.state, obeyed)
    except PlanError as error:
        if error.code != NO_SENSE:
            raise
        say_fault(error)  # the hosts' own records are what counts most, and they are there
        target.state, target.unread = None, True
    for line in target.unused:
        say(line, err=True)


async def _recover(targets: Sequence[Target], access: Access) -> int:
    """Run after run, a run's hosts at once; 0, or the exit code of the signal that ended it before its time."""
    from orchestrator.act.recovering import recover_host
    from orchestrator.decide.state import changed_places

    async def one(target: Target, name: str) -> None:
        state, plan = target.state, target.loaded.plan
        run_id = state.setup.run_id if state else target.folder.resolve().name if target.folder else ""
        try:
            target.found[name] = await recover_host(
                name,
                opener(plan, access),
                run_id,
                changed_places(state, name) if state and not target.unused else [],
                accept=name in target.accepting,
            )
        except Exception as error:  # whatever it is, the other hosts' outcome is told, too
            target.found[name] = as_fault(error)

    async def everyone() -> None:
        for target in targets:
            await asyncio.gather(*(one(target, name) for name in target.loaded.plan.hosts))

    work, stopped = asyncio.ensure_future(everyone()), [0]

    def stop(number: int) -> None:
        stopped[0] = stopped[0] or 128 + number
        work.cancel()

    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, stop, number)
    with contextlib.suppress(asyncio.CancelledError):
        await work
    return stopped[0]


def _tell(targets: Sequence[Target], what: Path) -> list[int]:
    """One line for each machine, whatever number of runs it was in; an exit code for each."""
    machines: dict[str, list[tuple[Target, str]]] = {}
    for target in targets:
        for name, host in target.loaded.plan.hosts.items():
            machines.setdefault(f"{name} {host.ssh} {host.user} {host.port}", []).append((target, name))
    names = [key.split(" ")[0] for key in machines]
    codes = []
    for key, runs in machines.items():
        name = key.split(" ")[0]
        label = name if names.count(name) == 1 else f"{name} ({key.split(' ')[1]})"
        code, lines = _of_machine(runs)
        if code == Exit.NOT_AS_FOUND and any(_differs(target, name) for target, name in runs):
            lines = [*lines, f"    to keep what {name} has now instead: {accept_command(what, name)}"]
        codes.append(code)
        for line in (f"{label}: {lines[0]}", *lines[1:]):
            say(line)
    return codes


def _of_machine(runs: Sequence[tuple[Target, str]]) -> tuple[int, list[str]]:
    """(its exit code, what is said of it): the worst of its runs decides."""
    unseen = [(target, name) for target, name in runs if name not in target.found]
    failed = [
        (error, target.unsure(name), name)
        for target, name in runs
        if isinstance(error := target.found.get(name), Fault)
    ]
    found = [each for target, name in runs if (each := target.found.get(name)) and not isinstance(each, Fault)]
    left = [each for each in found if not each.as_found]
    if left:
        lines = [line for each in left for line in stays_lines(each.host, each.as_result())]
        return Exit.NOT_AS_FOUND, ["NOT verified as found:", *lines]
    own = next((error for error, _, _ in failed if isinstance(error, BugError)), None)
    if own is not None:  # nobody knows what this host is
        say_own_fault(own)
        return Exit.NOT_AS_FOUND, [f"NOT verified as found: our own fault: {own.message}"]
    if failed:
        error, _, name = next((one for one in failed if one[1]), failed[0])
        unsure = any(one[1] for one in failed)
        why = error.message.removeprefix(f"{name}: ") + (f" - {error.next_step}" if error.next_step else "")
        return (
            (Exit.NOT_AS_FOUND, [f"NOT verified as found: {why}"])
            if unsure
            else (Exit.REFUSED, [f"not asked, and not known to be changed: {why}"])
        )
    if unseen:
        unsure = any(target.unsure(name) for target, name in unseen)
        return (
            (Exit.NOT_AS_FOUND, ["NOT verified as found: interrupted before it had answered"])
            if unsure
            else (Exit.COMPLETE, ["not known to be changed; interrupted before it had answered"])
        )
    restored = [each for each in found if each.source != "nothing"]
    if not restored:
        untold = any(target.unused and target.state and target.state.hosts[name].ours for target, name in runs)
        return (
            (Exit.REFUSED, ["has no record of the run; what the run's folder alone says was not used"])
            if untold
            else (Exit.COMPLETE, ["as found; nothing of the run was left"])
        )
    kept = [
        f"    {one.what}: {one.now} from now on ({one.before} before the run)"
        for each in restored
        for one in accepted(each.as_result())
    ]
    again = ", and restarted, so that it runs as before" if any(each.restarted for each in restored) else ""
    sources = " and ".join(dict.fromkeys("host's" if each.source == "record" else "journal's" for each in restored))
    but = ", but for what its owner keeps:" if kept else ""
    return Exit.COMPLETE, [f"restored from the {sources} record, verified as found{again}{but}", *kept]


def _differs(target: Target, name: str) -> bool:
    """Whether the host was seen to differ from how it was found, so that its owner may want to keep that."""
    found = target.found.get(name)
    return found is not None and not isinstance(found, Fault) and bool(remaining(found.as_result()))


def _note(target: Target, *, shows: bool) -> None:
    """Write what was recovered into the journal, and the folder's tables from what was measured."""
    from orchestrator.act.journal import Journal
    from orchestrator.act.run_folder import journal_path, refresh_run_json, state_of
    from orchestrator.cli.running import finish_folder
    from orchestrator.decide.events import Released, Restored, event_to_dict

    assert target.folder is not None  # noqa: S101 - asked only of runs
    results: Mapping[str, Recovered] = {
        name: found for name, found in target.found.items() if not isinstance(found, Fault)
    }
    with Journal(journal_path(target.folder)) as journal:
        if journal.cut:
            say(f"the journal's tail was torn (line {journal.cut.line}: {journal.cut.why}) and was cut off")
        for name, found in results.items():
            journal.append("event", event_to_dict(Restored(name, found.as_result())))
            if found.as_found:
                journal.append("event", event_to_dict(Released(name)))
    state = state_of(target.folder)
    refresh_run_json(target.folder, state)
    if any(position > 0 for position in state.outcomes):
        finish_folder(target.folder, shows=shows)
    if shows and state.next_position():
        say(f"trials are left; to go on: linktrial resume {typed(target.folder)}", err=True)

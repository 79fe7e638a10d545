"""The sentences that a run ends with: every host with its state, and the one command that comes next."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from orchestrator.cli.say import typed
from orchestrator.decide.as_found.host_ends import HostEnd, host_ends
from orchestrator.decide.state import RunState
from orchestrator.faults import as_fault
from orchestrator.words.exit_codes import Exit

_RESUMABLE = (Exit.OUR_FAULT, Exit.NOT_AS_FOUND, Exit.STOPPED_EARLY, Exit.INTERRUPTED, Exit.TERMINATED)


def host_lines(ends: Sequence[HostEnd]) -> list[str]:
    """One line per host, and below one that is not as found what differs and the command for it."""
    return [line for end in ends for line in end.lines]


def next_steps(code: int, state: RunState, folder: Path) -> list[str]:
    """The commands that come next, none when the run is complete."""
    lines = []
    if code == Exit.NOT_AS_FOUND:
        lines.append(f"to restore what is left, now or at any time: linktrial recover {typed(folder)}")
        lines += [
            f"to keep what {end.host} has now instead: {accept_command(folder, end.host)}"
            for end in host_ends(state)
            if end.stays
        ]
    asked, finished = trial_counts(state)
    if code in _RESUMABLE and state.next_position():
        lines.append(f"{finished} of {asked} trials have an outcome; to go on: linktrial resume {typed(folder)}")
    if code == Exit.REFUSED:
        lines.append(f"the run's folder, with the log of this attempt: {folder}")
    return lines


def accept_command(run: Path, host: str) -> str:
    """What the owner of a host types to keep what was found there."""
    return f"linktrial recover {typed(run)} --accept {typed(host)}"


def own_fault(error: BaseException, folder: Path) -> str:
    """One sentence for a run that an error of ours has ended; its traceback is in the log."""
    return (
        f"our own fault: {as_fault(error).message}; please report it with {folder / 'log.txt'}, which has the traceback"
    )


def trial_counts(state: RunState) -> tuple[int, int]:
    """(trials of the schedule, those of them that have an outcome), without the rehearsal's."""
    asked = [trial.position for trial in state.schedule if trial.role != "rehearse"]
    return len(asked), sum(position in state.outcomes for position in asked)


def report_is_missing(folder: Path, state: RunState, ends: Sequence[HostEnd]) -> tuple[str, str]:
    """What somebody reads who has ended a run while its report was made."""
    hosts = (
        "all hosts are verified as found"
        if all(end.verified for end in ends)
        else "NOT all hosts are verified as found, as said before"
    )
    _, finished = trial_counts(state)
    what = f"{finished} finished {'trial is' if finished == 1 else 'trials are'} kept"
    return (f"interrupted while the report was made; {hosts}, and {what} in {folder}", report_command(folder))


def report_command(folder: Path) -> str:
    """What makes the report that is not there."""
    return f"the report is made by: linktrial report {typed(folder)}"


def rehearsal_lines(state: RunState) -> Iterator[str]:
    """What the rehearsal alone has shown: what is refused, and what each change costs. No result of any cell."""
    yield "No trial was measured. The rehearsal, whose figures are no results:"
    for position, outcome in sorted(state.outcomes.items()):
        key = state.setup.cell(state.trial(position).cell).key
        yield f"  rehearsal: {outcome['status']:<10} {key}" + (f": {outcome['reason']}" if outcome["reason"] else "")
    for setting, cost_s in sorted(state.costs_s.items(), key=lambda item: -item[1]):
        yield f"  a change of {setting} takes {cost_s:.2f} s"

"""From a journal to the run's state: what a run resumes and recovers from."""

from __future__ import annotations

from collections.abc import Sequence

from orchestrator.decide.commands import Command
from orchestrator.decide.events import event_from_dict
from orchestrator.decide.journal_lines import Entry
from orchestrator.decide.machine import advance, handle
from orchestrator.decide.setup import setup_from_dict
from orchestrator.decide.state import RunState, begin


def replay(entries: Sequence[Entry]) -> tuple[RunState, list[Command]]:
    """(the state after all events, the commands that the last of them led to).

    Entries from a file are replayed within `stored.made_of`: lines that hold together may tell what no run does.
    """
    if not entries or entries[0].kind != "setup":
        raise ValueError("the journal does not begin with a run's setup")
    state = begin(setup_from_dict(entries[0].body))
    commands = advance(state)  # as the run's first process did before anything had happened
    for entry in entries[1:]:
        if entry.kind == "event":
            commands = handle(state, event_from_dict(entry.body))
    return state, commands

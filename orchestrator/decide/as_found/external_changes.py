"""What the run makes of a change from outside: a note, the level applied again, or the run's end. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from orchestrator.decide import events as ev
from orchestrator.decide.as_found.somebody_else import ExternalChange, from_host, in_words
from orchestrator.decide.shapes.uses import ToldChange
from orchestrator.decide.state import UNKNOWN_LEVEL, RunState, place_name

NOTE = "changed by somebody else"  # what the notes begin with
MOST_NOTES = 40  # a service that fights with the plan would fill them


def note_external(state: RunState, changed: Sequence[ToldChange], where: str) -> None:
    """Changes that a trial has met: what the plan sets there is no longer known, and is applied again."""
    _note(state, [from_host(str(item["host"]), item) for item in changed], where)


def note_found_before(state: RunState, event: ev.Applied) -> None:
    """Changes that were found while levels were applied, and are overwritten by them: nothing is unknown."""
    found = [from_host(event.host, change) for use in event.uses for change in use.get("changed_outside") or ()]
    _note(state, [replace(change, setting="", target="") for change in found], f"before trial {event.position}")


def _note(state: RunState, changes: Sequence[ExternalChange], where: str) -> None:
    for change in changes:
        host = state.hosts[change.host]
        place = place_name({"setting": change.setting, "target": change.target})
        if place in host.places:
            host.levels[place] = UNKNOWN_LEVEL
    if not changes:
        return
    words = in_words(changes)
    if sum(note.startswith(NOTE) for note in state.notes) < MOST_NOTES:
        state.notes.append(f"{NOTE} {where}: {words}")
    if state.setup.changed_outside == "stop":
        state.stop = state.stop or {"kind": "stop", "reason": f"changed by somebody else: {words}"}

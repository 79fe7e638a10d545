"""Who may change this host, until when: every decision about the lease, pure, on the record's state (state.py)."""

from __future__ import annotations

from typing import Callable

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety.state import (
    AsFound,
    Before,
    Change,
    EarlierRun,
    KnownChange,
    Lease,
    LeaseState,
    Place,
    Use,
    Wanted,
)

NS = 1_000_000_000


def is_live(state: LeaseState | None, now_ns: int, boot: str) -> bool:
    """Whether somebody holds the host now."""
    return (
        state is not None and state["standing"] == "held" and state["boot_id"] == boot and now_ns < state["deadline_ns"]
    )


def acquire(
    state: LeaseState | None,
    wanted: Wanted,
    *,
    now_ns: int,
    wall_ns: int,
    boot: str,
    netns: int,
    survives: Callable[[str], bool],
) -> LeaseState:
    """The state after `wanted` acquires the host.

    Refusal "busy" while another holds it; "unclean" when an earlier run's changes are not restored. `survives`
    says of a setting whether a reboot keeps it.
    """
    if state is not None and is_live(state, now_ns, boot):
        return _rejoin(state, wanted, now_ns)
    earlier: EarlierRun | None = None
    if state is not None:
        if owes(state, boot, survives):
            raise Refusal(
                "unclean",
                f"the run {state['run_id']} of {state['holder']} left changes on this host",
                **description(state, now_ns),
                changes=[place_of(one) for one in state["changes"]],
            )
        earlier = {**description(state, now_ns), "rebooted": state["boot_id"] != boot, "outcome": state["outcome"]}
    token = max(now_ns // 1000, state["token"] + 1 if state else 0)  # never seen before, even when the record is gone
    return {
        "schema": 1,
        "standing": "held",
        "run_id": wanted["run_id"],
        "holder": wanted["holder"],
        "token": token,
        "superseded": None,
        "lease_s": wanted["lease_s"],
        "since_ns": now_ns,
        "since_wall_ns": wall_ns,
        "deadline_ns": now_ns + int(wanted["lease_s"] * NS),
        "boot_id": boot,
        "netns": netns,
        "watchdog": None,
        "image": None,
        "interfaces": [],
        "before": [],
        "changes": [],
        "outcome": None,
        "earlier": earlier,
        "probation": None,
        "reverted": None,
    }


def _rejoin(state: LeaseState, wanted: Wanted, now_ns: int) -> LeaseState:
    """The same run coming back after a lost session: what was as found stays known, the old session is fenced off."""
    shown = wanted.get("token")
    if wanted["run_id"] != state["run_id"] or shown is None or shown not in (state["token"], state["superseded"]):
        raise Refusal(
            "busy", f"{state['holder']} holds this host with the run {state['run_id']}", **description(state, now_ns)
        )
    joined: LeaseState = {
        **state,
        "token": max(now_ns // 1000, state["token"] + 1),
        "superseded": shown,
        "lease_s": wanted["lease_s"],
        "deadline_ns": now_ns + int(wanted["lease_s"] * NS),
    }
    if joined.get("restarting"):
        joined["restarting"] = False  # it did not go down after all
    return joined


def require(state: LeaseState | None, token: int, *, now_ns: int, boot: str) -> LeaseState:
    """The state, if `token` holds the host at this very moment; call it inside the lock, before every change."""
    if state is None or state["boot_id"] != boot:
        raise Refusal("no_lease", "nobody holds this host", rebooted=state is not None)
    if token != state["token"]:
        raise Refusal("stale", "another session has acquired this host since", **description(state, now_ns))
    if state["standing"] != "held" or now_ns >= state["deadline_ns"]:
        raise Refusal("expired", "the lease of this host has run out", **description(state, now_ns))
    return {**state, "superseded": None}


def renew(state: LeaseState, lease_s: float, now_ns: int) -> LeaseState:
    """A later deadline, never an earlier one; and never later than the lease that was taken, from now on."""
    granted_ns = int(min(lease_s, state["lease_s"]) * NS)
    return {**state, "deadline_ns": max(state["deadline_ns"], now_ns + granted_ns)}


def owes(state: LeaseState, boot: str, survives: Callable[[str], bool]) -> bool:
    """Whether the state's changes may still be on the host: not restored, and not undone by a reboot."""
    if state["standing"] == "restored":
        return False
    return any(state["boot_id"] == boot or survives(change["setting"]) for change in state["changes"])


def nothing_to_tell(state: LeaseState) -> bool:
    """Whether nothing was ever changed under this lease, so that nobody has to hear what became of it."""
    told = state["outcome"]
    found = told is not None and any(
        (told.get("restored"), told.get("left"), told.get("conflicts"), told.get("restart"))
    )
    return not (state["changes"] or state.get("reverted") or found)


def description(state: LeaseState, now_ns: int) -> Lease:
    """Who, since when, until when: for people and for the controller's messages."""
    return {
        "run_id": state["run_id"],
        "holder": state["holder"],
        "since_wall_ns": state["since_wall_ns"],
        "left_s": max(0.0, (state["deadline_ns"] - now_ns) / NS),
        "lease_s": state["lease_s"],
        "standing": state["standing"],
    }


def note_intent(state: LeaseState, use: Use) -> LeaseState:
    """The state with the intent to give a place a level: written before the change is made."""
    changes = [one.copy() for one in state["changes"]]
    change = next((one for one in changes if place_of(one) == place_of(use)), None)
    if change is None:
        change = _changed(use, [], unfinished=True)
        changes.append(change)
    change["levels"] = [*(level for level in change["levels"] if level != use["level"]), use["level"]]
    change["unfinished"] = True
    return {**state, "changes": changes}


def adopt(state: LeaseState, known: KnownChange) -> LeaseState:
    """The state with a change that another record knows: its before-value, and the levels that were given."""
    before: Before = {**place_of(known), "level": known["level"], "value": known["value"]}
    change = _changed(known, known["ours"], unfinished=known["unfinished"])
    return {**state, "before": [*state["before"], before], "changes": [*state["changes"], change]}


def _changed(place: Place, levels: list[object], *, unfinished: bool) -> Change:
    return {
        "setting": place["setting"],
        "target": place["target"],
        "levels": levels,
        "ours": [],
        "unfinished": unfinished,
    }


def note_unfinished(state: LeaseState, place: Place) -> LeaseState:
    """The state before a changed place is restored: stopped in the middle, whatever it reads is ours."""
    changes: list[Change] = [
        {**one, "unfinished": one["unfinished"] or place_of(one) == place_of(place)} for one in state["changes"]
    ]
    return {**state, "changes": changes}


def note_done(state: LeaseState, use: Place, reads: object) -> LeaseState:
    """The state once the change is made and the place reads `reads`: a value that is ours, should it be found."""
    changes = [one.copy() for one in state["changes"]]
    for change in changes:
        if place_of(change) == place_of(use):
            change["ours"] = [*(one for one in change["ours"] if one != reads), reads]
            change["unfinished"] = False
            change.pop("as_found", None)
    return {**state, "changes": changes}


def note_as_found(state: LeaseState, use: Place) -> LeaseState:
    """The state once a place was restored between two cells: until it is changed again, it has to read as before."""
    changes: list[Change] = [
        {**one, "as_found": True} if place_of(one) == place_of(use) else one for one in state["changes"]
    ]
    return {**state, "changes": changes}


def before_of(found: AsFound, place: Place) -> Before | None:
    """The entry with the value a place had when it was first looked at; None when it never was."""
    return next((one for one in found["before"] if place_of(one) == place_of(place)), None)


def place_of(entry: Place) -> Place:
    """Only the setting and its target, of anything that has them."""
    return {"setting": entry["setting"], "target": entry["target"]}

"""Changes that may cut the way to this host: kept only if a connection made after them confirms them. Pure.

The state's `reverted` says what taking them back achieved, after they failed and until the next change.
"""

from __future__ import annotations

from typing import Optional, Sequence

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety import lease
from orchestrator.onhost.safety.state import LeaseState, Outcome, Place


def begin(
    state: LeaseState, uses: Sequence[Place], session: int, confirm_s: Optional[float], now_ns: int
) -> LeaseState:
    """The state before a change; with `confirm_s` on probation. Refusal "unconfirmed" while an earlier one is."""
    waiting = state.get("probation")
    if waiting is not None:
        raise Refusal(
            "unconfirmed",
            "an earlier change waits to be confirmed by a new connection",
            places=waiting["places"],
        )
    if confirm_s is None:
        return {**state, "probation": None, "reverted": None}
    places = [lease.place_of(use) for use in uses]
    return {
        **state,
        "reverted": None,
        "probation": {"until_ns": now_ns + int(confirm_s * lease.NS), "session": session, "places": places},
    }


def confirm(state: LeaseState, session: int, now_ns: int) -> LeaseState:
    """The state with the changes kept. Refusal "same_session", "reverted" or "nothing_to_confirm"."""
    waiting = state.get("probation")
    if waiting is None:
        reverted = state.get("reverted")
        if reverted is not None:
            raise Refusal("reverted", "the change was taken back: no new connection confirmed it in time", **reverted)
        raise Refusal("nothing_to_confirm", "no change waits to be confirmed")
    if session == waiting["session"]:
        raise Refusal("same_session", "a change that may cut the way here is confirmed by a new connection only")
    if now_ns >= waiting["until_ns"]:
        raise Refusal("reverted", "the time to confirm the change has run out")
    return {**state, "probation": None}


def left_ns(state: LeaseState, now_ns: int) -> Optional[int]:
    """How long the probation goes on; None when there is none, zero or less when it has failed."""
    waiting = state.get("probation")
    return None if waiting is None else waiting["until_ns"] - now_ns


def failed(state: LeaseState, outcome: Outcome) -> LeaseState:
    """The state after the places were restored with `outcome`: what is back is no change any more."""
    back = [lease.place_of(entry) for entry in outcome["restored"]]
    return {
        **state,
        "probation": None,
        "reverted": outcome,
        "changes": [change for change in state["changes"] if lease.place_of(change) not in back],
    }

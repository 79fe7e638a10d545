"""Changes that may cut the way to this host: kept only if a connection made after them confirms them. Pure.

On the state: `probation` {until_ns, session, places} while it lasts, `reverted` (what taking back achieved) after it
failed and until the next change.
"""

from __future__ import annotations

from typing import Any

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety import lease


def begin(
    state: dict[str, Any], uses: list[dict[str, Any]], session: int, confirm_s: float | None, now_ns: int
) -> dict[str, Any]:
    """The state before a change; with `confirm_s` on probation. Refusal "unconfirmed" while an earlier one is."""
    if state.get("probation"):
        raise Refusal(
            "unconfirmed",
            "an earlier change waits to be confirmed by a new connection",
            places=state["probation"]["places"],
        )
    if confirm_s is None:
        return {**state, "probation": None, "reverted": None}
    places = [lease.place_of(use) for use in uses]
    return {
        **state,
        "reverted": None,
        "probation": {"until_ns": now_ns + int(confirm_s * lease.NS), "session": session, "places": places},
    }


def confirm(state: dict[str, Any], session: int, now_ns: int) -> dict[str, Any]:
    """The state with the changes kept. Refusal "same_session", "reverted" or "nothing_to_confirm"."""
    waiting = state.get("probation")
    if waiting is None:
        if state.get("reverted"):
            raise Refusal(
                "reverted", "the change was taken back: no new connection confirmed it in time", **state["reverted"]
            )
        raise Refusal("nothing_to_confirm", "no change waits to be confirmed")
    if session == waiting["session"]:
        raise Refusal("same_session", "a change that may cut the way here is confirmed by a new connection only")
    if now_ns >= waiting["until_ns"]:
        raise Refusal("reverted", "the time to confirm the change has run out")
    return {**state, "probation": None}


def left_ns(state: dict[str, Any], now_ns: int) -> int | None:
    """How long the probation goes on; None when there is none, zero or less when it has failed."""
    waiting = state.get("probation")
    return None if waiting is None else waiting["until_ns"] - now_ns


def failed(state: dict[str, Any], outcome: dict[str, Any]) -> dict[str, Any]:
    """The state after the places were restored with `outcome`: what is back is no change any more."""
    back = [lease.place_of(entry) for entry in outcome["restored"]]
    return {
        **state,
        "probation": None,
        "reverted": outcome,
        "changes": [change for change in state["changes"] if lease.place_of(change) not in back],
    }

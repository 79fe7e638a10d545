"""How late a host may restore itself: the arithmetic of the timeouts that its watchdog keeps. Pure."""

from __future__ import annotations

from orchestrator.onhost.safety import restoring, watchdog

CHANGE_TIMEOUT_S = 60.0  # a driver may take seconds per change; the helper ends one that takes longer


def latest_s(lease_s: float, places: int) -> float:
    """Seconds from the controller's last word until the traffic has ended and `places` settings are as found again.

    `lease_s`, give or take a moment, where nothing is in the way. At the worst a change is being made when the lease
    ends, is ended by its own timeout, and the watchdog's next attempt meets drivers that hang.
    """
    noticed_s = watchdog.LONGEST_SLEEP_S + watchdog.TRAFFIC_GRACE_S
    if not places:
        return lease_s + noticed_s
    in_the_way_s = max(watchdog.LOCK_PATIENCE_S, CHANGE_TIMEOUT_S + _longest_pause_s(CHANGE_TIMEOUT_S))
    return lease_s + noticed_s + in_the_way_s + restoring.longest_s(places)


def _longest_pause_s(change_s: float) -> float:
    """The longest pause between two attempts while a change of `change_s` may still come to its end."""
    longest_s, at_s = 0.0, watchdog.LOCK_PATIENCE_S
    for pause_s in watchdog.AGAIN_AFTER_S:
        if at_s <= change_s:
            longest_s = max(longest_s, pause_s)
        at_s += pause_s
    return longest_s

"""The lease as the helper's loop looks at it: which one a job runs under, how long it lasts, and whether it is over."""

from __future__ import annotations

from typing import Optional, Tuple

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety import lease
from orchestrator.onhost.safety.record import Record, boot_id, boottime_ns
from orchestrator.onhost.safety.state import LeaseState

LEFT_BEHIND_GRACE_S = 20.0


class LeaseWatch:
    """Reads the record only when it has changed: the loop asks several times a second while traffic is measured."""

    def __init__(self, record: Record) -> None:
        self._record = record
        self._stamp: Tuple[object, ...] = ()
        self._state: Optional[LeaseState] = None
        self._lasted_s = 0.0  # how long a lease was granted for, once one was seen here

    def token(self) -> Optional[int]:
        """The token of the lease that lasts now; None when nobody holds this host."""
        state = self._look()
        return state["token"] if state is not None and lease.is_live(state, boottime_ns(), boot_id()) else None

    def is_left_behind(self, silent_s: float) -> bool:
        """Whether there was a lease, none lasts now, and nothing was heard for as long and a grace: nobody is there.

        A cable that was out in the moment of a session's end leaves its helper on a connection that nobody closes. The
        grace is for a controller that slept: it is told that its lease is over, rather than finding a closed pipe.
        """
        if self.token() is not None:
            self._lasted_s = 0.0 if self._state is None else self._state["lease_s"]
            return False
        return self._lasted_s > 0.0 and silent_s >= self._lasted_s + LEFT_BEHIND_GRACE_S

    def left_s(self, token: int) -> float:
        """How long the lease of this token still lasts, seconds; zero once it is over, or another's."""
        state, now_ns = self._look(), boottime_ns()
        if state is None or state["token"] != token or not lease.is_live(state, now_ns, boot_id()):
            return 0.0
        return (state["deadline_ns"] - now_ns) / lease.NS

    def _look(self) -> Optional[LeaseState]:
        """The record's state; the last one known while it cannot be read."""
        try:
            stamp = self._record.stamp()
            if stamp != self._stamp or not stamp:
                self._state = self._record.load()
                self._stamp = stamp
        except (Refusal, OSError):
            pass
        return self._state

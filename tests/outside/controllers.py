"""Runs `linktrial` as tests.kills.controllers does, and stops at moments of a trial that no line of the journal marks.

An order's "stop_at" may be {"moment": NAME, "position": N}: `path`, `after traffic` (the trial waits until it is let
go on), `warm-up`, `window` (only told; the traffic goes on).
"""

from __future__ import annotations

import asyncio
import os
from typing import Any

from orchestrator.act.conduct import ConductedTrial
from tests.kills import controllers

_stop_at_line = controllers._stop_at
PAUSES = {"path": "_path_carries", "after traffic": "_look_again"}
TOLD = {"warm-up": 0.4, "window": 1.6}  # s after the traffic's start; warm-up lasts 1 s, the window 5 s


def main() -> None:
    """Command after command."""
    controllers._stop_at = _stop_at
    controllers.main()


def _stop_at(place: int | dict[str, Any], before: bool, tell: int, go_on: int) -> None:
    moment = place.get("moment") if isinstance(place, dict) else None
    if moment in PAUSES:
        _pause_at(PAUSES[moment], place, tell, go_on)  # type: ignore[arg-type]
    elif moment in TOLD:
        _tell_after(TOLD[moment], place, tell)  # type: ignore[arg-type]
    else:
        _stop_at_line(place, before, tell, go_on)


def _pause_at(name: str, place: dict[str, Any], tell: int, go_on: int) -> None:
    original = getattr(ConductedTrial, name)

    async def paused(self: ConductedTrial, *words: Any) -> Any:
        if self.trial.position == place["position"] and self.state.attempt == 1:
            os.write(tell, f"at {self.trial.position}\n".encode())
            await asyncio.to_thread(os.read, go_on, 1)
        return await original(self, *words)

    setattr(ConductedTrial, name, paused)


def _tell_after(seconds: float, place: dict[str, Any], tell: int) -> None:
    original = ConductedTrial._give_windows

    async def given(self: ConductedTrial, *words: Any) -> None:
        await original(self, *words)
        if self.trial.position == place["position"] and self.state.attempt == 1:
            asyncio.get_running_loop().call_later(seconds, os.write, tell, f"at {self.trial.position}\n".encode())

    ConductedTrial._give_windows = given  # type: ignore[method-assign]


if __name__ == "__main__":
    main()

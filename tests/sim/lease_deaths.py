"""A controller that dies at any message or second of a trial of any length, on the virtual clock.

The hosts' side is the helper's own code; the referee only compares values with the clock. `bash tests/proofs.sh lease`
plays thousands.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, replace

from orchestrator.planning.order import SplitMix
from tests.sim.fake_host import FakeHost
from tests.sim.stage import LEASE_S, Stage

LONGEST_S = 86_400.0
MESSAGES = 80  # of a run of one trial, and some more
WAYS = ("killed", "stopped", "cut off")
FOR_EVER_S = 1e12
NOTICED_S = 1.0  # a watchdog looks at the clock at least once a second
BOTH = ("dome", "hall")


@dataclass(frozen=True)
class Death:
    """How, and when: before its n-th message, or (0) so long after the traffic's beginning."""

    seed: int
    way: str
    length_s: float
    message: int
    moment_s: float


@dataclass
class Found:
    """What became of it: whether a host was changed when it happened, and by when all were as found again, seconds."""

    struck: bool = False
    worst_s: float = 0.0
    problem: str = ""


def death(seed: int) -> Death:
    """Lengths from a second to a day, as many short as long ones."""
    dice = SplitMix(seed)
    length_s = LONGEST_S ** (dice.below(10_001) / 10_000)
    at_message = dice.below(2) == 0
    return Death(
        seed,
        WAYS[dice.below(len(WAYS))],
        length_s,
        1 + dice.below(MESSAGES) if at_message else 0,
        dice.below(10_001) / 10_000 * length_s,
    )


def play(case: Death) -> Found:
    """One run, one death, and what the hosts did by themselves."""
    stage, found = Stage(), Found()
    trial = replace(stage.setup.schedule[3], position=1)
    stage.setup = replace(stage.setup, schedule=(trial,), length_s=case.length_s)
    stage.watchdogs = lambda: _watchdogs(stage)  # type: ignore[method-assign]

    async def scene(stage: Stage) -> None:
        if await _dies(stage, case):
            await _watch(stage, found)

    stage.play(scene, 2 * LONGEST_S)
    return found


async def _dies(stage: Stage, case: Death) -> bool:
    """Whether the controller was still there to die."""
    assert stage.running is not None
    if case.message:
        reached, count = asyncio.Event(), 0

        async def before_message(host: FakeHost, verb: str) -> None:
            nonlocal count
            count += 1
            if count == case.message:
                reached.set()
                await asyncio.sleep(0)

        stage.world.before_message = before_message
        waiting = asyncio.ensure_future(reached.wait())
        await asyncio.wait({waiting, stage.running}, return_when=asyncio.FIRST_COMPLETED)
        waiting.cancel()
    else:
        await stage.traffic_of(1)
        await asyncio.sleep(case.moment_s)
    if stage.running.done():
        return False
    if case.way == "killed":
        await stage.kill()
    elif case.way == "stopped":
        stage.world.paused_until = FOR_EVER_S
    else:
        stage.cut(*BOTH)
    return True


async def _watch(stage: Stage, found: Found) -> None:
    """Not changed any more once the lease, counted from the death, is over."""
    died_s = stage.now()
    changed = [name for name in BOTH if not stage.is_as_found(name)]
    found.struck = bool(changed)
    for name in changed:
        if stage.deadline_s(name) > died_s + LEASE_S:
            found.problem = f"{name} waits {stage.deadline_s(name) - died_s:.1f} s after the death"
    while not all(map(stage.is_as_found, BOTH)) and stage.now() < died_s + 3 * LEASE_S:
        await asyncio.sleep(0.1)
    found.worst_s = stage.now() - died_s
    if found.worst_s > LEASE_S + NOTICED_S + 0.2:
        found.problem = found.problem or f"as found only {found.worst_s:.1f} s after the death"


async def _watchdogs(stage: Stage) -> None:
    """As the real ones: awake at the deadline, or a second later."""
    while True:
        now_s = stage.now()
        records = [host.record for host in stage.hosts.values() if host.watchdog]
        due_s = min((record["deadline_ns"] / 1e9 - now_s for record in records if record), default=NOTICED_S)
        await asyncio.sleep(max(NOTICED_S, due_s))
        for host in stage.hosts.values():
            host.keep(stage.now())

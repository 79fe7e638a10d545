"""A connection tried again and again: what is only slow is waited for, what hangs is not, and none is left behind."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field

import pytest

from orchestrator.act.tries import first_of_tries
from orchestrator.faults import HostError
from tests.sim.virtual_loop import VirtualLoop

HANGS_S = 1000.0


@dataclass
class Host:
    """Takes `takes_s` of a try that begins once it is `up_at_s`; an earlier one hangs or, as `refuses` says, fails."""

    takes_s: float
    up_at_s: float = 0.0
    refuses: bool = False
    began_s: float = 0.0
    begun: int = 0
    open: list[float] = field(default_factory=list)

    async def begin(self) -> float:
        self.begun += 1
        now_s = asyncio.get_running_loop().time() - self.began_s
        if now_s < self.up_at_s and self.refuses:
            raise HostError("refused", "dome: refused", host="dome")
        await asyncio.sleep(self.takes_s if now_s >= self.up_at_s else HANGS_S)
        self.open.append(now_s)
        return now_s

    async def end(self, made: float) -> None:
        self.open.remove(made)


def tried(host: Host, within_s: float = 9.0) -> float:
    """When it was there, seconds; nothing else is open then."""

    async def play() -> float:
        host.began_s = began_s = asyncio.get_running_loop().time()
        made = await first_of_tries(host.begin, host.end, every_s=3.0, pause_s=0.5, until=began_s + within_s)
        at_s = asyncio.get_running_loop().time() - began_s
        await asyncio.sleep(HANGS_S)
        assert host.open == [made]
        return at_s

    loop = VirtualLoop()
    try:
        return loop.run_until_complete(play())
    finally:
        loop.close()


def test_a_host_that_needs_longer_than_the_time_between_two_tries_is_reached_as_soon_as_it_can_be():
    assert tried(Host(takes_s=7.0)) == pytest.approx(7.0, abs=0.01)


@pytest.mark.parametrize("refuses", [False, True])
def test_a_link_that_comes_back_is_used_by_the_next_try(refuses: bool):
    host = Host(takes_s=0.5, up_at_s=5.0, refuses=refuses)
    assert tried(host) <= 6.6
    assert host.begun <= (12 if refuses else 3)


@pytest.mark.parametrize("refuses", [False, True])
def test_a_host_that_is_never_there_is_given_up_in_time(refuses: bool):
    with pytest.raises(TimeoutError):
        tried(Host(takes_s=0.5, up_at_s=HANGS_S, refuses=refuses))


def test_an_error_of_ours_is_not_tried_again():
    async def begin() -> float:
        raise KeyError("ours")

    async def play() -> None:
        until = asyncio.get_running_loop().time() + 9.0
        await first_of_tries(begin, Host(1.0).end, every_s=3.0, pause_s=0.5, until=until)

    loop = VirtualLoop()
    with pytest.raises(KeyError):
        loop.run_until_complete(play())
    loop.close()

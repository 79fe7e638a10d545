"""A silent link's run says where its cable ends, or says nothing when nobody can tell."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from orchestrator.act.wiring import wired_elsewhere
from orchestrator.faults import HostError

DOME, HALL = ("dome", "eth1"), ("hall", "eth1")
INDEXES = {DOME: 2, HALL: 2}


class Listening:
    """A job that has heard what it is made with."""

    def __init__(self, heard: list[list[Any]]) -> None:
        self.heard = heard

    async def event(self, timeout_s: float) -> dict[str, Any]:
        return {"stage": "listening"}

    async def tell(self, words: dict[str, Any]) -> None:
        assert words == {"done": True}

    async def result(self) -> dict[str, Any]:
        return {"heard": self.heard}

    async def cancel(self) -> None:
        pass


class Host:
    """A session to a host whose interfaces hear [number of the host that calls, its interface, ours]."""

    def __init__(self, heard: list[list[Any]], *, root: bool = True) -> None:
        self.heard, self.root = heard, root
        self.called: list[str] = []

    def start(self, verb: str, args: dict[str, Any], *, timeout_s: float) -> Listening:
        if not self.root:
            raise HostError("needs_root", "frames without an address can only be sent and heard by root")
        return Listening(self.heard)

    async def request(self, verb: str, args: dict[str, Any]) -> None:
        self.called.append(args["interface"])


def said(dome: Host, hall: Host) -> str:
    sessions: Any = {"dome": dome, "hall": hall}
    return asyncio.run(wired_elsewhere("uplink", sessions, (DOME, HALL), INDEXES))


def test_crossed_cables_are_told_from_both_ends() -> None:
    dome, hall = Host([[1, 2, "eth2"]]), Host([[0, 2, "eth2"]])
    words = said(dome, hall)
    assert "frames of dome:eth1 arrive at hall:eth2, and not at hall:eth1" in words
    assert "frames of hall:eth1 arrive at dome:eth2, and not at dome:eth1" in words
    assert (dome.called, hall.called) == (["eth1"], ["eth1"])


@pytest.mark.parametrize(
    ("dome", "hall"),
    [
        ([], []),  # a router lies between, or nothing does
        ([[1, 2, "eth1"]], [[0, 2, "eth1"]]),  # the cable is where the plan says: the path is silent for another reason
    ],
)
def test_what_is_not_heard_elsewhere_accuses_no_cable(dome: list[list[Any]], hall: list[list[Any]]) -> None:
    assert said(Host(dome), Host(hall)) == ""


def test_without_root_nothing_is_said() -> None:
    assert said(Host([], root=False), Host([])) == ""

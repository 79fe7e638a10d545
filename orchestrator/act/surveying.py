"""Surveying hosts: every one at the same time, nothing changed; and the path between two of them, if asked."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Awaitable, Callable, Mapping, Sequence

from orchestrator.act.looking_at_ends import who_else_answers
from orchestrator.act.path_proof import PathEnd, prove_path
from orchestrator.act.session import HostSession
from orchestrator.act.wiring import prove_wiring
from orchestrator.decide.findings import End, Wire, findings
from orchestrator.decide.links.addressing import addresses_of
from orchestrator.decide.links.answering import questions_of
from orchestrator.decide.links.ends import interface_facts, interface_of
from orchestrator.decide.setup import LinkSetup
from orchestrator.decide.shapes.host_facts import Survey
from orchestrator.decide.shapes.record import PathResult
from orchestrator.faults import Fault, HostError, as_fault

Open = Callable[[str], Awaitable[HostSession]]
_SURVEY_TIMEOUT_S = 30.0
_SMALL_FRAME_TIMEOUT_S = 3.0  # a survey does not wait for a port that begins to forward: it says that nothing came


class Surveyed:
    """What hosts answered: surveys by name, faults of those that did not, and what paths carry."""

    def __init__(self) -> None:
        self.surveys: dict[str, Survey] = {}
        self.faults: dict[str, Fault] = {}  # by host
        self.link_faults: dict[str, Fault] = {}
        self.paths: dict[str, PathResult] = {}
        self.wires: list[Wire] = []
        self.wiring_fault: Fault | None = None  # why nothing is known of the wiring, when something was asked


async def survey_hosts(names: Sequence[str], open_session: Open, links: Sequence[LinkSetup] = ()) -> Surveyed:
    """Survey every host, then prove the wiring and the paths of `links`. A host's fault stops no other host."""
    found = Surveyed()
    sessions: dict[str, HostSession] = {}

    async def one(name: str) -> None:
        try:
            sessions[name] = await open_session(name)
            survey = await _survey(sessions[name])
            findings({name: survey}, [])  # what cannot be read alone cannot be read with the others either
            found.surveys[name] = survey
        except Exception as error:  # one that is nobody else's is ours, and stops no other host either
            found.surveys.pop(name, None)
            found.faults[name] = as_fault(error)

    try:
        await asyncio.gather(*(one(name) for name in names))
        await _prove_wiring(links, sessions, found)
        for link in links:
            await _prove(link, sessions, found)
    finally:
        ended = await asyncio.gather(*(session.close() for session in sessions.values()), return_exceptions=True)
        for name, error in zip(sessions, ended, strict=True):
            if isinstance(error, Exception) and not isinstance(error, HostError):
                found.faults.setdefault(name, as_fault(error))
    return found


async def _survey(session: HostSession) -> Survey:
    """The host's answer, with how far its wall clock is from ours in seconds."""
    survey: Survey = await session.request("survey", {}, timeout_s=_SURVEY_TIMEOUT_S)
    before = time.time()
    clock = await session.request("clock", {})
    survey["clock_offset_s"] = round(clock["wall_ns"] / 1e9 - (before + time.time()) / 2, 4)
    return survey


async def _prove_wiring(links: Sequence[LinkSetup], sessions: Mapping[str, HostSession], found: Surveyed) -> None:
    """Who hears whom, of the ends that were found; without root on every host this is left out, and said."""
    indexes: dict[End, int] = {}
    for host, selector in (end for link in links for end in link.ends if end[0] in found.surveys):
        with contextlib.suppress(HostError):  # an end that is not there is told by the proof of its path
            facts = interface_facts(interface_of(selector, found.surveys[host], host), found.surveys[host])
            indexes[host, facts["name"]] = facts["index"]
    if not indexes:
        return
    try:
        listening = {host: session for host, session in sessions.items() if host in found.surveys}
        found.wires = await prove_wiring(listening, list(indexes), indexes)
    except Exception as error:
        found.wiring_fault = as_fault(error)


async def _prove(link: LinkSetup, sessions: Mapping[str, HostSession], found: Surveyed) -> None:
    """The path at the smaller of the two MTUs that the ends have now; a fault is what there is to say about it."""
    (a, selector_a), (b, selector_b) = link.ends
    if a not in found.surveys or b not in found.surveys:
        return
    try:
        first, second = (
            interface_facts(interface_of(selector, found.surveys[host], host), found.surveys[host])
            for host, selector in ((a, selector_a), (b, selector_b))
        )
        family, local, peer = addresses_of(link, first, second, None)
        for question in questions_of(link, (first["name"], second["name"]), (local, peer)) if family == 4 else ():
            if fault := await who_else_answers(question, found.surveys, sessions):
                found.link_faults[link.name] = fault
                return
        found.paths[link.name] = await prove_path(
            PathEnd(sessions[a], first["name"], local, a),
            PathEnd(sessions[b], second["name"], peer, b),
            family=family,
            port=link.ports[0],
            mtu=min(first["mtu"], second["mtu"]),
            small_timeout_s=_SMALL_FRAME_TIMEOUT_S,
        )
    except Exception as error:
        found.link_faults[link.name] = as_fault(error)

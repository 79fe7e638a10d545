"""What is looked at on links before a host is taken: nothing is changed, only evidence against a run counts."""

from __future__ import annotations

from collections.abc import Mapping

from orchestrator.act.session import HostSession
from orchestrator.act.supervised import all_of
from orchestrator.decide.links.answering import Question, questions, wrong_answer
from orchestrator.decide.links.end_problems import EndNotReady, ends_not_ready
from orchestrator.decide.shapes.host_facts import HostFacts
from orchestrator.decide.state import RunState, facts_of
from orchestrator.faults import HostError
from orchestrator.stored import Json

ASKED_TIMEOUT_S = 5.0
# A copper link renegotiates in 2 to 7 s, the duplicate check of an IPv6 address takes 1 to 2 (RFC 4862 s5.4).
SETTLED_TIMEOUT_S = 10.0


async def look_at_ends(state: RunState, sessions: Mapping[str, HostSession]) -> None:
    """HostError when an end has no carrier or no usable address, or somebody else answers for its address."""
    waiting = ends_not_ready(state)
    for fault in await all_of(*(_still_not_ready(end, sessions) for end in waiting)):
        if fault is not None:
            raise fault
    facts = facts_of(state)
    # one question after the other: two at once over one link would hear each other's answers
    for question in questions(state):
        if fault := await who_else_answers(question, facts, sessions):
            raise fault


async def who_else_answers(
    question: Question, facts: Mapping[str, HostFacts], sessions: Mapping[str, HostSession]
) -> HostError | None:
    """What is wrong with the answers to one question; None also where nobody can be asked."""
    answer = await _asked(
        sessions,
        question.host,
        "neighbours.answering",
        {"interface": question.interface, "address": question.address, "source": question.source},
        ASKED_TIMEOUT_S,
    )
    return wrong_answer(question, answer["macs"], facts[question.asked_host]) if answer else None


async def _still_not_ready(end: EndNotReady, sessions: Mapping[str, HostSession]) -> HostError | None:
    answer = await _asked(
        sessions,
        end.host,
        "ready",
        {"interface": end.interface, "family": end.family, "address": end.address, "timeout_s": SETTLED_TIMEOUT_S},
        SETTLED_TIMEOUT_S + ASKED_TIMEOUT_S,
    )
    return None if not answer or answer["ready"] else end.fault(str(answer["why"]), answer["waited_s"])


async def _asked(
    sessions: Mapping[str, HostSession], host: str, verb: str, args: Json, timeout_s: float
) -> Json | None:
    """A host's answer; None where it has none: without root, or because its session is lost, which others notice."""
    session = sessions.get(host)
    if session is None:
        return None
    try:
        answer: Json = await session.request(verb, args, timeout_s=timeout_s)
        return answer
    except HostError:
        return None

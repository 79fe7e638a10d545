"""What a host says is bounded before it is anything, has a shape after, and its nonsense is that host's own error."""

from __future__ import annotations

import asyncio
import json
import random
import resource
import time
from typing import Any

import pytest

from orchestrator.act import answers
from orchestrator.act.session import WAITING_LIMIT_BYTES
from orchestrator.act.surveying import survey_hosts
from orchestrator.faults import Fault, HostError
from orchestrator.onhost.service.decoding import DEEPEST, MAX_PARTS, decode
from orchestrator.onhost.service.frames import FRAME_LIMIT_BYTES
from tests.borders.mutations import RECORDED, deep
from tests.borders.play import Tally, play
from tests.borders.scripted import ScriptedSession, frame
from tests.sim.virtual_loop import VirtualLoop


def test_mutated_answers_end_in_words_and_leave_the_other_host_told() -> None:
    tally = Tally()
    for number in range(700):
        play(number, 20261201, tally)
    assert tally.problems == []
    assert sum(tally.mutated.values()) > 1000
    assert {ended.split(":")[0] for ended in tally.ended} == {"survey", "recover", "trial"}
    assert tally.ended["survey: one"] > 20, "one host's nonsense is not the other's"


@pytest.mark.parametrize("recorded", RECORDED["answers"], ids=lambda one: f"{one['verb']}-{one['kind']}")
def test_what_real_hosts_answer_has_the_shape_that_is_asked_for(recorded: dict[str, Any]) -> None:
    assert answers.problem_with(recorded["verb"], recorded["kind"], recorded["content"]) == ""


@pytest.mark.parametrize("verb", ["survey", "facts", "recover", "restore", "watchdog", "traffic.serve", "path.probe"])
@pytest.mark.parametrize("answer", [{}, [], None, "x", {"found": 1}])
def test_an_empty_or_other_answer_is_no_answer(verb: str, answer: Any) -> None:
    assert answers.problem_with(verb, "done", answer) != ""


def test_every_verb_that_a_host_knows_has_a_shape() -> None:
    from orchestrator.onhost.service import messages

    assert set(messages.VERBS) - set(answers.DONE) == set()


async def _flooded(body: bytes, count: int) -> tuple[int, Fault | None]:
    session = ScriptedSession("dome", random.Random(1), 0.0, {})
    job = session.start("survey", {}, timeout_s=5.0)
    most, event = 0, frame(body % job.number)
    for _ in range(count):
        session._channel.data_received(event, None)  # type: ignore[arg-type]
        most = max(most, session.waiting_bytes)
    try:
        await job.result()
    except HostError as error:
        return most, error
    return most, None


@pytest.mark.parametrize("inner", [b'"' + b"x" * (FRAME_LIMIT_BYTES - 200) + b'"', b"[" + b"[]," * 80_000 + b"[]]"])
def test_events_are_bounded_in_bytes_and_not_only_in_number(inner: bytes) -> None:
    """Twenty thousand events of four megabytes each were kept: gigabytes, until somebody looked."""
    body = b'{"id":%d,"kind":"event","body":{"more":' + inner.replace(b"%", b"%%") + b"}}"
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        most, fault = runner.run(_flooded(body, 20))
    grown_bytes = 1024 * (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)
    assert isinstance(fault, HostError)
    assert fault.code == "too_much"
    assert most <= WAITING_LIMIT_BYTES
    assert grown_bytes < 150e6, f"{grown_bytes / 1e6:.0f} MB"


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (b'{"a":NaN}', "number"),
        (b'{"a":1e999}', "number"),
        (b'{"a":-Infinity}', "number"),
        (b'{"a":1,"a":2}', "twice"),
        (b'{"a":' + b"9" * 4000 + b"}", "digits"),
        (b"[1]", "object"),
        (b'{"a":"\xff"}', "decode"),
        (b"{", "Expecting"),
        (json.dumps({"a": deep(DEEPEST)}).encode(), "deep"),
        (b'{"a":' + b"[" * 100_000 + b"]" * 100_000 + b"}", "deep"),
        (b'{"a":[' + b"0," * MAX_PARTS + b"0]}", "parts"),
    ],
)
def test_a_message_that_is_none_of_ours_is_refused_before_it_is_used(text: bytes, why: str) -> None:
    began = time.process_time()
    with pytest.raises(ValueError, match=why):
        decode(text)
    assert time.process_time() - began < 1.0


def test_facts_nested_a_hundred_deep_are_no_facts() -> None:
    """They were taken, and the report then refused the folder that held them."""
    facts = next(one["content"] for one in RECORDED["answers"] if one["verb"] == "facts")
    with pytest.raises(ValueError, match="deep"):
        decode(json.dumps({"id": 1, "kind": "done", "body": {**facts, "more": deep(100)}}).encode())


def test_half_a_character_is_replaced_and_a_whole_one_stays() -> None:
    assert decode(json.dumps({"a\ud800": ["\udc41", "\U0001f600", {"b": "\ud83d"}]}).encode()) == {
        "a\ufffd": ["\ufffd", "\U0001f600", {"b": "\ufffd"}]
    }


def test_a_host_that_answers_nothing_of_ours_leaves_the_other_surveyed() -> None:
    """`survey` and `recover` ended in a KeyError for all hosts when one answered {}."""

    class Empty(ScriptedSession):
        def _answer(self, number: int, verb: str) -> None:
            body = json.dumps({"id": number, "kind": "done", "body": {}}).encode()
            self._channel.data_received(frame(body), None)  # type: ignore[arg-type]

    async def open_session(name: str) -> ScriptedSession:
        return (Empty if name == "dome" else ScriptedSession)(name, random.Random(1), 0.0, {})

    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        found = runner.run(survey_hosts(("dome", "hall"), open_session))
    assert list(found.surveys) == ["hall"]
    assert isinstance(found.faults["dome"], HostError)
    assert found.faults["dome"].code == "bad_answer"
    assert "no answer of linktrial's" in found.faults["dome"].message

"""`--debug`: each message to and from a host is told with verb, size and duration, and nothing of what is in it."""

from __future__ import annotations

import asyncio
import re
from pathlib import Path
from typing import Any

import pytest

from orchestrator.act.message_log import MessageLog
from orchestrator.act.session import connect
from orchestrator.faults import HostError
from orchestrator.onhost.service.frames import encode
from tests.act.local_server import BOX, local_server

SECRET = "cafe" * 16


def log(lines: list[str]) -> MessageLog:
    """A log whose clock goes on by half a second with each look at it."""
    ticks = iter(range(1000))
    return MessageLog("dome", lines.append, lambda: next(ticks) * 0.5)


def test_a_question_and_its_answer_have_verb_size_and_duration():
    lines: list[str] = []
    question: dict[str, Any] = {"id": 7, "verb": "apply", "args": {"token": 3}, "timeout_s": 10.0}
    answer: dict[str, Any] = {"id": 7, "kind": "done", "body": {"uses": []}}
    noted = log(lines)
    noted.sent(question)
    noted.heard(answer)
    assert lines == [
        f"dome -> 7 apply: asked, at most 10.0 s, {len(encode(question))} bytes",
        f"dome <- 7 apply: done, 0.500 s, {len(encode(answer))} bytes",
    ]


@pytest.mark.parametrize(
    "message",
    [
        {"id": 7, "verb": "lease.listen", "args": {"token": 1, "key": SECRET}, "timeout_s": 1.0},
        {"id": 7, "tell": {"key": SECRET}},
        {"id": 7, "cancel": True, SECRET: SECRET},
    ],
)
def test_nothing_that_is_sent_is_told_but_its_verb(message: dict[str, Any]):
    lines: list[str] = []
    log(lines).sent(message)
    assert len(lines) == 1
    assert SECRET not in lines[0]


@pytest.mark.parametrize(
    "message",
    [
        {"id": 7, "kind": "event", "body": {"key": SECRET}},
        {"id": 7, "kind": "done", "body": {SECRET: 1}},
        {"id": 7, "kind": "error", "error": {"code": "refused", "message": SECRET, "values": {"before": SECRET}}},
        {"id": 7, "kind": SECRET},
        {"id": SECRET, "kind": "done"},
        {"id": 7, "kind": "error", "error": SECRET},
        {SECRET: float("nan")},
    ],
)
def test_nothing_that_is_heard_is_told_but_its_kind_and_code(message: dict[str, Any]):
    lines: list[str] = []
    log(lines).heard(message)
    assert len(lines) == 1
    assert SECRET not in lines[0]


def test_a_session_tells_of_every_message_both_ways(tmp_path: Path):
    lines: list[str] = []

    async def run() -> None:
        async with local_server(tmp_path) as server:
            configuration = server.configuration(server.known_line())
            session = await connect(BOX, ssh_config=configuration, timeout_s=20, log=MessageLog("box", lines.append))
            try:
                await session.request("clock")
                with pytest.raises(HostError):
                    await session.request("wiring.listen", {"token": SECRET, "timeout_s": -1.0})
            finally:
                await session.close()

    asyncio.run(run())
    ways = [re.sub(r"\d+(\.\d+)?( s| bytes)", "N", line) for line in lines]
    assert ways == [
        "box <- 0: hello, N",
        "box -> 1 clock: asked, at most N, N",
        "box <- 1 clock: done, N, N",
        "box -> 2 wiring.listen: asked, at most N, N",
        "box <- 2 wiring.listen: error bad_request, N, N",
    ]
    assert SECRET not in "".join(lines)

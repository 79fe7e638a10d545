"""A bug in any verb of the helper, before or after it has done its work: the run ends in order, hosts as found."""

from __future__ import annotations

from typing import Any

import pytest

from orchestrator.faults import BugError
from orchestrator.onhost.service import jobs, messages
from tests.sim.fake_host import FakeHost
from tests.sim.fake_session import FakeJob
from tests.sim.stage import HookedSession, Stage
from tests.sim.test_event_table import BOTH, LARGE

ASKED = (
    "clock",
    "control",
    "facts",
    "kernel",
    "lease.acquire",
    "watchdog",
    "prepare",
    "apply",
    "verify",
    "ready",
    "forget",
    "lease.renew",
    "restore",
    "compare",
    "lease.release",
)
AFTER_A_LOSS = ("watchdog", "lease.acquire", "read")
AS_JOBS = ("path.answer", "path.probe", "traffic.serve", "traffic.dial")


def bug(verb: str, host: FakeHost) -> BugError:
    """What the session makes of a helper's answer "bug"."""
    return BugError("helper", f"{verb} on {host.name}: KeyError: 'injected'")


async def ends_in_order(stage: Stage) -> None:
    """With exit code 4, the error kept for the log, and nothing of ours left."""
    assert stage.running is not None
    assert stage.runner is not None
    assert await stage.running == 4
    assert isinstance(stage.runner.bug, BugError)
    assert all(map(stage.is_as_found, BOTH))
    assert set(stage.statuses().values()) <= {"valid"}, "no property of a cell"


def test_the_verbs_tried_are_verbs_of_the_helper():
    """Left out is what no such run asks: of a survey, of levels that take a restart, of ends that look wrong."""
    assert {*ASKED, *AFTER_A_LOSS, *AS_JOBS} <= {*messages.VERBS, *jobs.INLINE, *jobs.VERBS}


@pytest.mark.parametrize("done", [False, True], ids=["before its work", "after its work"])
@pytest.mark.parametrize("verb", ASKED)
def test_a_bug_in_a_verb_ends_the_run_in_order(verb: str, done: bool, monkeypatch: pytest.MonkeyPatch):
    met: list[str] = []
    ask = HookedSession.request

    async def request(self: HookedSession, asked: str, args: Any = None, timeout_s: float = 10.0) -> Any:
        if asked != verb or met:
            return await ask(self, asked, args, timeout_s)
        met.append(asked)
        if done:
            await ask(self, asked, args, timeout_s)
        raise bug(verb, self.host)

    async def scene(stage: Stage) -> None:
        await ends_in_order(stage)
        assert met

    monkeypatch.setattr(HookedSession, "request", request)
    stage = Stage()
    if verb == "lease.renew":
        from dataclasses import replace

        stage.setup = replace(stage.setup, length_s=15.0)
    stage.play(scene)


@pytest.mark.parametrize("verb", AFTER_A_LOSS)
def test_a_bug_in_what_a_lost_host_is_asked_ends_the_run_in_order(verb: str):
    async def scene(stage: Stage) -> None:
        await stage.traffic_of(LARGE)
        met: list[str] = []

        async def before_message(host: FakeHost, asked: str) -> None:
            if asked == verb and not met:
                met.append(asked)
                raise bug(verb, host)

        stage.world.before_message = before_message
        if verb == "read":  # asked only of a host that has restored itself
            stage.cut("dome")
            import asyncio

            await asyncio.sleep(90.0)
            stage.mend("dome")
        else:
            stage.world.lose_all("dome")
        if verb == "lease.acquire":
            assert stage.running is not None
        await ends_in_order(stage)
        assert met

    Stage().play(scene)


@pytest.mark.parametrize("verb", AS_JOBS)
def test_a_bug_in_a_job_of_a_trial_ends_the_run_in_order(verb: str, monkeypatch: pytest.MonkeyPatch):
    met: list[str] = []
    begin = FakeJob.__init__

    def broken(self: FakeJob, session: Any, asked: str, args: Any) -> None:
        begin(self, session, asked, args)
        if asked == verb and args.get("interface") != "lo" and not met:
            met.append(asked)
            self.future.set_exception(bug(verb, session.host))

    async def scene(stage: Stage) -> None:
        await ends_in_order(stage)
        assert met

    monkeypatch.setattr(FakeJob, "__init__", broken)
    Stage().play(scene)

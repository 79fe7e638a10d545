"""A host that hangs is switched off and on by the plan's command: rarely, bounded, and never without the plan's word.

Time is virtual; the same on a guest whose power is really cut is in tests/guests/test_power_cycle.py.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import replace

import pytest

from orchestrator.act.actions import HostActions
from orchestrator.act.runner import Runner
from orchestrator.decide import events as ev
from orchestrator.decide.setup import PowerSwitch, setup_from_dict
from orchestrator.faults import HostError
from tests.sim.fake_host import same_in_simulation
from tests.sim.stage import R, Stage

WAIT_S, BOOT_S = 60.0, 20.0
PATIENCE_S = 600.0


class SwitchedStage(Stage):
    """The stage, with a switch for the power of dome; `works` says which switchings bring it back."""

    def __init__(
        self, works: tuple[bool, ...] = (True, True, True), *, in_plan: bool = True, fails: bool = False
    ) -> None:
        super().__init__()
        self.works, self.fails = works, fails
        self.switched_s: list[float] = []
        power = (PowerSwitch("dome", ("plug", "1"), WAIT_S),) if in_plan else ()
        self.setup = replace(self.setup, power=power, patience_s=PATIENCE_S)

    def controller(self, kind: type[R]) -> tuple[R, ev.Event | None]:
        runner, first = super().controller(kind)
        runner.actions = HostActions(
            runner.state,
            self.world.connect,
            same_in_simulation,  # type: ignore[arg-type]
            switch=self.switch,
        )
        return runner, first

    async def switch(self, switch: PowerSwitch) -> None:
        """The switch on the wall."""
        assert switch.command == ("plug", "1")
        if self.fails:
            raise HostError("power_cycle", "dome: the command ended with 1: no such plug", host="dome")
        works = self.works[len(self.switched_s)]
        self.switched_s.append(self.now())
        if works:
            self.hosts["dome"].restart()
            asyncio.get_running_loop().call_later(BOOT_S, self.mend, "dome")

    def hang(self) -> None:
        """The machine stops: no packet is answered, and its watchdog does not wake either."""
        self.cut("dome")
        self.hosts["dome"].watchdog = False


def played(scene: Callable[[SwitchedStage], Awaitable[None]], stage: SwitchedStage) -> SwitchedStage:
    async def as_stage(same: Stage) -> None:
        assert isinstance(same, SwitchedStage)
        await scene(same)

    stage.play(as_stage)
    return stage


def test_a_host_that_hangs_is_switched_once_and_the_run_goes_on_as_after_a_restart() -> None:
    async def scene(stage: SwitchedStage) -> None:
        await stage.traffic_of(4)
        hung_s = stage.now()
        stage.hang()
        assert await stage.exit_code() == 0
        assert stage.all_valid()
        assert stage.rejoined("dome") == ["rebooted"]
        (waited_s,) = (at - hung_s for at in stage.switched_s)
        assert 0.9 * PATIENCE_S <= waited_s <= PATIENCE_S + 60
        assert all(map(stage.is_as_found, ("dome", "hall")))
        assert any("dome: gave no sign of life; its power was switched" in note for note in stage.state.notes)

    played(scene, SwitchedStage())


def test_a_host_that_answers_again_in_time_is_not_switched() -> None:
    async def scene(stage: SwitchedStage) -> None:
        await stage.traffic_of(4)
        stage.cut("dome")
        await asyncio.sleep(PATIENCE_S / 2)
        stage.mend("dome")
        assert await stage.exit_code() == 0
        assert stage.switched_s == []

    played(scene, SwitchedStage())


def test_a_switch_that_does_not_help_is_not_tried_again_in_the_same_trial() -> None:
    async def scene(stage: SwitchedStage) -> None:
        await stage.traffic_of(4)
        stage.hang()
        code = await stage.exit_code()
        assert code == 5, "nobody has seen that it is back"
        assert len(stage.switched_s) == 1
        assert stage.now() - stage.switched_s[0] <= WAIT_S + 60, "after it the plan's own wait, not the patience"
        assert any(
            "nor after its power was switched once; look at its power, console" in note for note in stage.state.notes
        )

    played(scene, SwitchedStage((False,)))


def test_after_two_switchings_in_a_run_a_third_hang_is_for_a_person() -> None:
    async def scene(stage: SwitchedStage) -> None:
        for position in (3, 5, 7):
            await stage.traffic_of(position)
            stage.hang()
            if position < 7:
                while "dome" in stage.world.cut:
                    await asyncio.sleep(1.0)
        assert await stage.exit_code() == 5
        assert len(stage.switched_s) == 2
        assert any("switched twice" in note for note in stage.state.notes)

    played(scene, SwitchedStage())


def test_a_trial_that_hangs_the_host_again_is_not_repeated_by_the_switch() -> None:
    async def scene(stage: SwitchedStage) -> None:
        for _ in range(2):
            await stage.traffic_of(4)
            stage.hang()
            while "dome" in stage.world.cut and not (stage.running and stage.running.done()):
                await asyncio.sleep(1.0)
        assert await stage.exit_code() == 5
        assert len(stage.switched_s) == 1

    played(scene, SwitchedStage())


def test_without_the_plans_word_no_power_is_switched_and_a_person_is_told_what_to_do() -> None:
    async def scene(stage: SwitchedStage) -> None:
        await stage.traffic_of(4)
        stage.hang()
        assert await stage.exit_code() == 5
        assert stage.switched_s == []
        (note,) = (note for note in stage.state.notes if "did not come back within 600 s" in note)
        assert "start it by hand, then resume the run, or recover it" in note
        (fault,) = (
            entry.body["fault"]
            for entry in stage.journal.entries
            if entry.kind == "event" and entry.body["event"] == "HostFailed"
        )
        assert "start it by hand" in fault["next_step"]

    played(scene, SwitchedStage(in_plan=False))


def test_a_command_that_fails_ends_the_run_and_says_so() -> None:
    async def scene(stage: SwitchedStage) -> None:
        await stage.traffic_of(4)
        stage.hang()
        assert await stage.exit_code() == 5
        assert stage.state.stop is not None
        assert "no such plug" in stage.state.stop["reason"]

    played(scene, SwitchedStage(fails=True))


@pytest.mark.parametrize("kind", ["interrupt", "terminate"])
def test_no_power_is_switched_once_a_person_wants_the_run_to_end(kind: str) -> None:
    async def scene(stage: SwitchedStage) -> None:
        await stage.traffic_of(4)
        stage.hang()
        assert isinstance(stage.runner, Runner)
        stage.runner.post(ev.StopAsked(kind, kind))
        assert await stage.exit_code() == 5
        assert stage.switched_s == []

    played(scene, SwitchedStage())


def test_a_resumed_run_remembers_how_often_it_has_switched() -> None:
    async def scene(stage: SwitchedStage) -> None:
        await stage.traffic_of(4)
        stage.hang()
        assert await stage.exit_code() == 5
        for _ in range(2):
            stage.start()
            assert await stage.exit_code() == 5
        assert len(stage.switched_s) == 1, "the same trial: once"

    played(scene, SwitchedStage((False, False, False)))


def test_the_switch_survives_the_journal() -> None:
    import json

    setup = SwitchedStage().setup
    assert setup_from_dict(json.loads(json.dumps(setup.as_dict()))) == setup
    older = json.loads(json.dumps(setup.as_dict()))
    del older["power"]
    assert setup_from_dict(older).power == ()

"""Levels that take a restart, on the virtual clock: as seldom as possible, and every host ends with what it had.

The helper's own functions decide on the hosts; the same on guests that really boot: tests/guests/test_boot_settings.py.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import replace
from itertools import pairwise

import pytest

from orchestrator.act.actions import HostActions
from orchestrator.decide import events as ev
from orchestrator.decide.commands import Restart, command_to_dict
from orchestrator.decide.setup import PowerSwitch
from orchestrator.onhost.settings import CATALOGUE
from orchestrator.planning.cells import Cell, SettingUse
from orchestrator.planning.order import Trial, in_starts, restarts
from orchestrator.planning.traffic import DEFAULTS
from tests.sim.fake_host import same_in_simulation
from tests.sim.helper_host import AS_STARTED, HelperHost
from tests.sim.sim import MemoryJournal
from tests.sim.stage import R, Stage

BOOT_S = 20.0
OLD, NEW = KERNELS = ("6.1.0-old", "6.12.0-new")


def cells_of(hosts: tuple[str, ...]) -> tuple[Cell, ...]:
    """Two kernels by two frame sizes."""
    found = []
    for kernel in KERNELS:
        for mtu in (1500, 9000):
            uses = [SettingUse(host, "", "kernel", {"level": kernel}, "kernel", restarts=True) for host in hosts]
            uses += [SettingUse(host, "eth1", "mtu", mtu, "mtu") for host in ("dome", "hall")]
            found.append(
                Cell(
                    len(found) + 1,
                    f"kernel={kernel} mtu={mtu}",
                    {"kernel": kernel, "mtu": mtu},
                    tuple(uses),
                    "uplink",
                    dict(DEFAULTS),
                )
            )
    return tuple(found)


class StartedStage(Stage):
    """The stage with kernels: a host that is asked to restart is away for a while."""

    def __init__(
        self, hosts: tuple[str, ...] = ("dome", "hall"), patience_s: float = 600.0, switch: bool = False
    ) -> None:
        super().__init__()
        cells = cells_of(hosts)
        order = [1, 2, 3, 4, 4, 3, 1, 2]
        trials = tuple(
            Trial(place, cell, 1 + place // 5, 1 + place // 5, (place + 1) // 2) for place, cell in enumerate(order, 1)
        )
        power = (PowerSwitch("dome", ("plug", "1"), 60.0),) if switch else ()
        self.setup = replace(self.setup, cells=cells, schedule=trials, patience_s=patience_s, power=power)
        self.starts = dict.fromkeys(self.hosts, 0)
        self.asked_in: dict[str, str] = {}
        self.hangs = 0  # how many of dome's restarts do not come back by themselves
        self.deaf = False  # dome does not go down although it was asked
        for host in self.hosts.values():
            assert isinstance(host, HelperHost)
            host.goes_down = self.goes_down
        self.wrong: list[str] = []

    def controller(self, kind: type[R]) -> tuple[R, ev.Event | None]:
        runner, first = super().controller(kind)
        runner.actions = HostActions(
            runner.state,
            self.world.connect,
            same_in_simulation,  # type: ignore[arg-type]
            switch=self.switch,
        )
        return runner, first

    def restart_controller(self) -> None:
        """Another plan than the stage began with: nothing has happened yet."""
        assert self.running is not None
        self.running.cancel()
        self.journal = MemoryJournal()
        self.start()

    def goes_down(self, name: str) -> None:
        host = self.hosts[name]
        if self.asked_in.get(name) != host.boot_id and not (self.deaf and name == "dome"):  # once it goes, it goes
            self.asked_in[name] = host.boot_id
            asyncio.get_running_loop().call_later(1.0, self.power_off, name)

    def power_off(self, name: str) -> None:
        host = self.hosts[name]
        host.up = False
        self.starts[name] += 1
        host.restart()
        self.world.lose_all(name)
        if name == "dome" and self.hangs > 0:
            self.hangs -= 1
            return
        asyncio.get_running_loop().call_later(BOOT_S, setattr, host, "up", True)

    async def switch(self, switch: PowerSwitch) -> None:
        self.power_off("dome")

    def boots_as_found(self) -> bool:
        return all(
            isinstance(host, HelperHost) and host.running == AS_STARTED and not host.boot_files
            for host in self.hosts.values()
        )

    def files_as_found(self) -> bool:
        return all(isinstance(host, HelperHost) and not host.boot_files for host in self.hosts.values())

    def kernels_measured(self) -> dict[int, set[str]]:
        """Trial -> the kernels that were read back on the hosts before and after its traffic."""
        found: dict[int, set[str]] = {}
        for entry in self.journal.entries:
            body = entry.body
            if entry.kind == "event" and body["event"] == "Conducted" and body["verdict"]["status"] == "valid":
                record = body["record"]
                seen = {
                    use["seen"]
                    for moment in (record["settings"], record["after"]["settings"])
                    for uses in moment.values()
                    for use in uses
                    if use["setting"] == "kernel"
                }
                found[body["position"]] = seen
        return found

    def each_in_its_kernel(self) -> bool:
        measured = self.kernels_measured()
        return measured == {
            trial.position: {self.setup.cell(trial.cell).levels["kernel"]}
            for trial in self.setup.schedule
            if trial.position in measured
        }


def played(scene: Callable[[StartedStage], Awaitable[None]], stage: StartedStage) -> StartedStage:
    async def as_stage(same: Stage) -> None:
        assert isinstance(same, StartedStage)
        await scene(same)

    stage.play(as_stage)
    return stage


@pytest.mark.parametrize("hosts", [("dome",), ("dome", "hall")], ids=["one end", "both ends"])
def test_a_run_restarts_as_often_as_its_schedule_says_and_ends_with_the_kernel_it_found(hosts: tuple[str, ...]) -> None:
    async def scene(stage: StartedStage) -> None:
        assert await stage.exit_code() == 0
        assert stage.all_valid()
        assert stage.each_in_its_kernel()
        assert stage.boots_as_found()
        assert all(map(stage.is_as_found, ("dome", "hall")))
        assert stage.nothing_of_ours()
        # old, new, new, old: the first is as found, and so is the last
        assert stage.starts == {name: 2 if name in hosts else 0 for name in ("dome", "hall")}
        assert stage.state.hosts["dome"].deaths == {}

    played(scene, StartedStage(hosts))


def with_lines(stage: StartedStage, order: list[int]) -> None:
    """Four cells of two kernels by two boot parameters, in this order."""
    cells = []
    for kernel in KERNELS:
        for lines in ([], ["quiet"]):
            level = {"level": lines, "file": "/boot/lines", "form": "block", "effect": "", "check": []}
            uses = (
                SettingUse("dome", "", "kernel", {"level": kernel}, "kernel", restarts=True),
                SettingUse("dome", "", "boot-lines", level, "lines", restarts=True),
                SettingUse("dome", "eth1", "mtu", 1500, "mtu"),
                SettingUse("hall", "eth1", "mtu", 1500, "mtu"),
            )
            cells.append(
                Cell(
                    len(cells) + 1,
                    f"{kernel} {lines}",
                    {"kernel": kernel, "lines": " ".join(lines)},
                    uses,
                    "uplink",
                    dict(DEFAULTS),
                )
            )
    trials = tuple(Trial(place, cell, 1, 1, place) for place, cell in enumerate(order, 1))
    stage.setup = replace(stage.setup, cells=tuple(cells), schedule=trials)


@pytest.mark.parametrize("order", [[1, 2, 4, 3], [4, 1, 3, 2], [2, 4, 2, 4]])
def test_two_things_that_a_start_takes_up_are_written_for_the_same_start(order: list[int]) -> None:
    """Each is for one start only: a host restarted for the one would come up without the other, and so on for ever."""

    async def scene(stage: StartedStage) -> None:
        with_lines(stage, order)
        stage.restart_controller()
        assert await stage.exit_code() == 0
        assert stage.all_valid()
        assert stage.each_in_its_kernel()
        assert stage.boots_as_found()
        assert stage.starts["dome"] == sum(one != other for one, other in pairwise([1, *order, 1]))

    played(scene, StartedStage(("dome",)))


def test_the_last_start_is_the_way_back_and_it_is_verified() -> None:
    async def scene(stage: StartedStage) -> None:
        assert await stage.exit_code() == 0
        assert stage.starts["dome"] == 2
        last = stage.state.hosts["dome"]
        assert last.as_found
        assert last.restored is not None
        assert last.restored["restart"] == []
        assert stage.boots_as_found()

    stage = StartedStage()
    stage.setup = replace(stage.setup, schedule=stage.setup.schedule[:4])
    played(scene, stage)


MOMENTS = ("written", "asked", "down", "back", "traffic")


async def until(stage: StartedStage, moment: str) -> None:
    """Until the first restart has come so far."""

    def written() -> bool:
        host = stage.hosts["dome"]
        return isinstance(host, HelperHost) and host.boot_files.get("kernel") == NEW

    def asked() -> bool:
        return any(entry.kind == "intent" and entry.body["command"] == "Restart" for entry in stage.journal.entries)

    reached = {
        "written": written,
        "asked": asked,
        "down": lambda: not stage.hosts["dome"].up,
        "back": lambda: stage.starts["dome"] == 1 and stage.hosts["dome"].up,
        "traffic": lambda: stage.state.position == 3 and stage._traffic_runs(),
    }[moment]
    while not reached():
        await asyncio.sleep(0.01)


@pytest.mark.parametrize("moment", MOMENTS)
def test_the_controller_is_killed_and_the_boot_file_comes_back_without_it(moment: str) -> None:
    async def scene(stage: StartedStage) -> None:
        await until(stage, moment)
        await stage.kill()
        await asyncio.sleep(3 * stage.setup.lease_s + BOOT_S)
        assert stage.files_as_found()
        found = [await stage.recover(name) for name in ("dome", "hall")]
        assert all(one.as_found for one in found)
        assert stage.boots_as_found(), "recover starts a host that still runs with what a trial started it with"
        assert all(map(stage.is_as_found, ("dome", "hall")))
        again = [await stage.recover(name) for name in ("dome", "hall")]
        assert not any(one.restarted for one in again)

    played(scene, StartedStage())


@pytest.mark.parametrize("wait_s", [0.0, 3 * 30.0 + BOOT_S], ids=["at once", "after the lease"])
@pytest.mark.parametrize("moment", MOMENTS)
def test_the_controller_is_killed_and_a_resumed_run_measures_every_trial_in_its_kernel(
    moment: str, wait_s: float
) -> None:
    async def scene(stage: StartedStage) -> None:
        await until(stage, moment)
        await stage.kill()
        await asyncio.sleep(wait_s)
        stage.start()
        assert await stage.exit_code() == 0
        assert stage.all_valid()
        assert stage.each_in_its_kernel()
        assert stage.boots_as_found()
        assert all(map(stage.is_as_found, ("dome", "hall")))

    played(scene, StartedStage())


@pytest.mark.parametrize("moment", MOMENTS)
def test_the_power_fails_and_the_run_goes_on(moment: str) -> None:
    async def scene(stage: StartedStage) -> None:
        await until(stage, moment)
        stage.power_off("dome")
        assert await stage.exit_code() == 0
        assert stage.all_valid()
        assert stage.each_in_its_kernel()
        assert stage.boots_as_found()

    played(scene, StartedStage())


@pytest.mark.parametrize("seconds", [5.0, 200.0], ids=["shorter than the lease", "longer"])
@pytest.mark.parametrize("moment", MOMENTS)
def test_the_way_to_a_host_is_cut_and_the_run_goes_on(moment: str, seconds: float) -> None:
    async def scene(stage: StartedStage) -> None:
        await until(stage, moment)
        stage.cut("dome")
        await asyncio.sleep(seconds)
        stage.mend("dome")
        assert await stage.exit_code() == 0
        assert stage.all_valid()
        assert stage.each_in_its_kernel()
        assert stage.boots_as_found()

    played(scene, StartedStage())


def test_a_kernel_that_does_not_come_up_costs_its_cells_and_nothing_else() -> None:
    async def scene(stage: StartedStage) -> None:
        host = stage.hosts["dome"]
        assert isinstance(host, HelperHost)
        host.bad_kernels.add(NEW)
        assert await stage.exit_code() == 1
        assert stage.statuses() == {
            1: "valid",
            2: "valid",
            3: "skipped",
            4: "skipped",
            5: "skipped",
            6: "skipped",
            7: "valid",
            8: "valid",
        }
        assert "restarted 2 times for kernel=6.12.0-new" in stage.state.outcomes[3]["reason"]
        assert stage.boots_as_found()

    played(scene, StartedStage(("dome",)))


def test_a_level_that_a_host_cannot_have_is_told_before_anything_is_changed() -> None:
    async def scene(stage: StartedStage) -> None:
        host = stage.hosts["dome"]
        assert isinstance(host, HelperHost)
        host.missing_kernels.add(NEW)
        while not stage.state.began:
            await asyncio.sleep(0.01)
        assert stage.state.notes == [f"dome: no kernel {NEW} is installed here; its cells will be impossible"]
        assert await stage.exit_code() == 1
        assert stage.statuses() == {
            1: "valid",
            2: "valid",
            **dict.fromkeys((3, 4, 5, 6), "impossible"),
            7: "valid",
            8: "valid",
        }
        assert stage.starts["dome"] == 0

    played(scene, StartedStage(("dome",)))


def test_a_host_that_does_not_come_back_is_for_a_person_and_the_run_can_be_resumed() -> None:
    async def scene(stage: StartedStage) -> None:
        stage.hangs = 1
        code = await stage.exit_code()
        assert code == 5, "nobody has seen that it is back"
        assert any("did not come back within" in note and "power, console" in note for note in stage.state.notes)
        assert [status for _, status in sorted(stage.statuses().items())] == ["valid", "valid"]
        stage.hosts["dome"].up = True
        stage.start()
        assert await stage.exit_code() == 0
        assert stage.all_valid()
        assert stage.boots_as_found()

    played(scene, StartedStage())


def test_a_host_that_hangs_in_its_restart_is_switched_and_the_run_goes_on() -> None:
    async def scene(stage: StartedStage) -> None:
        stage.hangs = 1
        assert await stage.exit_code() == 0
        assert stage.all_valid()
        assert stage.each_in_its_kernel()
        assert stage.boots_as_found()

    played(scene, StartedStage(switch=True))


def test_a_host_that_does_not_go_down_is_not_waited_for_for_ever() -> None:
    async def scene(stage: StartedStage) -> None:
        stage.deaf = True
        assert await stage.exit_code() == 1
        assert {place for place, status in stage.statuses().items() if status == "skipped"} == {3, 4, 5, 6}
        assert stage.boots_as_found()

    played(scene, StartedStage(("dome",)))


@pytest.mark.parametrize("moment", MOMENTS)
def test_a_person_stops_the_run_and_the_hosts_run_as_before(moment: str) -> None:
    async def scene(stage: StartedStage) -> None:
        await until(stage, moment)
        assert stage.runner is not None
        stage.runner.post(ev.StopAsked("interrupt", "interrupted"))
        assert await stage.exit_code() == 130
        assert stage.boots_as_found()
        assert all(map(stage.is_as_found, ("dome", "hall")))

    played(scene, StartedStage())


def test_a_restart_is_in_the_journal_before_it_is_asked_for() -> None:
    assert Restart.changes_host
    assert command_to_dict(Restart("dome")) == {"command": "Restart", "host": "dome"}


def test_whole_plots_of_one_start_stay_together_and_a_block_begins_with_the_running_one() -> None:
    one, two, three, four = cells_of(("dome",))
    assert in_starts([[three], [one], [four], [two]], one.start) == [[one], [two], [three], [four]]
    assert in_starts([[three], [one], [four], [two]], "") == [[three], [four], [one], [two]]


def test_restarts_are_counted_along_the_schedule_with_the_way_back() -> None:
    cells = cells_of(("dome",))
    trials = [Trial(place, cell, 1, 1, place) for place, cell in enumerate((1, 2, 3, 4, 4, 3, 1, 2), 1)]
    assert restarts(trials, cells) == 4  # to the first, to the new, to the old, and back
    assert restarts(trials, [replace(cell, settings=cell.settings[-1:]) for cell in cells]) == 0


def test_the_settings_that_take_one_say_so_to_the_plan() -> None:
    assert [name for name, setting in CATALOGUE.items() if setting.restarts(None)] == ["boot-lines", "kernel"]

"""The slow board: a clock that is set as on a real one, and a CPU quota that follows it."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from orchestrator.lab.board import FULL_SHARE, GOVERNORS, GREATEST_KHZ, LEAST_KHZ, clock_khz
from orchestrator.lab.cpu_group import PERIOD_US, group_folder, place_for_groups, remove_left_over
from orchestrator.lab.lab import Lab
from orchestrator.lab.scenario import observatory

pytestmark = pytest.mark.alone
_POLICY = "/sys/devices/system/cpu/cpufreq/policy0"
needs_groups = pytest.mark.skipif(place_for_groups() is None, reason="no control groups with a CPU quota for us here")


@pytest.fixture
def board() -> Iterator[Lab]:
    with Lab(observatory(slow_board=True), server="asyncssh") as lab:
        yield lab


def _quota_us(group: Path) -> int:
    version_1 = group / "cpu.cfs_quota_us"
    return int(version_1.read_text() if version_1.exists() else (group / "cpu.max").read_text().split()[0])


def _group(lab: Lab) -> Path:
    assert lab._warden
    return group_folder(lab._warden.pid, "dome")


def _eventually_reads(lab: Lab, file: str, wanted: str) -> None:
    until = time.monotonic() + 10
    while lab.hosts["dome"].path(f"{_POLICY}/{file}").read_text() != wanted:
        assert time.monotonic() < until, f"{file} never read {wanted!r}"
        time.sleep(0.01)


def test_only_powersave_goes_to_the_min_clock_and_limits_are_kept() -> None:
    assert [governor for governor in GOVERNORS if clock_khz(governor, 1, 2) == 1] == ["powersave"]
    assert clock_khz("performance", LEAST_KHZ, 1_200_000) == 1_200_000


@needs_groups
@pytest.mark.lab
@pytest.mark.parametrize(("governor", "clock"), [("powersave", LEAST_KHZ), ("performance", GREATEST_KHZ)])
def test_the_governor_sets_clock_and_quota(board: Lab, governor: str, clock: int) -> None:
    done = board.run(
        ["ssh", "-F", board.ssh_config, "dome", f"echo {governor} > {_POLICY}/scaling_governor"], check=False
    )
    assert done.returncode == 0
    _eventually_reads(board, "scaling_cur_freq", f"{clock}\n")
    assert _quota_us(_group(board)) == pytest.approx(FULL_SHARE * PERIOD_US * clock / GREATEST_KHZ, abs=1)


@needs_groups
@pytest.mark.lab
def test_a_governor_that_the_board_lacks_does_not_stay(board: Lab) -> None:
    board.hosts["dome"].path(f"{_POLICY}/scaling_governor").write_text("warp\n")
    _eventually_reads(board, "scaling_governor", "schedutil\n")


@needs_groups
@pytest.mark.lab
def test_everything_on_the_board_is_under_its_quota_and_nothing_else_is(board: Lab) -> None:
    groups = {}
    for host in ("dome", "hall"):
        over_ssh = board.run(
            ["ssh", "-F", board.ssh_config, host, "cat /proc/self/cgroup"],
            capture_output=True,
            text=True,
            stdin=subprocess.DEVNULL,
        ).stdout
        groups[host] = (
            _group(board).name in over_ssh,
            _group(board).name in board.hosts[host].output(["cat", "/proc/self/cgroup"]),
        )
    assert groups == {"dome": (True, True), "hall": (False, False)}


@needs_groups
@pytest.mark.lab
def test_a_busy_process_on_the_board_gets_its_share_and_no_more(board: Lab) -> None:
    board.hosts["dome"].path(f"{_POLICY}/scaling_governor").write_text("powersave\n")
    _eventually_reads(board, "scaling_cur_freq", f"{LEAST_KHZ}\n")
    spin = (
        "import time; began = time.monotonic(), time.process_time()\n"
        "while time.monotonic() < began[0] + 2: pass\n"
        "print((time.process_time() - began[1]) / (time.monotonic() - began[0]))"
    )
    share = float(board.hosts["dome"].output(["python3", "-c", spin]))
    # a busy machine may give less; more than a slice of 5 ms above the quota would mean that there is none
    assert 0 < share < FULL_SHARE * LEAST_KHZ / GREATEST_KHZ * 1.25


@needs_groups
@pytest.mark.lab
def test_the_simulated_clock_says_that_it_is_simulated_and_the_machines_own_is_untouched(board: Lab) -> None:
    assert board.hosts["dome"].path("/sys/devices/system/cpu/cpufreq/simulated").exists()
    assert not board.hosts["hall"].path("/sys/devices/system/cpu/cpufreq/simulated").exists()
    assert not Path("/sys/devices/system/cpu/cpufreq/simulated").exists()


@needs_groups
@pytest.mark.lab
def test_the_group_goes_with_the_lab_and_one_left_over_is_removed_by_the_next(board: Lab) -> None:
    group = _group(board)
    assert group.exists()
    board.stop()
    assert not group.exists()
    left_over = group_folder(2**22 + 1, "dome")  # above the kernel's greatest process number
    left_over.mkdir()
    remove_left_over()
    assert not left_over.exists()


_HOLD_A_BOARD = """
import time
from orchestrator.lab.lab import Lab
from orchestrator.lab.scenario import observatory
lab = Lab(observatory(slow_board=True), server="asyncssh").make()
print(lab._warden.pid, flush=True)
time.sleep(1000)
"""


@needs_groups
@pytest.mark.lab
def test_the_group_goes_also_when_the_labs_maker_is_killed() -> None:
    with subprocess.Popen([sys.executable, "-c", _HOLD_A_BOARD], stdout=subprocess.PIPE, text=True) as maker:
        assert maker.stdout
        group = group_folder(int(maker.stdout.readline()), "dome")
        assert group.exists()
        maker.kill()
    until = time.monotonic() + 10
    while group.exists():
        assert time.monotonic() < until, "left behind"
        time.sleep(0.02)

"""The lease follows CLOCK_BOOTTIME alone: real helpers and watchdogs in time namespaces with another boot clock.

time_namespaces(7): the offset holds for all processes in it, so a jump is seen from one session to the next, as after
a suspend. The wall clock and CLOCK_MONOTONIC do not jump with it.
"""

from __future__ import annotations

import contextlib
import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.onhost.helper_process import HelperProcess, Refused
from tests.onhost.test_watchdog import LEASE_S, Host, eventually

DAY_S = 86_400


class ClockHost(Host):
    """A host whose sessions may each find another boot clock."""

    def helper_at(self, offset_s: int) -> HelperProcess:
        self.helpers.append(HelperProcess(self.folder, boottime_offset_s=offset_s))
        return self.helpers[-1]


@pytest.fixture
def host(tmp_path: Path) -> Iterator[ClockHost]:
    made = ClockHost(tmp_path)
    yield made
    for helper in made.helpers:
        helper.end()
    made.kill_watchdogs()


def boottime_s() -> float:
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def refusal(helper: HelperProcess, verb: str, **args: object) -> str:
    """The code with which a request is refused; "" when it is not."""
    try:
        helper.ask(verb, dict(args))
    except Refused as refused:
        return refused.code
    return ""


@pytest.mark.parametrize("reads_s", [5, 400 * DAY_S], ids=["just booted", "up for more than a year"])
def test_whatever_the_boot_clock_reads_the_lease_lasts_as_long_as_it_was_given(reads_s: int, host: ClockHost):
    offset_s = round(reads_s - boottime_s())
    helper = host.helper_at(offset_s)
    host.changed(helper)
    helper.kill()
    deadline_s = host.record()["deadline_ns"] / 1e9
    assert abs(deadline_s - reads_s) < 60, "the record is on the host's own clock"
    while host.file.read_text() == "new":
        assert boottime_s() + offset_s < deadline_s + 10, "kept too long"
        time.sleep(0.01)
    assert boottime_s() + offset_s > deadline_s, "restored too early"


def test_after_a_jump_past_the_deadline_nothing_can_be_changed_any_more(host: ClockHost):
    """As after a suspend: the session is refused, the watchdog (which woke up, too) or recover restores the host."""
    first = host.helper_at(0)
    token = host.changed(first, lease_s=60)
    host.kill_watchdogs()
    first.end()
    woken = host.helper_at(120)
    assert refusal(woken, "apply", token=token, uses=[host.place]) == "expired"
    assert refusal(woken, "lease.renew", token=token, lease_s=60) == "expired"
    assert refusal(woken, "lease.acquire", run_id="r2", holder="ben", lease_s=60) == "unclean"
    assert host.file.read_text() == "new"
    assert woken.ask("recover", {"run_id": "r1"})["left"] == []
    assert host.file.read_text() == "old"


def test_a_jump_within_the_lease_takes_only_its_own_length_off(host: ClockHost):
    first = host.helper_at(0)
    token = host.changed(first, lease_s=60)
    first.end()
    woken = host.helper_at(20)
    left_s = woken.ask("watchdog")["record"]["left_s"]
    assert 20 < left_s <= 40
    assert refusal(woken, "lease.renew", token=token, lease_s=60) == ""
    assert refusal(woken, "restore", token=token) == ""
    assert host.file.read_text() == "old"


def test_a_watchdog_that_slept_past_the_deadline_puts_back_when_it_wakes(host: ClockHost):
    helper = host.helper_at(0)
    token = host.changed(helper)
    asleep = host.watchdogs()
    for pid in asleep:
        os.kill(pid, signal.SIGSTOP)
    try:
        time.sleep(LEASE_S + 0.5)
        assert host.file.read_text() == "new"
        assert refusal(helper, "apply", token=token, uses=[host.place]) == "expired", "no change while nobody watches"
    finally:
        for pid in asleep:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGCONT)
    assert eventually(lambda: host.file.read_text() == "old")

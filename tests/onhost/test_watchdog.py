"""The host restores itself, whoever is killed and whenever: real processes, short leases, a file as the setting."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from orchestrator.onhost.safety.record import Record
from orchestrator.onhost.system.process import group_members, started_ticks
from tests.onhost.helper_process import HelperProcess, Refused, file_setting, with_level

LEASE_S = 3.0  # long enough for a busy test machine to make a change within it


class Host:
    """A host of one test: its helpers, its setting, what its record says."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.file, self.place = file_setting(folder)
        self.helpers: list[HelperProcess] = []

    def helper(self) -> HelperProcess:
        self.helpers.append(HelperProcess(self.folder))
        return self.helpers[-1]

    def taken(self, helper: HelperProcess, lease_s: float = LEASE_S, run: str = "r1") -> int:
        return int(helper.ask("lease.acquire", {"run_id": run, "holder": "ann", "lease_s": lease_s})["token"])

    def changed(self, helper: HelperProcess, lease_s: float = LEASE_S) -> int:
        token = self.taken(helper, lease_s)
        helper.ask("prepare", {"token": token, "interfaces": [], "places": [self.place]})
        (use,) = helper.ask("apply", {"token": token, "uses": [self.place]})["uses"]
        assert use["ok"]
        assert self.file.read_text() == "new"
        return token

    def record(self) -> dict[str, Any] | None:
        states = []
        for name in ("record.0", "record.1"):
            file = self.folder / "linktrial" / name
            if file.exists():
                states.append(json.loads(file.read_text().partition(" ")[2]))
        return max(states, key=lambda state: int(state["serial"]), default=None)

    def watchdogs(self) -> list[int]:
        record = self.record()
        members = group_members(record["watchdog"]["pid"], "linktrial-wdog") if record else []
        return [pid for pid in members if started_ticks(pid)]  # one that is dead may wait to be collected

    def kill_watchdogs(self) -> None:
        for pid in self.watchdogs():
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)


@pytest.fixture
def host(tmp_path: Path) -> Iterator[Host]:
    made = Host(tmp_path)
    yield made
    for helper in made.helpers:
        helper.end()
    made.kill_watchdogs()


def eventually(holds: Callable[[], bool], timeout_s: float = 15.0) -> bool:
    until = time.monotonic() + timeout_s
    while not (held := holds()) and time.monotonic() < until:
        time.sleep(0.01)
    return held


@pytest.mark.parametrize("end", ["hang up", "kill the helper", "kill the helper and its session"])
def test_a_host_without_its_controller_restores_itself(end: str, host: Host) -> None:
    helper = host.helper()
    host.changed(helper)
    if end == "hang up":
        helper.end()
    else:
        helper.kill()
    assert host.file.read_text() == "new", "the lease is not over yet"
    assert eventually(lambda: host.file.read_text() == "old")
    assert eventually(lambda: (host.record() or {})["standing"] == "restored")
    assert eventually(lambda: not host.watchdogs()), "a watchdog without work stayed"


def test_putting_back_waits_for_the_end_of_the_lease_and_no_longer(host: Host) -> None:
    """Row 1: at most a second after the lease. The bound here leaves room for a busy test machine."""
    helper = host.helper()
    host.changed(helper)
    helper.kill()
    deadline_ns = host.record()["deadline_ns"]
    assert eventually(lambda: host.file.read_text() == "old")
    late_s = (time.clock_gettime_ns(time.CLOCK_BOOTTIME) - deadline_ns) / 1e9
    assert late_s > 0, "it was restored before the lease was over"
    assert late_s < 5


def test_a_renewed_lease_is_not_restored(host: Host) -> None:
    with host.helper() as helper:
        token = host.changed(helper)
        until = time.monotonic() + 2 * LEASE_S
        while time.monotonic() < until:
            time.sleep(LEASE_S / 3)
            helper.ask("lease.renew", {"token": token, "lease_s": LEASE_S})
        assert host.file.read_text() == "new"
        assert helper.ask("restore", {"token": token})["left"] == []
        assert host.file.read_text() == "old"
        helper.ask("lease.release", {"token": token})
    assert not (host.folder / "linktrial").exists(), "a released host keeps nothing of ours"


def test_nothing_is_changed_after_the_lease(host: Host) -> None:
    """The helper outlives the lease (its controller was stopped for a while): every change is refused."""
    with host.helper() as helper:
        token = host.changed(helper)
        assert eventually(lambda: (host.record() or {})["standing"] == "restored")
        for verb, more in (
            ("apply", {"uses": [host.place]}),
            ("lease.renew", {"lease_s": 60}),
            ("restore", {}),
            ("prepare", {"interfaces": [], "places": [host.place]}),
            ("lease.release", {}),
        ):
            with pytest.raises(Refused) as refused:
                helper.ask(verb, {"token": token, **more})
            assert refused.value.code == "expired", verb
        assert host.file.read_text() == "old"


@pytest.mark.parametrize("came_to", ["taken", "prepared", "restored"])
def test_a_lease_that_runs_out_before_any_change_leaves_nothing_of_ours(came_to: str, host: Host) -> None:
    helper = host.helper()
    token = host.taken(helper)
    if came_to != "taken":
        helper.ask("prepare", {"token": token, "interfaces": [], "places": [host.place]})
    if came_to == "restored":
        assert helper.ask("restore", {"token": token})["restored"] == []
    watchdogs = host.watchdogs()
    helper.end()
    assert eventually(lambda: not (host.folder / "linktrial").exists())
    assert eventually(lambda: not any(map(started_ticks, watchdogs))), "a watchdog without work stayed"
    with host.helper() as later:
        assert later.ask("recover", {"run_id": "r1"})["found"] is None
        token = host.taken(later, 30)
        later.ask("lease.release", {"token": token})


def test_a_lease_that_ran_out_before_any_change_is_no_lease_to_who_comes_late(host: Host) -> None:
    """The controller was stopped for a while: it is told that it has nothing any more, and may begin anew."""
    with host.helper() as helper:
        token = host.taken(helper)
        assert eventually(lambda: not (host.folder / "linktrial").exists())
        for verb, more in (
            ("prepare", {"interfaces": [], "places": [host.place]}),
            ("lease.release", {}),
            ("lease.renew", {"lease_s": 60}),
        ):
            with pytest.raises(Refused, match="no_lease"):
                helper.ask(verb, {"token": token, **more})
        assert not (host.folder / "linktrial").exists()
        assert host.taken(helper, 30) > token
        helper.ask("recover", {"run_id": "r1"})


def test_the_next_run_is_told_what_the_watchdog_did(host: Host) -> None:
    helper = host.helper()
    host.changed(helper)
    helper.end()
    assert eventually(lambda: (host.record() or {})["standing"] == "restored")
    with host.helper() as later:
        taken = later.ask("lease.acquire", {"run_id": "r2", "holder": "bea", "lease_s": 30})
        assert taken["earlier"]["run_id"] == "r1"
        assert taken["earlier"]["outcome"]["restored"][0]["before"]["value"] == "old"
        later.ask("lease.release", {"token": taken["token"]})


def test_a_second_run_is_told_who_holds_the_host(host: Host) -> None:
    with host.helper() as helper, host.helper() as other:
        token = host.taken(helper, 30)
        with pytest.raises(Refused) as refused:
            host.taken(other, 30, run="r2")
        assert refused.value.code == "busy"
        assert refused.value.values["holder"] == "ann"
        assert 0 < refused.value.values["left_s"] <= 30
        assert refused.value.values["since_wall_ns"] > 0
        helper.ask("lease.release", {"token": token})
        assert host.taken(other, 30, run="r2") > token


def test_a_lost_session_is_rejoined_and_fences_off_the_old_one(host: Host) -> None:
    with host.helper() as old, host.helper() as new:
        token = host.changed(old, 30)
        joined = new.ask("lease.acquire", {"run_id": "r1", "holder": "ann", "lease_s": 30, "token": token})
        assert joined["joined"]
        assert joined["token"] > token
        with pytest.raises(Refused, match="stale"):
            old.ask("apply", {"token": token, "uses": [with_level(host.place, "newer")]})
        assert host.file.read_text() == "new"
        outcome = new.ask("restore", {"token": joined["token"]})
        assert outcome["restored"][0]["before"]["value"] == "old", "the first before-value is the truth"
        new.ask("lease.release", {"token": joined["token"]})
    assert host.file.read_text() == "old"


def test_an_answer_that_was_lost_does_not_lock_the_controller_out(host: Host) -> None:
    """It re-joined, but the new token never arrived: the one it has is good until the new one is used."""
    with host.helper() as helper:
        first = host.changed(helper, 30)
        lost = helper.ask("lease.acquire", {"run_id": "r1", "holder": "ann", "lease_s": 30, "token": first})["token"]
        again = helper.ask("lease.acquire", {"run_id": "r1", "holder": "ann", "lease_s": 30, "token": first})["token"]
        helper.ask("lease.renew", {"token": again, "lease_s": 30})
        for stale in (first, lost):
            with pytest.raises(Refused, match="busy"):
                helper.ask("lease.acquire", {"run_id": "r1", "holder": "ann", "lease_s": 30, "token": stale})
        helper.ask("recover", {"run_id": "r1"})


@pytest.mark.parametrize("victim", ["supervisor", "worker"])
def test_a_killed_watchdog_is_replaced_by_the_other_of_its_pair(victim: str, host: Host) -> None:
    helper = host.helper()
    host.changed(helper, 4.0)
    helper.kill()  # so that no helper watches the watchdog
    assert eventually(lambda: len(host.watchdogs()) == 2)
    supervisor = host.record()["watchdog"]["pid"]
    killed = supervisor if victim == "supervisor" else max(host.watchdogs())
    os.kill(killed, signal.SIGKILL)

    def replaced() -> bool:  # one look for both: a process that is just dying may be in one and not in the next
        watchdogs = host.watchdogs()
        return len(watchdogs) == 2 and killed not in watchdogs

    assert eventually(replaced)
    assert host.file.read_text() == "new"
    assert eventually(lambda: host.file.read_text() == "old")


def test_the_helper_starts_killed_watchdogs_again(host: Host) -> None:
    with host.helper() as helper:
        token = host.changed(helper, 60)
        before = host.watchdogs()
        host.kill_watchdogs()
        assert eventually(lambda: len(now := host.watchdogs()) == 2 and not set(before) & set(now))
        assert helper.ask("watchdog")["alive"]
        helper.ask("restore", {"token": token})
        helper.ask("lease.release", {"token": token})


def _all_killed(host: Host, lease_s: float = LEASE_S) -> None:
    """Everything of ours on the host is killed at once: what a power cut leaves when the settings stay."""
    helper = host.helper()
    host.changed(helper, lease_s)
    os.kill(helper.hello["pid"], signal.SIGSTOP)  # it must not start the watchdog again
    host.kill_watchdogs()
    helper.kill()
    time.sleep(lease_s)


def test_what_a_killed_watchdog_left_is_refused_to_the_next_run(host: Host) -> None:
    _all_killed(host)
    with host.helper() as helper:
        with pytest.raises(Refused) as refused:
            host.taken(helper, 30, run="r2")
        assert refused.value.code == "unclean"
        assert refused.value.values["run_id"] == "r1"
        assert refused.value.values["changes"] == [{"setting": "command", "target": "dial"}]


@pytest.mark.parametrize("run", ["r1", ""])
def test_recover_puts_back_from_the_hosts_own_record(run: str, host: Host) -> None:
    _all_killed(host)
    with host.helper() as helper:
        outcome = helper.ask("recover", {"run_id": run})
        assert host.file.read_text() == "old"
        assert [one["target"] for one in outcome["restored"]] == ["dial"]
        assert outcome["found"]["run_id"] == "r1"
        assert outcome["compared"]["ok"]
        again = helper.ask("recover", {"run_id": run})
        assert again["found"] is None, "the second time there is nothing to find"
        assert not (host.folder / "linktrial").exists()


def test_recover_of_a_live_lease_needs_the_runs_name(host: Host) -> None:
    with host.helper() as helper, host.helper() as other:
        host.changed(helper, 60)
        for run in ("", "r2"):
            with pytest.raises(Refused, match="busy"):
                other.ask("recover", {"run_id": run})
        assert other.ask("recover", {"run_id": "r1"})["left"] == []
        assert host.file.read_text() == "old"


def test_two_recoveries_at_once_come_to_one_result(host: Host) -> None:
    _all_killed(host)
    with host.helper() as one, host.helper() as two:
        first, second = one.begin("recover", {"run_id": "r1"}), two.begin("recover", {"run_id": "r1"})
        answers = [one.answer(first), two.answer(second)]
    assert sorted(len(answer["restored"]) for answer in answers) == [0, 1]
    assert host.file.read_text() == "old"


def test_somebody_elses_change_is_a_conflict_and_left_alone(host: Host) -> None:
    with host.helper() as helper:
        token = host.changed(helper, 60)
        host.file.write_text("theirs")
        outcome = helper.ask("restore", {"token": token})
        assert host.file.read_text() == "theirs"
        (conflict,) = outcome["conflicts"]
        assert (conflict["before"]["value"], conflict["now"]["value"]) == ("old", "theirs")
        assert "old" in conflict["command"]
        with pytest.raises(Refused, match="unrestored"):
            helper.ask("lease.release", {"token": token})
        host.file.write_text("old")
        assert helper.ask("restore", {"token": token})["conflicts"] == []
        helper.ask("lease.release", {"token": token})


def test_putting_back_goes_in_reverse_and_does_not_stop_at_an_error(host: Host) -> None:
    order = host.folder / "order"
    places = []
    for name in ("first", "second", "third"):
        file, place = file_setting(host.folder, name)
        place["level"]["write"] = ["sh", "-c", f'echo {name} >> {order}; printf %s "$0" > {file}', "{level}"]
        places.append(place)
    with host.helper() as helper:
        token = host.taken(helper, 60)
        helper.ask("prepare", {"token": token, "interfaces": [], "places": places})
        helper.ask("apply", {"token": token, "uses": places})
        order.write_text("")
        (host.folder / "second").unlink()
        (host.folder / "second").mkdir()
        outcome = helper.ask("restore", {"token": token})
        assert [one["target"] for one in outcome["restored"]] == ["third", "first"]
        assert [one["target"] for one in outcome["left"]] == ["second"]
        assert order.read_text().split()[0] == "third"
        assert order.read_text().split()[-1] == "first"
        (host.folder / "second").rmdir()
        (host.folder / "second").write_text("new")
        assert helper.ask("restore", {"token": token})["left"] == []
        helper.ask("lease.release", {"token": token})


def test_the_watchdog_tries_again_what_it_could_not_restored(host: Host) -> None:
    """An interface that has vanished may come back; here it is a file in whose place a folder stands."""
    helper = host.helper()
    host.changed(helper)
    host.file.unlink()
    host.file.mkdir()
    helper.kill()
    assert eventually(lambda: (host.record() or {})["standing"] == "left")
    host.file.rmdir()
    host.file.write_text("new")
    assert eventually(lambda: (host.record() or {})["standing"] == "restored")
    assert host.file.read_text() == "old"


def test_an_interrupted_change_is_restored_although_it_was_never_finished(host: Host) -> None:
    """The intent is on the record before the change: a kill in the middle leaves no unknown value."""
    slow = {**host.place, "level": {**host.place["level"], "write": ["sh", "-c", "", "{level}"]}}
    slow["level"]["write"][2] = (
        f'printf %s half > {host.file}; [ "$0" = old ] && printf %s old > {host.file} || sleep 30'
    )
    helper = host.helper()
    token = host.taken(helper)
    helper.ask("prepare", {"token": token, "interfaces": [], "places": [slow]})
    helper.begin("apply", {"token": token, "uses": [slow]})
    assert eventually(lambda: host.file.read_text() == "half")
    helper.kill()
    assert eventually(lambda: host.file.read_text() == "old")


def test_a_change_that_may_cut_the_way_here_needs_a_new_session_to_stay(host: Host) -> None:
    with host.helper() as helper:
        token = host.taken(helper, 60)
        helper.ask("prepare", {"token": token, "interfaces": [], "places": [host.place]})
        helper.ask("apply", {"token": token, "uses": [host.place], "confirm_s": 30})
        with pytest.raises(Refused, match="same_session"):
            helper.ask("confirm", {"token": token})
        with pytest.raises(Refused, match="unconfirmed"):
            helper.ask("apply", {"token": token, "uses": [with_level(host.place, "newer")]})
        with host.helper() as new:
            token = new.ask("lease.acquire", {"run_id": "r1", "holder": "ann", "lease_s": 60, "token": token})["token"]
            new.ask("confirm", {"token": token})
            with pytest.raises(Refused, match="nothing_to_confirm"):
                new.ask("confirm", {"token": token})
            assert host.file.read_text() == "new"
            new.ask("recover", {"run_id": "r1"})


def test_an_unconfirmed_change_is_taken_back_while_the_lease_goes_on(host: Host) -> None:
    other_file, other = file_setting(host.folder, "other")
    with host.helper() as helper:
        token = host.taken(helper, 60)
        helper.ask("prepare", {"token": token, "interfaces": [], "places": [host.place, other]})
        helper.ask("apply", {"token": token, "uses": [other]})
        helper.ask("apply", {"token": token, "uses": [host.place], "confirm_s": 1.0})
        assert host.file.read_text() == "new"
        assert eventually(lambda: host.file.read_text() == "old")
        assert eventually(lambda: (host.record() or {})["probation"] is None)
        assert other_file.read_text() == "new", "only what was on probation is taken back"
        with host.helper() as new:
            token = new.ask("lease.acquire", {"run_id": "r1", "holder": "ann", "lease_s": 60, "token": token})["token"]
            with pytest.raises(Refused) as refused:
                new.ask("confirm", {"token": token})
            assert refused.value.code == "reverted"
            assert [one["target"] for one in refused.value.values["restored"]] == ["dial"]
            assert new.ask("recover", {"run_id": "r1"})["left"] == []
    assert other_file.read_text() == "old"


def test_only_prepared_places_are_changed(host: Host) -> None:
    with host.helper() as helper:
        token = host.taken(helper, 30)
        with pytest.raises(Refused, match="not_prepared"):
            helper.ask("apply", {"token": token, "uses": [host.place]})
        assert host.file.read_text() == "old"
        helper.ask("lease.release", {"token": token})


def test_the_first_before_value_wins(host: Host) -> None:
    with host.helper() as helper:
        token = host.changed(helper, 30)
        again = helper.ask("prepare", {"token": token, "interfaces": [], "places": [host.place]})
        assert again["before"][0]["value"]["value"] == "old"
        helper.ask("recover", {"run_id": "r1"})


def test_the_watchdog_holds_no_end_of_the_channel(host: Host) -> None:
    """An SSH channel would never end: only /dev/null may be open."""
    with host.helper() as helper:
        token = host.taken(helper, 30)
        assert eventually(lambda: len(host.watchdogs()) == 2)
        for pid in host.watchdogs():
            files = {file.readlink() for file in Path(f"/proc/{pid}/fd").iterdir()}
            assert files <= {Path("/dev/null"), Path("/run/linktrial/record.0"), Path("/run/linktrial/record.1")}
            assert started_ticks(pid) > 0
        helper.ask("lease.release", {"token": token})
        assert not host.watchdogs()


def test_the_record_is_its_owners_alone(host: Host) -> None:
    with host.helper() as helper:
        token = host.taken(helper, 30)
        folder = host.folder / "linktrial"
        assert folder.stat().st_mode & 0o777 == 0o700
        assert {file.stat().st_mode & 0o777 for file in folder.iterdir()} == {0o600}
        helper.ask("lease.release", {"token": token})


def test_a_watchdog_goes_when_it_is_asked_to_only_if_its_run_has_the_host_restarted(host: Host) -> None:
    helper = host.helper()
    host.changed(helper, lease_s=60)
    watchdogs = host.watchdogs()
    assert len(watchdogs) == 2

    def ask_to_end() -> None:
        for pid in watchdogs:
            os.kill(pid, signal.SIGTERM)

    ask_to_end()  # as a session manager does at logout
    time.sleep(0.5)
    assert host.watchdogs() == watchdogs
    record = Record(str(host.folder / "linktrial"))
    with record.locked():
        state = record.load()
        assert state is not None
        record.save({**state, "restarting": True})
    helper.process.kill()  # it would start others
    ask_to_end()  # as the host does when it goes down
    assert eventually(lambda: not host.watchdogs())
    assert host.file.read_text() == "new"  # what the next start is to find

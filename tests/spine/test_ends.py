"""However a run ends, its hosts end as they were found."""

from __future__ import annotations

import os
import pwd
import signal
import time

import pytest

from tests.spine.bench import Bench, kill_hard, plan_text, trials_of

pytestmark = pytest.mark.lab
LONG = {
    "factors": {"mtu": [9000]},
    "lease": "3s",
    "trial": {"length": "10s", "warmup": "200ms", "settle": "50ms", "replicates": 1},
}
SHORT_TRIALS = {
    "factors": {"mtu": [9000, 4000]},
    "lease": "3s",
    "trial": {"length": "1s", "warmup": "200ms", "settle": "50ms", "replicates": 5},
}


def wait_until(true: object, timeout_s: float) -> None:
    until = time.monotonic() + timeout_s
    while not true():  # type: ignore[operator]
        assert time.monotonic() < until, f"not within {timeout_s} s"
        time.sleep(0.05)


def test_a_killed_controller_leaves_nothing_behind_after_the_lease(bench: Bench):
    before = {host: bench.links_and_addresses(host) for host in ("dome", "hall")}
    process = bench.start(plan_text(**{**SHORT_TRIALS, "trial": {**SHORT_TRIALS["trial"], "length": "20s"}}))
    folder = bench.wait_for("trial 1 of")
    assert bench.mtu("dome") in (9000, 4000)
    time.sleep(1.0)  # in the middle of traffic
    kill_hard(process, bench)
    lease_s, room_s = 3, 5  # for a busy machine
    wait_until(lambda: (bench.mtu("dome"), bench.mtu("hall")) == (1500, 1500), lease_s + room_s)
    assert {host: bench.links_and_addresses(host) for host in ("dome", "hall")} == before
    recovered = bench.contact("recover", folder)
    assert recovered.returncode == 0, recovered.stdout + recovered.stderr
    assert "as found" in recovered.stdout
    assert [bench.traces(host) for host in ("dome", "hall")] == [[], []]


def test_recover_ends_a_dead_controllers_lease_at_once(bench: Bench):
    process = bench.start(plan_text(**{**SHORT_TRIALS, "lease": "10min"}))
    folder = bench.wait_for("trial 2 of")
    kill_hard(process, bench)
    recovered = bench.contact("recover", folder)
    assert recovered.returncode == 0, recovered.stdout + recovered.stderr
    assert (bench.mtu("dome"), bench.mtu("hall")) == (1500, 1500)
    assert bench.contact("recover", folder).returncode == 0  # harmless to repeat


@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_an_interrupted_run_puts_the_hosts_back_first(bench: Bench, number: int, code: int):
    process = bench.start(plan_text(**LONG))
    bench.wait_for("trial 1 of 1")
    time.sleep(1.0)
    bench.signal(number)
    assert process.wait(timeout=30) == code
    assert (bench.mtu("dome"), bench.mtu("hall")) == (1500, 1500)
    assert [bench.traces(host) for host in ("dome", "hall")] == [[], []]


def test_an_interrupted_run_is_resumed_with_the_same_trials(bench: Bench):
    process = bench.start(plan_text(**SHORT_TRIALS))
    folder = bench.wait_for("trial 3 of")
    kill_hard(process, bench)
    resumed = bench.contact("resume", folder)
    assert resumed.returncode == 0, resumed.stdout + resumed.stderr
    rows = trials_of(folder)
    assert sorted(int(row["trial"]) for row in rows) == list(range(1, 11))
    assert {row["status"] for row in rows} == {"valid"}
    assert (bench.mtu("dome"), bench.mtu("hall")) == (1500, 1500)


def test_a_second_run_is_refused_while_the_first_holds_the_hosts(bench: Bench):
    process = bench.start(plan_text(**LONG))
    bench.wait_for("trial 1 of 1")
    second = bench.contact("run", bench.write(plan_text(), "second.yaml"), "--out", bench.folder / "second")
    assert second.returncode == 3
    assert f"{pwd.getpwuid(os.getuid()).pw_name}@" in second.stderr, "whoever holds a host is named by login name"
    for words in ("holds this host since", bench.newest().name, "wait for its end", "linktrial recover"):
        assert words in second.stderr
    assert process.wait(timeout=60) == 0

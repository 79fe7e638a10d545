"""Round trips: what is measured is the path, a lost probe is no short one, and strangers are not answered."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from orchestrator.onhost.path import round_trip
from orchestrator.onhost.path.round_trip import Answering, Asking
from tests.onhost.two_hosts import ADDRESSES, TOKEN, relayed, switched

pytestmark = pytest.mark.alone
Json = dict[str, Any]
RELAY = Path(__file__).with_name("relay.py")
_ANSWER = """
import json, sys, time
from orchestrator.onhost.path import round_trip
args = json.loads(sys.argv[1])
print("{}", flush=True)
round_trip.answer(args, time.monotonic_ns() + int(args.pop("seconds") * 1e9))
"""
_ASK = """
import json, sys, time
from orchestrator.onhost.path import round_trip
args = json.loads(sys.argv[1])
now = time.monotonic_ns()
print(json.dumps(round_trip.ask(args, now + 5 * 10**8, now + 5 * 10**8, now + 15 * 10**8)))
"""


def _args(who: str, family: int, **more: Any) -> str:
    first, second = ADDRESSES[family]
    local, peer = (first, second) if who == "dome" else (second, first)
    return json.dumps(
        {"token": TOKEN, "interface": "eth1", "family": family, "local": local, "peer": peer, "port": 20001, **more}
    )


def _flow(hosts: Any, family: int = 4) -> Json:
    answering = hosts.start("hall", sys.executable, "-c", _ANSWER, _args("hall", family, seconds=8))
    answering.stdout.readline()
    time.sleep(0.2)
    asked = dict(json.loads(hosts.inside("dome", sys.executable, "-c", _ASK, _args("dome", family)).stdout))
    answering.kill()
    answering.communicate()
    return asked


@pytest.mark.lab
@pytest.mark.parametrize("family", [4, 6])
def test_every_probe_of_a_clean_path_is_answered_and_ordered(family: int):
    with switched() as hosts:
        asked = _flow(hosts, family)
    for part in ("idle", "load"):
        assert asked[part]["sent"] > 10
        assert asked[part]["lost"] == 0
        assert 0 < asked[part]["min_s"] <= asked[part]["p50_s"] <= asked[part]["p99_s"] <= asked[part]["largest_s"]


@pytest.mark.lab
@pytest.mark.parametrize("delay_s", [0.005, 0.025])
def test_a_relays_delay_is_read_as_the_relay_made_it(delay_s: float):
    """Held back on both ways: 10 and 50 ms in all. A busy machine makes both later, and the relay knows by how much."""
    with relayed() as hosts:
        words = [sys.executable, str(RELAY), hosts.names["near"], hosts.names["far"], "20001", str(delay_s), "7"]
        relay = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
        assert relay.stdout is not None
        relay.stdout.readline()
        load = _flow(hosts)["load"]
        made = json.loads(relay.communicate(timeout=20)[0])
    assert load["lost"] == 0
    assert load["min_s"] == pytest.approx(2 * delay_s, abs=0.001)
    assert load["min_s"] >= 2 * delay_s
    assert load["p50_s"] >= made["out"] + made["back"] - 0.001


@pytest.mark.lab
def test_lost_probes_move_the_percentiles_up_and_not_down():
    """RFC 2681 s2.4: an undefined round trip is infinite. Half of the questions are dropped, exactly."""
    with switched() as hosts:
        hosts.rule("between", 'ingress device "dome"', "udp dport 20001 numgen inc mod 2 0 drop")
        load = _flow(hosts)["load"]
    assert load["loss_ratio"] == pytest.approx(0.5, abs=0.05)
    assert load["p99_s"] is None
    assert load["largest_s"] is not None


def _ends() -> tuple[Answering, Asking]:
    """Both ends on this machine's loopback, each on its own address."""
    shared = {"token": TOKEN, "interface": "lo", "family": 4, "port": 20771}
    return (
        Answering({**shared, "local": "127.0.0.2", "peer": "127.0.0.3"}),
        Asking({**shared, "local": "127.0.0.3", "peer": "127.0.0.2"}),
    )


def _turn(*ends: Any, seconds: float) -> None:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        for end in ends:
            end.turn()
        time.sleep(0.0005)


def test_the_answering_ends_own_delay_is_taken_off():
    """It lets every question lie for 30 ms; the path takes microseconds."""
    answering, asking = _ends()
    began_ns = time.monotonic_ns()
    until = time.monotonic() + 0.5
    while time.monotonic() < until:
        asking.turn()
        time.sleep(0.03)
        answering.turn()
    _turn(answering, asking, seconds=0.1)
    summary = asking.summary(began_ns, time.monotonic_ns())
    answering.close()
    asking.close()
    assert summary["sent"] > 5
    assert summary["p50_s"] < 0.02


def test_probes_that_nobody_answers_are_lost_and_none_before_the_far_end_was_heard_counts_as_idle():
    answering, asking = _ends()
    answering.close()
    began_ns = time.monotonic_ns()
    _turn(asking, seconds=0.1)
    summary = asking.summary(began_ns, time.monotonic_ns())
    assert summary.get("p50_s") is None
    assert asking.summary(asking.heard_from_ns, time.monotonic_ns())["sent"] == 0
    asking.close()


def test_a_stranger_is_not_answered_and_an_answer_said_twice_counts_once():
    answering, asking = _ends()
    began_ns = time.monotonic_ns()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as stranger:
        stranger.bind(("127.0.0.4", 0))
        stranger.settimeout(0.2)
        for payload in (b"", bytes(32), b"hello", bytes(1400)) * 10:
            stranger.sendto(payload, ("127.0.0.2", 20771))
        _turn(answering, asking, seconds=0.1)
        with pytest.raises(TimeoutError):
            stranger.recv(2048)
    summary = asking.summary(began_ns, time.monotonic_ns())
    assert summary["sent"] == len({sent for sent, _ in asking._answered}) + summary["lost"]
    asking.close()
    answering.close()


def test_a_clock_that_was_set_does_not_make_a_round_trip_negative_or_years_long():
    probe = round_trip._Probe(sent_monotonic_ns=1_000, sent_real_ns=10**18)
    for stamped_ns in (0, 10**18 - 10**9, 10**18 + 10**15):
        arrival = round_trip._Arrival(round_trip.ANSWER, 1, 200, stamped_ns, 51_000)
        assert round_trip._round_trip_s(probe, arrival) == pytest.approx((50_000 - 200) / 1e9)

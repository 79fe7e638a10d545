"""Counters: every one equal to what other tools read, and read only once they have come to rest."""

from __future__ import annotations

import json
import re
import socket
from typing import Any

import pytest

from orchestrator.onhost.watch import counters
from orchestrator.onhost.watch.counters import changes, protocol_counts, read_counters, settled_counters
from tests.onhost.two_hosts import ADDRESSES, switched

# read in the host's own view: a process that has entered its network and mounts its own /sys
_READ = """
import json, sys
from orchestrator.onhost.watch.counters import read_counters
print(json.dumps(read_counters("eth1")))
"""
_SEND = """
import socket, sys
s = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
s.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 8 << 20)
for _ in range(int(sys.argv[2])): s.sendto(bytes(1000), (sys.argv[1], 20009))
"""


def test_protocol_counts_add_both_families():
    snmp = (
        b"Udp: InDatagrams NoPorts InErrors OutDatagrams RcvbufErrors SndbufErrors\nUdp: 10 1 2 30 4 5\n"
        b"Tcp: InSegs OutSegs RetransSegs\nTcp: 7 8 9\n"
    )
    snmp6 = b"Udp6InDatagrams                 \t100\nUdp6RcvbufErrors\t40\nIp6OutDiscards\t6\n"
    found = protocol_counts(snmp, snmp6)
    assert (found["udp.InDatagrams"], found["udp.RcvbufErrors"], found["tcp.RetransSegs"]) == (110, 44, 9)
    assert found["ip.OutDiscards"] == 6


def test_changes_hold_what_moved_and_nothing_that_only_one_reading_has():
    assert changes({"a": 1, "b": 5, "gone": 3}, {"a": 4, "b": 5, "new": 9}) == {"a": 3}


def test_an_interface_that_is_not_there_has_no_counters_of_its_own():
    found = read_counters("lt-none0")
    assert not [name for name in found if name.startswith(("interface.", "driver.", "queue."))]
    assert "udp.OutDatagrams" in found


class _Lagging:
    """An interface whose counters stand still and jump: drivers copy their card's once in a while."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, readings: list[int]) -> None:
        self.readings, self.place, self.began_s, self.now_s = readings, 0, 500.0, 500.0
        monkeypatch.setattr(counters, "read_counters", self.read)
        monkeypatch.setattr(counters.time, "sleep", self.sleep)
        monkeypatch.setattr(counters.time, "monotonic", lambda: self.now_s)

    @property
    def waited_s(self) -> float:
        return self.now_s - self.began_s

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds

    def read(self, interface: str) -> dict[str, int]:
        self.place += 1
        value = self.readings[min(self.place - 1, len(self.readings) - 1)]
        return {"interface.rx_packets": value, "interface.tx_packets": 0, "interface.rx_bytes": 1000 * value}


def test_z20_counters_are_read_until_they_have_stopped_moving(monkeypatch: pytest.MonkeyPatch):
    _Lagging(monkeypatch, [0, 1000, 2000, 3000, 3001, 3001, 3002])
    assert settled_counters("eth1")[0]["interface.rx_packets"] in (3001, 3002)


def test_z20_counters_that_stand_still_before_they_jump_are_waited_for_as_long_as_they_lag(
    monkeypatch: pytest.MonkeyPatch,
):
    readings = [100] * 12 + [5000] * 30
    _Lagging(monkeypatch, readings)
    assert settled_counters("eth1")[0]["interface.rx_packets"] == 100  # standing still alone proves nothing
    _Lagging(monkeypatch, readings)
    assert settled_counters("eth1", lag_s=1.4)[0]["interface.rx_packets"] == 5000


def test_counters_that_never_rest_are_given_up_in_time(monkeypatch: pytest.MonkeyPatch):
    clock = _Lagging(monkeypatch, list(range(0, 10**6, 1000)))
    settled_counters("eth1", timeout_s=2.0)
    assert clock.waited_s == pytest.approx(2.0, abs=0.2)


def test_a_quiet_links_few_frames_do_not_count_as_moving(monkeypatch: pytest.MonkeyPatch):
    clock = _Lagging(monkeypatch, list(range(0, 1000, 2)))
    settled_counters("eth1", timeout_s=2.0)
    assert clock.waited_s < 1.0


# --- against other tools' reading, on a host made for the test ---


def _read(hosts: Any, who: str) -> dict[str, int]:
    import sys

    return dict(json.loads(hosts.inside(who, sys.executable, "-c", _READ).stdout))


@pytest.mark.lab
def test_the_named_interfaces_counters_are_the_kernels():
    """Against `ip -s link` and `ethtool -S`."""
    with switched() as hosts:
        hosts.inside("dome", "python3", "-c", _SEND, ADDRESSES[4][1], "200")
        found = _read(hosts, "dome")
        link = json.loads(hosts.inside("dome", "ip", "-s", "-j", "link", "show", "dev", "eth1").stdout)[0]["stats64"]
        driver = hosts.inside("dome", "ethtool", "-S", "eth1").stdout
    assert link["tx"]["packets"] >= 200
    assert found["interface.tx_packets"] == pytest.approx(link["tx"]["packets"], abs=5)  # neighbours are looked for
    for name, value in re.findall(r"^\s+(\S+): (\d+)$", driver, re.MULTILINE):
        assert found[f"driver.{name}"] == pytest.approx(int(value), abs=5000), name
    assert sum(name.startswith("driver.") for name in found) == len(
        set(re.findall(r"^\s+(\S+): \d+$", driver, re.MULTILINE))
    )


@pytest.mark.lab
def test_z6_what_the_own_queue_drops_is_counted_as_the_queues_own():
    """A queue of 10 frames at 1 Mb/s; against `tc -s`."""
    with switched() as hosts:
        hosts.inside(
            "dome",
            "tc",
            "qdisc",
            "add",
            "dev",
            "eth1",
            "root",
            "tbf",
            "rate",
            "1mbit",
            "burst",
            "2000",
            "limit",
            "10000",
        )
        before = _read(hosts, "dome")
        hosts.inside("dome", "python3", "-c", _SEND, ADDRESSES[4][1], "300")
        after = _read(hosts, "dome")
        shown = hosts.inside("dome", "tc", "-s", "qdisc", "show", "dev", "eth1").stdout
    dropped = int(re.findall(r"dropped (\d+)", shown)[0])
    assert dropped > 100
    assert changes(before, after)["queue.drops"] == pytest.approx(dropped, abs=3)


@pytest.mark.lab
def test_datagrams_without_a_reader_show_in_the_protocols_counts():
    with switched() as hosts:
        before = _read(hosts, "hall")
        hosts.inside("dome", "python3", "-c", _SEND, ADDRESSES[4][1], "50")
        moved = changes(before, _read(hosts, "hall"))
    assert moved["udp.NoPorts"] == 50


def test_this_machines_loopback_has_counters():
    before = read_counters("lo")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sender.bind(("127.0.0.1", 0))
        sender.sendto(b"x", sender.getsockname())
    assert changes(before, read_counters("lo"))["interface.tx_packets"] >= 1

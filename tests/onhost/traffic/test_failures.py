"""What goes wrong has a name and an end: no flow, no peer, no port, a peer that dies, a change of mind."""

from __future__ import annotations

import os
import signal
import socket
import time
from pathlib import Path
from typing import Any

import pytest

from tests.onhost.traffic.own_ports import OWN_PORTS
from tests.onhost.traffic.two_ends import JobFailed, Running, arguments, flow, other_end, times

UDP = {"datagram_bytes": 500, "intended_load_bit_s": 4e6}
TCP = {"pacing_bit_s": 8e6}
PORTS = OWN_PORTS[110:120]


def failure(running: Running, timeout_s: float) -> str:
    """The code with which a job ends, which must be within its bound."""
    with pytest.raises(JobFailed) as failed:
        running.result(timeout_s)
    return str(failed.value.code)


def children(pid: int) -> list[int]:
    return [int(word) for word in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def gone(pids: list[int], timeout_s: float = 5.0) -> bool:
    """Whether these processes end in time (a zombie has ended)."""
    until = time.monotonic() + timeout_s
    while time.monotonic() < until:
        states = []
        for pid in pids:
            try:
                states.append(Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0])
            except OSError:
                states.append("gone")
        if all(state in ("gone", "Z", "X") for state in states):
            return True
        time.sleep(0.02)
    return False


def both(flows: list[dict[str, Any]]) -> tuple[Running, Running]:
    """Two ends, connected."""
    args = arguments(flows, ports=PORTS)
    serving = Running("serve", other_end(args))
    serving.event("listening")
    dialling = Running("dial", args)
    dialling.event("connected")
    serving.event("connected")
    return serving, dialling


@pytest.mark.parametrize(("transport", "more"), [("tcp", TCP), ("udp", UDP)])
def test_nobody_there_is_said_within_the_bound(transport: str, more: dict[str, Any]) -> None:
    for verb in ("dial", "serve"):
        running = Running(verb, arguments([flow("transmit", transport, **more)], ports=PORTS, timeout_s=0.5))
        assert failure(running, 3.0) == "not_connected"
        running.end()


@pytest.mark.parametrize(
    ("transport", "more", "kind"), [("tcp", TCP, socket.SOCK_STREAM), ("udp", UDP, socket.SOCK_DGRAM)]
)
def test_a_port_in_use_is_named_at_once(transport: str, more: dict[str, Any], kind: int) -> None:
    with socket.socket(socket.AF_INET, kind) as taken:
        taken.bind(("127.0.0.2", PORTS[0]))
        if transport == "tcp":
            taken.listen()
        running = Running("serve", other_end(arguments([flow("transmit", transport, **more)], ports=PORTS)))
        with pytest.raises(JobFailed) as failed:
            running.result(3.0)
        running.end()
    assert failed.value.code == "port_in_use"
    assert str(PORTS[0]) in failed.value.message


def test_an_address_that_is_not_the_interfaces_own_is_refused() -> None:
    running = Running("serve", arguments([flow()], local="198.18.99.99", ports=PORTS))
    assert failure(running, 3.0) == "address_not_ready"
    running.end()


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"ports": PORTS[:1], "flows": [flow(streams=2)]}, "too_few_ports"),
        ({"flows": [flow(transport="udp", datagram_bytes=15)]}, "datagram_size"),
        ({"flows": [flow(congestion="nonsense")]}, "congestion_missing"),
        ({"interface": "none0"}, "interface_missing"),
    ],
)
def test_what_cannot_be_done_is_refused_before_any_traffic(change: dict[str, Any], code: str) -> None:
    running = Running("serve", {**arguments([flow()], ports=PORTS), **change})
    assert failure(running, 3.0) == code
    running.end()


def test_a_core_that_is_not_there_is_named() -> None:
    args = arguments([flow(sender_core=4000, receiver_core=4000)], ports=PORTS)
    serving = Running("serve", other_end(args))
    serving.event("listening")
    dialling = Running("dial", args)
    try:
        assert failure(dialling, 3.0) == failure(serving, 3.0) == "core_missing"
    finally:
        serving.end()
        dialling.end()


@pytest.mark.parametrize("victim", ["serve", "dial"])
@pytest.mark.parametrize(("transport", "more"), [("tcp", TCP), ("udp", UDP)])
@pytest.mark.parametrize("way", ["transmit", "receive"])
def test_a_peer_that_dies_in_the_traffic_ends_the_other_end_by_name(
    victim: str, transport: str, more: dict[str, Any], way: str
) -> None:
    serving, dialling = both([flow(way, transport, **more)])
    try:
        told = times(4.0)
        for one in (serving, dialling):
            one.job.tell(told)
        time.sleep(0.4)
        dies, lives = (serving, dialling) if victim == "serve" else (dialling, serving)
        dies.end()
        assert failure(lives, 3.5) == "peer_lost"
    finally:
        serving.end()
        dialling.end()


def test_cancelling_ends_every_process_at_once() -> None:
    serving, dialling = both([flow(streams=2), flow("receive", "udp", **UDP)])
    try:
        for one in (serving, dialling):
            one.job.tell(times(30.0))
        time.sleep(0.2)
        streams = children(serving.job.pid) + children(dialling.job.pid)
        assert len(streams) == 6
        for one in (serving, dialling):
            one.job.tell({"cancel": True})
            assert failure(one, 2.0) in ("cancelled", "peer_lost")
        assert gone(streams)
    finally:
        serving.end()
        dialling.end()


def test_stream_processes_die_with_their_job_even_when_it_is_killed_alone() -> None:
    serving, dialling = both([flow(streams=2)])
    try:
        streams = children(dialling.job.pid)
        assert len(streams) == 2
        os.kill(dialling.job.pid, signal.SIGKILL)  # the job only, not its group
        assert gone(streams)
    finally:
        serving.end()
        dialling.end()


def test_a_stream_process_that_dies_is_named() -> None:
    serving, dialling = both([flow("transmit", "udp", **UDP)])
    try:
        for one in (serving, dialling):
            one.job.tell(times(5.0))
        os.kill(children(dialling.job.pid)[0], signal.SIGKILL)
        assert failure(dialling, 2.0) == "stream_died"
    finally:
        serving.end()
        dialling.end()


@pytest.mark.skipif(os.getuid() != 0, reason="only a privileged helper has privilege to give up")
def test_stream_processes_have_no_privilege() -> None:
    serving, dialling = both([flow()])
    try:
        for pid in children(serving.job.pid) + children(dialling.job.pid):
            status = Path(f"/proc/{pid}/status").read_text()
            values = dict(line.split(":\t", 1) for line in status.splitlines() if ":\t" in line)
            assert values["Uid"].split() == ["65534"] * 4
            assert int(values["CapEff"], 16) == 0
            assert values["NoNewPrivs"] == "1"
    finally:
        serving.end()
        dialling.end()

"""A switch port with a smaller MTU stops what a real one stops, in whatever way the frames were made."""

from __future__ import annotations

import subprocess

import pytest

from orchestrator.lab.lab import Lab
from tests.lab.crossing import datagrams_that_arrive, set_mtu_of_both

FULL_BYTES = 9000 - 28  # IPv4 header 20 (RFC 791), UDP header 8 (RFC 768)


@pytest.mark.lab
@pytest.mark.parametrize("blocked", ["dome", "hall"])
@pytest.mark.parametrize("port_mtu", [1500, 4000])
def test_a_smaller_port_stops_every_large_datagram_and_no_small_one(lab: Lab, blocked: str, port_mtu: int) -> None:
    set_mtu_of_both(lab, 9000)
    assert datagrams_that_arrive(lab, 1, 1) == 1  # a datagram waits for the neighbour's address; many are dropped
    assert datagrams_that_arrive(lab, FULL_BYTES) == 20
    lab.switch.set_port_mtu(blocked, port_mtu)
    assert datagrams_that_arrive(lab, FULL_BYTES) == 0
    assert datagrams_that_arrive(lab, port_mtu - 28) == 20
    assert datagrams_that_arrive(lab, port_mtu - 28 + 4 + 1) == 0  # Linux leaves room for a VLAN tag
    lab.switch.set_port_mtu(blocked, 9000)
    assert datagrams_that_arrive(lab, FULL_BYTES) == 20


@pytest.mark.lab
def test_datagrams_sent_as_one_piece_for_segmentation_do_not_slip_through(lab: Lab) -> None:
    set_mtu_of_both(lab, 9000)
    seven = 7 * FULL_BYTES
    assert datagrams_that_arrive(lab, 1, 1) == 1
    assert datagrams_that_arrive(lab, seven, 5, segment_bytes=FULL_BYTES) == 35
    lab.switch.set_port_mtu("hall", 1500)
    assert datagrams_that_arrive(lab, seven, 5, segment_bytes=FULL_BYTES) == 0


@pytest.mark.lab
def test_a_bulk_transfer_with_large_frames_stalls_at_a_smaller_port(lab: Lab) -> None:
    set_mtu_of_both(lab, 9000)
    lab.switch.set_port_mtu("hall", 1500)
    receive = (
        "import socket; s = socket.create_server(('198.18.0.12', 20000)); print('up', flush=True); "
        "c, _ = s.accept(); c.settimeout(1.5); print(len(c.recv(10)))"
    )
    send = (
        "import socket, time; c = socket.create_connection(('198.18.0.12', 20000)); c.setblocking(False); "
        "c.send(bytes(100000)); time.sleep(3)"
    )
    with lab.hosts["hall"].start(
        ["python3", "-c", receive], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as receiver:
        assert receiver.stdout
        assert receiver.stderr
        receiver.stdout.readline()
        with lab.hosts["dome"].start(["python3", "-c", send]) as sender:
            assert "TimeoutError" in receiver.stderr.read(), "some byte came through"
            sender.kill()

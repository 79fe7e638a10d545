"""What a tester can do to the switch while a run goes on."""

from __future__ import annotations

import time

import pytest

from orchestrator.lab.lab import Lab
from tests.lab.crossing import datagrams_that_arrive


@pytest.mark.lab
def test_every_nth_frame_is_dropped_and_counted(lab: Lab) -> None:
    assert datagrams_that_arrive(lab, 100, 1) == 1  # the neighbour is known from here on
    lab.switch.drop_every(10, "dome")
    arrived = datagrams_that_arrive(lab, 1000, 200)
    assert arrived + lab.switch.dropped("dome") in (200, 201)  # the receiver's port may answer a stray frame
    assert arrived == pytest.approx(180, abs=1)
    lab.switch.drop_every(0, "dome")
    assert datagrams_that_arrive(lab, 1000, 200) == 200


@pytest.mark.lab
def test_the_control_path_of_one_host_can_be_cut_and_mended(lab: Lab) -> None:
    assert _answers(lab, "dome")
    lab.switch.cut_control("dome")
    assert lab.hosts["dome"].path("/sys/class/net/eth0/carrier").read_text() == "1\n"
    assert not _answers(lab, "dome")
    assert _answers(lab, "hall")
    assert datagrams_that_arrive(lab, 100) == 20, "the measured link is another network"
    lab.switch.mend_control("dome")
    assert _answers(lab, "dome")


@pytest.mark.lab
def test_an_unplugged_end_loses_its_carrier_and_gets_it_back(lab: Lab) -> None:
    carrier = lab.hosts["dome"].path("/sys/class/net/eth1/carrier")
    lab.switch.unplug("dome")
    assert carrier.read_text() == "0\n"
    lab.switch.plug("dome")
    assert carrier.read_text() == "1\n"


@pytest.mark.lab
def test_with_spanning_tree_a_port_has_carrier_before_it_forwards(lab: Lab) -> None:
    assert datagrams_that_arrive(lab, 100) == 20
    lab.switch.spanning_tree(2)
    lab.switch.unplug("dome")
    lab.switch.plug("dome")
    assert lab.hosts["dome"].path("/sys/class/net/eth1/carrier").read_text() == "1\n"
    assert datagrams_that_arrive(lab, 100) == 0
    until = time.monotonic() + 30
    while datagrams_that_arrive(lab, 100) == 0:
        assert time.monotonic() < until, "the port never forwarded"
    lab.switch.spanning_tree(None)
    assert datagrams_that_arrive(lab, 100) == 20


def _answers(lab: Lab, host: str) -> bool:
    done = lab.run(
        ["ssh", "-F", lab.ssh_config, "-o", "ConnectTimeout=1", host, "true"], capture_output=True, check=False
    )
    return bool(done.returncode == 0)

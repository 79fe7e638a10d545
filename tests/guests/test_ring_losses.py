"""Datagrams that a guest's card throws away because its receive ring is full are booked to the far interface.

The card is QEMU's pcnet: it counts what finds no descriptor (its register CSR112, `rx_missed_errors` of Linux's driver)
as hardware does. The other emulated cards make the sender wait instead, so nothing is ever lost in their rings.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from orchestrator.cli.exits import Exit
from orchestrator.lab.guests.cards import Card
from orchestrator.lab.guests.machines import Machines
from orchestrator.lab.guests.recipe import FULL
from orchestrator.lab.guests.scenario import Guest
from orchestrator.lab.scenario import lab_host
from tests.guests.runs import plan, rows, run

pytestmark = [pytest.mark.guests, pytest.mark.proof, pytest.mark.timeout(290)]
_BURSTS = """\
hold:
  - {setting: receive-ring, at: dome:eth1, level: 4}
factors:
  transport: [udp]
  direction: [receive]
  offered_rate: [20Mbit/s]
  burst: [1, 64]
trial: {length: 2s, warmup: 200ms, settle: 200ms, replicates: 2}
accept: [suspect]
"""


@pytest.fixture
def machines() -> Iterator[Machines]:
    """The dome computer with the old card; the vault is an ordinary lab host and sends."""
    dome = Guest("dome", 11, cards=(Card("pcnet"),), recipe=FULL, kernel=1)
    with Machines([dome], hosts=[lab_host("vault", 12)]) as made:
        yield made


def _missed(machines: Machines) -> int:
    return int(machines["dome"].output("cat /sys/class/net/eth1/statistics/rx_missed_errors"))


def _dropped_on_the_way(machines: Machines) -> int:
    """What the switch's queue and tap towards dome have dropped."""
    qdisc, = json.loads(machines.lab.switch.output(["tc", "-j", "-s", "qdisc", "show", "dev", "port-dome", "root"]))
    link, = json.loads(machines.lab.switch.output(["ip", "-j", "-s", "link", "show", "dev", "port-dome"]))
    return int(qdisc["drops"]) + int(link["stats64"]["tx"]["dropped"])


def test_a_full_receive_ring_is_the_place_of_every_lost_datagram(machines: Machines, tmp_path: Path) -> None:
    missed_before, dropped_before = _missed(machines), _dropped_on_the_way(machines)
    done, folder = run(machines, tmp_path, plan(_BURSTS))
    missed = _missed(machines) - missed_before
    assert done.returncode in (Exit.COMPLETE, Exit.SOME_NOT_VALID), done.stderr[-3000:]
    assert _dropped_on_the_way(machines) == dropped_before
    found = rows(folder)
    lost = {name: sum(int(row[f"{name}"] or 0) for row in found) for name in (
        "datagrams_lost", "lost_far_interface", "lost_between", "lost_backlog", "lost_socket", "lost_own_queue")}
    counted = sum(int(row["change"]) for row in csv.DictReader(_counters(folder))
                  if (row["host"], row["counter"]) == ("dome", "interface.rx_missed_errors"))
    print(lost, "missed by the card over the whole run:", missed, "in trials:", counted)
    assert lost["lost_far_interface"] > 0
    assert lost["datagrams_lost"] == lost["lost_far_interface"] + lost["lost_socket"] + lost["lost_backlog"]
    assert lost["lost_far_interface"] <= missed  # the rehearsal and the warm-up went through the same ring


def _counters(folder: Path) -> list[str]:
    import gzip

    return gzip.decompress((folder / "counters.csv.gz").read_bytes()).decode().splitlines()

"""Datagrams that a guest's card throws away because its receive ring is full are booked to the far interface.

The card is QEMU's pcnet: it counts what finds no descriptor (its register CSR112, `rx_missed_errors` of Linux's driver)
as hardware does. The other emulated cards make the sender wait instead, so nothing is ever lost in their rings.
"""

from __future__ import annotations

import csv
import gzip
import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from orchestrator.lab.guests.cards import Card
from orchestrator.lab.guests.machines import Machines
from orchestrator.lab.guests.recipe import FULL
from orchestrator.lab.guests.scenario import Guest
from orchestrator.lab.scenario import lab_host
from orchestrator.words.exit_codes import Exit
from tests.guests.runs import plan, rows, run

pytestmark = [pytest.mark.guests, pytest.mark.proof, pytest.mark.timeout(290)]
_BURSTS = """\
hold:
  - {setting: receive-ring, at: dome eth1, level: 4}
factors:
  transport: [udp]
  direction: [receive]
  intended_load: [20Mbit/s]
  burst: [1, 64]
trial: {length: 2s, warmup: 0s, settle: 200ms, replicates: 2}
accept: [suspect]
"""


@pytest.fixture
def machines() -> Iterator[Machines]:
    """The dome computer with the old card; the hall is an ordinary lab host and sends."""
    dome = Guest("dome", 11, cards=(Card("pcnet"),), recipe=FULL, kernel=1)
    with Machines([dome], hosts=[lab_host("hall", 12)]) as made:
        yield made


def _missed(machines: Machines) -> int:
    return int(machines["dome"].output("cat /sys/class/net/eth1/statistics/rx_missed_errors"))


def _dropped_on_the_way(machines: Machines) -> int:
    """What the switch's queue and tap towards dome have dropped."""
    (qdisc,) = json.loads(machines.lab.switch.output(["tc", "-j", "-s", "qdisc", "show", "dev", "port-dome", "root"]))
    (link,) = json.loads(machines.lab.switch.output(["ip", "-j", "-s", "link", "show", "dev", "port-dome"]))
    return int(qdisc["drops"]) + int(link["stats64"]["tx"]["dropped"])


def _know_each_other(machines: Machines) -> None:
    """For good: a question for a hardware address would be one more frame that finds the ring full."""
    hall = machines.lab.hosts["hall"]
    of_hall = hall.output(["ip", "-br", "link", "show", "dev", "eth1"]).split()[2]
    of_dome = machines["dome"].output("cat /sys/class/net/eth1/address").strip()
    machines["dome"].output(f"ip neighbour replace 198.18.0.12 lladdr {of_hall} dev eth1 nud permanent")
    hall.output(["ip", "neighbour", "replace", "198.18.0.11", "lladdr", of_dome, "dev", "eth1", "nud", "permanent"])


def _missed_in_trials(folder: Path) -> dict[str, int]:
    """Trial -> what the kernel counted meanwhile."""
    counted = csv.DictReader(gzip.decompress((folder / "counters.csv.gz").read_bytes()).decode().splitlines())
    return {
        row["trial"]: int(row["change"])
        for row in counted
        if (row["host"], row["counter"]) == ("dome", "interface.rx_missed_errors")
    }


def _lost_probes(folder: Path) -> dict[str, int]:
    """Trial -> round-trip probes or answers that did not arrive: nothing else is sent into a full ring."""
    lost = {}
    for line in (folder / "journal.jsonl").read_text().splitlines():
        body = json.loads(line)["body"]
        if body.get("event") == "Conducted" and body["position"] >= 0:
            flow = body["record"]["first"]["round_trip"]
            lost[str(body["record"]["position"])] = sum(flow[part]["lost"] for part in ("idle", "load"))
    return lost


def test_a_full_receive_ring_is_the_place_of_every_lost_datagram(machines: Machines, tmp_path: Path) -> None:
    _know_each_other(machines)
    missed_before, dropped_before = _missed(machines), _dropped_on_the_way(machines)
    done, folder = run(machines, tmp_path, plan(_BURSTS))
    missed = _missed(machines) - missed_before
    assert done.returncode in (Exit.COMPLETE, Exit.SOME_NOT_VALID), done.stderr[-3000:]
    assert _dropped_on_the_way(machines) == dropped_before
    in_trials, probes, found = _missed_in_trials(folder), _lost_probes(folder), rows(folder)
    print(
        "datagrams lost, of them by the far interface, probes lost, frames missed, by trial:",
        [
            (row["datagrams_lost"], row["lost_receiver_interface"], probes[row["trial"]], in_trials[row["trial"]])
            for row in found
        ],
        "missed over the whole run:",
        missed,
    )
    bursts = [row for row in found if row["burst"] == "64"]
    assert len(bursts) == 2
    assert all(int(row["datagrams_lost"]) > 0 for row in bursts)  # 64 datagrams at once find four descriptors
    for row in found:
        assert int(row["lost_receiver_interface"]) == int(row["datagrams_lost"]), row  # and nothing in any other place
        assert int(row["datagrams_lost"]) + probes[row["trial"]] == in_trials[row["trial"]], row
    assert sum(in_trials.values()) <= missed  # the rehearsal went through the same ring

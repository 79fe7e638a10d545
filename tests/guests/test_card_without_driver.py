"""A card that the running kernel has no driver for: found by the survey, at work after the kernel it names is booted.

The card is QEMU's e1000e (PCI 8086:10d3); Debian's cloud kernels are built without its driver, the full ones have it.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from orchestrator.lab.guests.cards import Card
from orchestrator.lab.guests.machines import Machines
from orchestrator.lab.guests.recipe import FULL
from orchestrator.lab.guests.scenario import Guest
from orchestrator.lab.scenario import lab_host
from orchestrator.words.exit_codes import Exit
from tests.guests.runs import UPLINK_RATE_BIT_S, as_found, linktrial, plan, rows, run

pytestmark = [pytest.mark.guests, pytest.mark.proof, pytest.mark.timeout(290)]
_MATRIX = """\
factors:
  mtu: [1500, 9000]
  direction: [transmit, receive]
trial: {length: 1s, warmup: 500ms, settle: 200ms, replicates: 1}
"""


@pytest.fixture
def machines() -> Iterator[Machines]:
    """The dome computer with a card that its first kernel does not know; the hall is an ordinary lab host."""
    dome = Guest("dome", 11, cards=(Card("e1000e"), Card("i82559er")), recipe=FULL)
    with Machines([dome], hosts=[lab_host("hall", 12)], rate_bit_s=UPLINK_RATE_BIT_S) as made:
        yield made


def _findings(machines: Machines) -> dict[str, list[dict[str, Any]]]:
    done = linktrial(machines, "survey", "dome", "--json")
    found: dict[str, list[dict[str, Any]]] = {}
    for each in json.loads(done.stdout)["findings"]:
        found.setdefault(each["code"], []).append(each)
    return found


def test_a_card_without_a_driver_is_found_and_runs_after_booting_the_kernel_that_the_finding_names(
    machines: Machines, tmp_path: Path
) -> None:
    dome = machines["dome"]
    full = next(
        line.removeprefix("/boot/vmlinuz-") for line in dome.output("ls /boot/vmlinuz-*").split() if "cloud" not in line
    )
    missing = _findings(machines)["card_without_driver"]
    assert len(missing) == 2  # both cards
    told = next(each for each in missing if "8086:10d3" in json.dumps(each))
    assert full in json.dumps(told)  # what to do: start that kernel
    assert dome.run("test -e /sys/class/net/eth1").returncode != 0

    dome.output(f"echo {full} >/boot/choice")
    dome.reboot()
    assert dome.output("uname -r").strip() == full
    now = _findings(machines)
    assert "card_without_driver" not in now
    (firmware,) = now["firmware_missing"]  # the second card asks for a file that is not there, and works all the same
    assert firmware["severity"] == "disturbs"
    assert dome.output("ethtool -i eth1").splitlines()[0] == "driver: e1000e"

    done, folder = run(machines, tmp_path, plan(_MATRIX))
    assert done.returncode == Exit.COMPLETE, done.stderr[-3000:]
    assert as_found(folder) == {"dome": True, "hall": True}
    assert {(row["mtu"], row["way"], row["status"]) for row in rows(folder)} == {
        (mtu, way, "valid") for mtu in ("1500", "9000") for way in ("transmit", "receive")
    }

"""The same on a guest whose first process is systemd: a unit takes the boot file back, before anybody can log in."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from orchestrator.lab.guests.machines import Machines
from orchestrator.lab.guests.recipe import SYSTEMD
from orchestrator.lab.guests.scenario import Guest
from orchestrator.lab.scenario import lab_host
from tests.guests.runs import UPLINK_RATE_BIT_S, as_found, plan, rows, run

pytestmark = [pytest.mark.guests, pytest.mark.proof, pytest.mark.timeout(900)]
_REST = """\
factors:
  parameter: {setting: boot-lines, at: dome, file: /boot/lines, effect: command-line, levels: [[], ["mitigations=off"]]}
  direction: [transmit]
trial: {length: 1s, warmup: 0s, settle: 0s, replicates: 1}
order: {shuffle: false}
accept: [suspect]
lease: 60s
"""
_STATE = (
    "find /boot/lines /etc/systemd/system /etc/cron.d -printf '%p %m %l\\n' -type f -exec sha256sum {} + | sort; "
    "ls -A /var/lib | grep linktrial; ls -A /run | grep linktrial-started; cat /proc/cmdline"
)


@pytest.fixture
def machines() -> Iterator[Machines]:
    with Machines(
        [Guest("dome", 11, recipe=SYSTEMD, memory_mb=384)], hosts=(lab_host("hall", 12),), rate_bit_s=UPLINK_RATE_BIT_S
    ) as made:
        yield made


def test_a_unit_takes_the_line_back_and_leaves_with_it(machines: Machines, tmp_path: Path) -> None:
    dome = machines["dome"]
    found, starts = dome.output(_STATE), dome.boots
    done, folder = run(machines, tmp_path, plan(_REST, "unit"), timeout_s=600)
    assert done.returncode == 0, done.stderr[-2000:]
    measured = [row["parameter"] for row in rows(folder) if row["role"] == "measure"]
    assert measured == ["none", "mitigations=off"]
    assert dome.boots == starts + 2
    assert as_found(folder) == {"dome": True, "hall": True}
    assert dome.output(_STATE) == found
    assert "linktrial" not in dome.output("systemctl list-unit-files --no-legend; systemctl --failed --no-legend")

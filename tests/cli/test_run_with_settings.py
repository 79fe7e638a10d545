"""A run that varies settings of many kinds at once leaves the hosts as it found them, by other people's eyes."""

from __future__ import annotations

import csv
import subprocess
import sys
import time
from pathlib import Path

import pytest

from orchestrator.lab.lab import Lab

PLAN = """plan: tuned
hosts:
  dome: {ssh: dome, privilege: root}
  hall: {ssh: hall, privilege: root}
links:
  uplink: {under_test: dome eth1, far: hall eth1, rate: 2.5Gbit/s, isolated: true}
hold:
  - {setting: net.ipv4.tcp_sack, at: hall, level: 0}
  - {setting: feature.tx-nocache-copy, at: "dome eth1", level: on}
factors:
  mtu: [1000]
  tuning:
    levels:
      tuned: {queueing: pfifo limit=500, transmit-queue-length: 777, congestion-control: reno, receive-offload: off}
  transport: [tcp]
  direction: [transmit]
trial: {length: 1s, warmup: 0s, settle: 0s, replicates: 1}
"""
LOOK = (
    "ip address; ip route; ip -6 route; ip link show eth1; tc qdisc; ethtool -k eth1; "
    "sysctl -a --pattern 'net.ipv[46].(conf|tcp|neigh)'; ls /run"
)


def seen_by_others(lab: Lab) -> list[str]:
    return [
        line
        for host in lab.hosts.values()
        for line in host.exec(["sh", "-c", LOOK], capture_output=True, text=True).stdout.splitlines()
    ]


@pytest.mark.lab
def test_many_settings_at_once_and_an_mtu_without_ipv6_are_all_restored(lab: Lab, tmp_path: Path) -> None:
    (tmp_path / "tuned.yaml").write_text(PLAN)
    time.sleep(2.2)  # the duplicate checks of the lab's addresses, so that what others see stands still
    as_found = seen_by_others(lab)
    ran: subprocess.CompletedProcess[str] = lab.run(
        [
            sys.executable,
            "-m",
            "orchestrator.cli",
            "run",
            str(tmp_path / "tuned.yaml"),
            "--out",
            str(tmp_path / "runs"),
            "--ssh-config",
            lab.ssh_config,
        ],
        capture_output=True,
        text=True,
        cwd=Path(__file__).parents[2],
        timeout=110,
    )
    assert ran.returncode == 0, ran.stderr
    assert seen_by_others(lab) == as_found
    folder = next((tmp_path / "runs").iterdir())
    with (folder / "trials.csv").open() as rows:
        trials = [(row["mtu"], row["tuning"], row["status"]) for row in csv.DictReader(rows)]
    assert trials == [("1000", "tuned", "valid")]

"""`linktrial survey` on the lab's hosts over real SSH: what is said, what is not, and the exit codes."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from orchestrator.lab.lab import Lab
from orchestrator.words.exit_codes import Exit

pytestmark = pytest.mark.lab

PLAN = """plan: look
hosts:
  dome: {ssh: dome, privilege: root}
  hall: {ssh: hall, privilege: root}
links:
  uplink: {under_test: dome eth1, far: hall eth1, rate: 2.5Gbit/s}
factors:
  mtu: [1500, 9000]
  transport: [tcp]
"""
ROOT = Path(__file__).parents[2]


def survey(lab: Lab, *arguments: str) -> subprocess.CompletedProcess[str]:
    return lab.run(
        [sys.executable, "-m", "orchestrator.cli", "survey", *arguments, "--ssh-config", lab.ssh_config],
        capture_output=True,
        text=True,
        cwd=ROOT,
        timeout=90,
    )


def test_a_plans_bench_is_surveyed_and_its_path_proven(lab: Lab, tmp_path: Path) -> None:
    plan = tmp_path / "look.yaml"
    plan.write_text(PLAN)
    for host in lab.hosts.values():
        host.exec(["ip", "link", "set", "dev", "eth1", "mtu", "9000"], check=True)
    answer = survey(lab, str(plan), "--json")
    found = json.loads(answer.stdout)
    assert set(found["hosts"]) == {"dome", "hall"}
    assert found["paths"]["uplink"]["verdict"] == "open"
    assert {row["mtu"] for row in found["ceilings"]} == {1500, 9000}
    assert all("2.5 Gb/s" in row["narrowest"] for row in found["ceilings"])
    assert [each for each in found["findings"] if each["severity"] in ("stops", "limits")] == []
    assert answer.returncode == Exit.COMPLETE, answer.stderr

    lab.switch.set_port_mtu("hall", 1500)
    spoiled = survey(lab, str(plan))
    assert spoiled.returncode == Exit.SOME_NOT_VALID
    assert "stops the plan [path]" in spoiled.stdout
    assert "Something between the ends stops larger frames" in " ".join(spoiled.stdout.split())

    earlier = tmp_path / "earlier.json"
    earlier.write_text(answer.stdout)
    lab.hosts["dome"].exec(["ip", "link", "set", "dev", "eth1", "mtu", "1500"], check=True)
    compared = survey(lab, "dome", "--against", str(earlier))
    assert "dome:eth1: MTU 9000 -> 1500" in compared.stdout


def test_hosts_are_surveyed_by_name_and_one_that_is_not_there_stops_no_other(lab: Lab) -> None:
    answer = survey(lab, "dome", "nowhere")
    assert answer.returncode == Exit.REFUSED
    assert answer.stdout.startswith("dome: ")
    assert "eth1: veth" in answer.stdout
    assert "nowhere" in answer.stderr
    assert "what to do" in answer.stderr


def test_the_wiring_is_told_by_broadcast_frames_without_any_address(lab: Lab, tmp_path: Path) -> None:
    plan = tmp_path / "look.yaml"
    plan.write_text(PLAN)
    for host in lab.hosts.values():
        host.exec(["ip", "address", "flush", "dev", "eth1"], check=True)
    answer = survey(lab, str(plan), "--json")
    found = json.loads(answer.stdout)
    assert found["wiring"] == [["hall:eth1", "dome:eth1"], ["dome:eth1", "hall:eth1"]]
    assert "wired_elsewhere" not in {each["code"] for each in found["findings"]}


def test_a_cable_that_ends_elsewhere_is_named_with_the_interface_it_ends_at(lab: Lab, tmp_path: Path) -> None:
    """The plan names hall's other interface, as when two cables were crossed."""
    plan = tmp_path / "look.yaml"
    plan.write_text(PLAN.replace("hall eth1", "hall eth0"))
    answer = survey(lab, str(plan))
    assert answer.returncode == Exit.SOME_NOT_VALID
    told = " ".join(answer.stdout.split())
    assert "frames of dome:eth1 arrive at hall:eth1, and not at hall:eth0" in told
    assert "name hall eth1 in the plan" in told
    assert "hall:eth0 is heard at dome:eth0" in told

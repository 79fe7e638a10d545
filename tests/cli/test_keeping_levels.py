"""`linktrial settings --for RUN CELL`: what each host's owner types to keep a cell's levels, and what makes it last."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from orchestrator.cli.kept_levels import keep
from orchestrator.cli.settings import command
from orchestrator.faults import PlanError
from orchestrator.onhost.settings import CATALOGUE

PLAN = """plan: keep-me
hosts:
  dome: {ssh: dome}
  hall: {ssh: hall}
links:
  uplink: {under_test: {host: dome, mac: "02:00:5e:10:00:0b"}, far: hall eth1, rate: 2.5Gbit/s}
factors:
  mtu: [1500, 9000]
  sack: {setting: net.ipv4.tcp_sack, at: hall, levels: [0, 1]}
  steering: {setting: transmit-steering, at: hall eth1, levels: [spread]}
  transport: [tcp]
"""


def run_folder(folder: Path) -> Path:
    (folder / "plan.yaml").write_text(PLAN)
    named = {"dome": ("enp1s0", "02:00:5e:10:00:0b"), "hall": ("eth1", "02:00:5e:10:00:0c")}
    hosts = {
        host: {"facts": {"interfaces": [{"name": name, "mac": mac, "permanent_mac": ""}]}}
        for host, (name, mac) in named.items()
    }
    (folder / "run.json").write_text(json.dumps({"hosts": hosts, "binds": {}}))
    return folder


def test_a_cells_levels_as_commands_and_files_for_each_host(tmp_path: Path) -> None:
    folder = run_folder(tmp_path)
    answer = CliRunner().invoke(command, ["--for", str(folder), "4", "--json"], standalone_mode=False)
    assert answer.exception is None
    kept = json.loads(answer.output)
    assert kept["dome"]["commands"] == ["ip link set dev enp1s0 mtu 9000"]  # the name behind the plan's MAC address
    assert "sysctl -w net/ipv4/tcp_sack=1" in kept["hall"]["commands"]
    assert kept["hall"]["files"]["/etc/sysctl.d/90-kept-level.conf"] == "net/ipv4/tcp_sack=1\n"
    unit = kept["hall"]["files"]["/etc/systemd/system/kept-level.service"]
    assert 'ExecStart=/bin/sh -c "ip link set dev eth1 mtu 9000"' in unit
    assert "tcp_sack" not in unit
    assert kept["hall"]["not_kept"] == ["transmit-steering of eth1 = spread"]


def test_the_text_names_host_command_and_file(tmp_path: Path) -> None:
    answer = CliRunner().invoke(command, ["--for", str(run_folder(tmp_path)), "1"], standalone_mode=False)
    assert "# dome: as root\nip link set dev enp1s0 mtu 1500" in answer.output
    assert "systemctl enable kept-level" in answer.output
    assert "no single command keeps these: transmit-steering" in answer.output


def test_a_cell_that_is_not_there_is_a_mistake_of_the_user(tmp_path: Path) -> None:
    answer = CliRunner().invoke(command, ["--for", str(run_folder(tmp_path)), "99"], standalone_mode=False)
    assert isinstance(answer.exception, PlanError)


def test_dollars_percents_and_quotes_survive_the_unit_file() -> None:
    level = {"read": ["true"], "write": ["tool", '100% "$HOME" \\ {level}'], "level": "x"}
    unit = keep([{"setting": "command", "target": "t", "level": level}], CATALOGUE).files[
        "/etc/systemd/system/kept-level.service"
    ]
    assert '100%% \\"$$HOME\\" \\\\ x' in unit


def test_commands_come_in_the_order_of_dependence() -> None:
    uses = [
        {"setting": name, "target": "eth1", "level": level}
        for name, level in (("mtu", 9000), ("segmentation-offload", "off"), ("receive-ring", 512), ("channels", 2))
    ]
    words = [command.split()[0:2] for command in keep(uses, CATALOGUE).commands]
    assert words == [["ethtool", "-K"], ["ethtool", "-L"], ["ethtool", "-G"], ["ip", "link"]]


@pytest.mark.parametrize("name", ["feature.NAME", "net.NAME"])
def test_the_list_names_the_families_of_settings(name: str) -> None:
    answer = CliRunner().invoke(command, ["--json"], standalone_mode=False)
    assert name in {entry["name"] for entry in json.loads(answer.output)["settings"]}

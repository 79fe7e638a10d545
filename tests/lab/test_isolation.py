"""Nothing done on a lab host reaches the machine itself, another host, or another lab."""

from __future__ import annotations

import os
import socket
import subprocess
from pathlib import Path

import pytest

from orchestrator.lab.lab import Lab

_REWRITE = 'old=$(cat {0}) && echo "$old" > {0}'  # the old value, so that a hole in the lab does no harm either
# what a careless setting on a host would change of the whole machine, as root; each must be refused
_REACHING_DOWN = {
    "kernel variable": _REWRITE.format("/proc/sys/kernel/panic"),
    "memory variable": _REWRITE.format("/proc/sys/vm/swappiness"),
    "interrupt affinity": _REWRITE.format("/proc/irq/default_smp_affinity"),
    "CPU files": _REWRITE.format("/sys/devices/system/cpu/smt/control"),
    "control groups": "mkdir /sys/fs/cgroup/linktrial-test-intruder",
    "files": "echo x > /etc/linktrial-test-intruder",
    "program folder": "echo x > /usr/linktrial-test-intruder",
}
_OWN = {
    "host name": "hostname elsewhere",
    "network variable": "echo 0 > /proc/sys/net/ipv4/tcp_timestamps",
    "interface": "echo 4000 > /sys/class/net/eth1/mtu",
    "temporary file": "echo x > /tmp/linktrial-test-intruder",
    "home": "echo x > $HOME/file",
}


def _of_the_machine() -> dict[str, str]:
    """What a lab must leave as it is."""
    watched = [
        "/proc/sys/kernel/panic",
        "/proc/sys/vm/swappiness",
        "/proc/sys/net/ipv4/tcp_timestamps",
        "/proc/irq/default_smp_affinity",
    ]
    watched += [str(path) for path in Path("/sys/devices/system/cpu").glob("cpufreq/policy*/scaling_governor")]
    state = {path: Path(path).read_text() for path in watched if Path(path).exists()}
    return {
        **state,
        "host name": socket.gethostname(),
        "sysctls": _sysctls(),
        "interfaces": subprocess.run(
            ["ip", "-oneline", "address"], capture_output=True, text=True, check=True
        ).stdout.split("valid_lft")[0],
        "ours": str(Path("/tmp/linktrial-test-intruder").exists()),
    }


def _sysctls() -> str:
    net = Path("/proc/sys/net")
    return "".join(f"{path}={path.read_text()}" for path in sorted(net.glob("ipv4/tcp_*")) if os.access(path, os.R_OK))


@pytest.mark.lab
def test_what_belongs_to_the_machine_is_refused_on_a_host_and_stays_as_it_was(lab: Lab) -> None:
    before = _of_the_machine()
    for what, command in _REACHING_DOWN.items():
        done = _over_ssh(lab, "dome", command)
        assert done.returncode != 0, f"{what}: allowed"
    for what, command in _OWN.items():
        done = _over_ssh(lab, "dome", command)
        assert done.returncode == 0, f"{what}: {done.stderr}"
    assert _of_the_machine() == before


@pytest.mark.lab
def test_a_change_on_one_host_is_not_seen_on_the_other(lab: Lab) -> None:
    for command in _OWN.values():
        assert _over_ssh(lab, "dome", command).returncode == 0
    seen = _over_ssh(
        lab, "hall", "hostname; cat /proc/sys/net/ipv4/tcp_timestamps /sys/class/net/eth1/mtu; ls /tmp $HOME"
    ).stdout.split()
    assert seen == ["hall", "1", "1500", "/run/home/root:", "/tmp:"]


@pytest.mark.lab
def test_a_host_cannot_see_processes_or_interfaces_outside(lab: Lab) -> None:
    processes = _over_ssh(lab, "dome", "ls /proc").stdout.split()
    assert str(os.getpid()) not in processes
    assert _over_ssh(lab, "dome", "ls /sys/class/net").stdout.split() == ["eth0", "eth1", "lo"]
    assert lab.run(["ls", "/sys/class/net"], capture_output=True, text=True).stdout.split() == ["eth0", "lo"]


@pytest.mark.lab
def test_programs_on_a_host_cannot_get_hold_of_the_machines_clock_modules_or_ports(lab: Lab) -> None:
    # <linux/capability.h>: SYS_MODULE 16, SYS_RAWIO 17, SYS_TIME 25, SYSLOG 34, WAKE_ALARM 35
    line = _over_ssh(lab, "dome", "grep CapBnd /proc/self/status").stdout
    bounding = int(line.split()[1], 16)
    assert [number for number in (16, 17, 25, 34, 35) if bounding >> number & 1] == []


@pytest.mark.lab
def test_the_controller_and_the_hosts_reach_the_measured_link_only_through_their_own_end(lab: Lab) -> None:
    assert lab.run(["ip", "route", "get", "198.18.0.12"], capture_output=True, check=False).returncode != 0
    route = lab.hosts["dome"].output(["ip", "route", "get", "198.18.0.12"])
    assert "dev eth1" in route


@pytest.mark.lab
def test_two_labs_stand_side_by_side_without_hearing_each_other(lab: Lab) -> None:
    with Lab(server="openssh") as other:
        _over_ssh(other, "dome", "echo other > /tmp/whose")
        _over_ssh(lab, "dome", "echo first > /tmp/whose")
        assert _over_ssh(other, "dome", "cat /tmp/whose").stdout == "other\n"
    assert _over_ssh(lab, "dome", "cat /tmp/whose").stdout == "first\n"


def _over_ssh(lab: Lab, host: str, command: str) -> subprocess.CompletedProcess[str]:
    return lab.run(
        ["ssh", "-F", lab.ssh_config, host, command],
        capture_output=True,
        text=True,
        check=False,
        stdin=subprocess.DEVNULL,
    )

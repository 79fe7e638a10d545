"""A host whose session manager kills what a user leaves behind at logout: the watchdog is not left behind.

logind.conf(5): KillUserProcesses=yes ends a session's whole scope, and with it what was started through sudo.
"""

from __future__ import annotations

import subprocess
import time
from collections.abc import Callable, Iterator

import pytest

from orchestrator.act.bundle import helper_bundle
from orchestrator.lab.guests.machine import Machine
from orchestrator.lab.guests.machines import Machines
from orchestrator.lab.guests.recipe import SYSTEMD
from orchestrator.lab.guests.scenario import Guest
from tests.onhost.helper_process import HelperTalk

pytestmark = [pytest.mark.guests, pytest.mark.proof, pytest.mark.timeout(290)]
_LEASE_S = 25
_STRICT = (
    "mkdir -p /etc/systemd/logind.conf.d; "
    "printf '[Login]\\nKillUserProcesses=yes\\nKillExcludeUsers=\\n' >/etc/systemd/logind.conf.d/strict.conf; "
    "systemctl restart systemd-logind; "
    "install -d -m 700 -o bench /home/bench/.ssh; install -o bench /root/.ssh/authorized_keys /home/bench/.ssh/"
)


@pytest.fixture
def machines() -> Iterator[Machines]:
    with Machines([Guest("dome", 11, recipe=SYSTEMD, memory_mb=384)]) as made:
        yield made


def _as_bench(machines: Machines, command: str) -> list[str]:
    return ["ssh", "-F", machines.ssh_config, "-l", "bench", "dome", command]


def _wait_until(holds: Callable[[], bool], timeout_s: float) -> bool:
    until = time.monotonic() + timeout_s
    while not holds() and time.monotonic() < until:
        time.sleep(0.5)
    return holds()


def _mtu(dome: Machine) -> int:
    return int(dome.output("cat /sys/class/net/eth1/mtu"))


def test_the_watchdog_outlives_its_session_where_everything_else_of_it_is_killed(machines: Machines) -> None:
    dome = machines["dome"]
    dome.output(_STRICT)
    quiet = "</dev/null >/dev/null 2>&1 &"
    left_behind = f"setsid sleep 4242 {quiet} sudo -n setsid sleep 4243 {quiet} sleep 1"
    machines.run(_as_bench(machines, left_behind), check=True, timeout=60)
    assert _wait_until(lambda: dome.run("pgrep -f 'sleep 424[23]'").returncode != 0, 20)  # this host is that strict

    argv = _as_bench(machines, helper_bundle().command(sudo=True))
    with HelperTalk(
        machines.lab.start(argv, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, bufsize=0)
    ) as helper:
        token = helper.ask("lease.acquire", {"run_id": "strict", "holder": "test", "lease_s": _LEASE_S})["token"]
        place = {"setting": "mtu", "target": "eth1", "level": 4000}
        helper.ask("prepare", {"token": token, "interfaces": ["eth1"], "places": [place]})
        assert helper.ask("apply", {"token": token, "uses": [place]})["uses"][0]["ok"]
        assert _mtu(dome) == 4000
        helper.process.kill()  # the connection is gone, as when a controller's machine dies
    assert _wait_until(lambda: "bench" not in dome.output("loginctl --no-legend list-sessions"), 30)
    assert _mtu(dome) == 4000  # within the lease nothing is restored yet ...
    assert _wait_until(lambda: _mtu(dome) == 1500, _LEASE_S + 30)  # ... and after it everything is

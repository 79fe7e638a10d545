"""On the lab's OpenSSH hosts, with a real MTU: whoever is killed or cut off, the host is back soon after its lease."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from typing import Any

import pytest

from orchestrator.lab.lab import Lab

pytestmark = pytest.mark.lab

LEASE_S = 4.0
FOUND, OURS = 1500, 9000
# The controller: takes the host, changes its MTU, then does what it reads, a line each.
CONTROLLER = """
import asyncio, json, sys
from orchestrator.act.session import HostAddress, connect

async def main(config, lease_s):
    place = {"setting": "mtu", "target": "eth1", "level": 9000}
    session = await connect(HostAddress("dome", "dome"), ssh_config=config)
    token = (await session.request("lease.acquire", {"run_id": "r1", "holder": "ann", "lease_s": lease_s}))["token"]
    await session.request("prepare", {"token": token, "interfaces": ["eth1"], "places": [place]}, timeout_s=30)
    (use,) = (await session.request("apply", {"token": token, "uses": [place]}, timeout_s=30))["uses"]
    watchdog = await session.request("watchdog")
    print(json.dumps({"ok": use["ok"], "helper": session.facts_of_start["pid"], "watchdog": watchdog["pid"],
                      "token": token}), flush=True)
    loop = asyncio.get_running_loop()
    while line := await loop.run_in_executor(None, sys.stdin.readline):
        verb, args = json.loads(line)
        try:
            answer = await session.request(verb, args, timeout_s=5)
        except Exception as error:
            answer = {"code": getattr(error, "code", repr(error))}
        print(json.dumps(answer), flush=True)

asyncio.run(main(sys.argv[1], float(sys.argv[2])))
"""


class Holder:
    """A controller that holds the dome computer."""

    def __init__(self, lab: Lab, lease_s: float = LEASE_S) -> None:
        self.lab = lab
        self.process = lab.start(
            [sys.executable, "-c", CONTROLLER, lab.ssh_config, str(lease_s)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self.began = self.hear()
        assert self.began["ok"]
        assert mtu(lab) == OURS

    def hear(self) -> dict[str, Any]:
        assert self.process.stdout is not None
        return dict(json.loads(self.process.stdout.readline()))

    def ask(self, verb: str, args: dict[str, Any]) -> dict[str, Any]:
        assert self.process.stdin is not None
        self.process.stdin.write(json.dumps([verb, args]) + "\n")
        self.process.stdin.flush()
        return self.hear()

    def end(self) -> None:
        self.process.kill()
        self.process.wait()
        for pipe in (self.process.stdin, self.process.stdout):
            assert pipe is not None
            pipe.close()


@pytest.fixture
def holder(lab: Lab) -> Iterator[Holder]:
    made = Holder(lab)
    yield made
    made.end()


def mtu(lab: Lab) -> int:
    return int(lab.hosts["dome"].output(["cat", "/sys/class/net/eth1/mtu"]))


def kill(lab: Lab, pid: int, number: int = 9) -> None:
    lab.hosts["dome"].output(["kill", f"-{number}", str(pid)])


def back_after_s(lab: Lab, timeout_s: float = 20.0) -> float:
    """How long it took until the MTU was as found."""
    began = time.monotonic()
    while mtu(lab) != FOUND:
        assert time.monotonic() - began < timeout_s, "the host stayed changed"
        time.sleep(0.02)
    return time.monotonic() - began


@pytest.mark.parametrize("victim", ["controller", "helper", "session server", "control path"])
def test_the_host_is_back_soon_after_its_lease(victim: str, holder: Holder, lab: Lab) -> None:
    """The figure is printed; the bound leaves room for a machine that does other things too."""
    if victim == "controller":
        holder.process.kill()
    elif victim == "helper":
        kill(lab, holder.began["helper"])
    elif victim == "session server":
        status = lab.hosts["dome"].output(["cat", f"/proc/{holder.began['helper']}/stat"])
        kill(lab, int(status.rpartition(")")[2].split()[1]))
    else:
        lab.switch.cut_control("dome")
    assert mtu(lab) == OURS, "the lease is not over"
    took_s = back_after_s(lab)
    print(f"{victim} gone: back after {took_s:.2f} s of a lease of {LEASE_S:g} s")
    assert took_s < LEASE_S + 4


def test_a_control_path_that_comes_back_in_time_changes_nothing(lab: Lab) -> None:
    holder = Holder(lab, 30)
    lab.switch.cut_control("dome")
    time.sleep(1.0)
    lab.switch.mend_control("dome")
    try:
        renewed = holder.ask("lease.renew", {"token": holder.began["token"], "lease_s": 30})
        assert renewed["left_s"] > 20
        assert mtu(lab) == OURS
        assert holder.ask("restore", {"token": holder.began["token"]})["left"] == []
        assert holder.ask("compare", {"token": holder.began["token"]})["ok"]
        assert holder.ask("lease.release", {"token": holder.began["token"]}) == {}
        assert mtu(lab) == FOUND
    finally:
        holder.end()


def test_a_controller_that_sleeps_past_its_lease_is_refused_when_it_wakes(holder: Holder, lab: Lab) -> None:
    """A second one has taken the host meanwhile: not one change of the first gets through."""
    holder.process.send_signal(19)
    back_after_s(lab)
    second = Holder(lab, 60)
    try:
        holder.process.send_signal(18)
        stale = holder.began["token"]
        place = {"setting": "mtu", "target": "eth1", "level": 4000}
        known = {**place, "value": {"mtu": 1400, "children": {}, "ipv6": {}}, "ours": [4000], "unfinished": True}
        for verb, args in (
            ("apply", {"uses": [place]}),
            ("lease.renew", {"lease_s": 60}),
            ("restore", {}),
            ("prepare", {"interfaces": ["eth1"], "places": [place]}),
            ("lease.release", {}),
            ("adopt", {"before": [known]}),
        ):
            assert holder.ask(verb, {"token": stale, **args}) == {"code": "stale"}, verb
        assert mtu(lab) == OURS
        assert second.ask("restore", {"token": second.began["token"]})["left"] == []
        assert mtu(lab) == FOUND
    finally:
        second.end()


def test_all_of_us_killed_at_once_leaves_a_host_that_recover_puts_right(holder: Holder, lab: Lab) -> None:
    """What a power cut leaves when the settings stay: no helper, no watchdog, the record and the changed MTU."""
    dome = lab.hosts["dome"]
    kill(lab, holder.began["helper"], 19)  # it must not start the watchdog again
    find = "for f in /proc/[0-9]*/comm; do read n < $f && [ $n = linktrial-wdog ] && echo $f; done; true"
    words = dome.output(["sh", "-c", find])
    watchdogs = [int(line.split("/")[2]) for line in words.split()]
    assert len(watchdogs) == 2
    dome.output(["kill", "-9", *map(str, watchdogs), str(holder.began["helper"])])
    time.sleep(LEASE_S)
    assert mtu(lab) == OURS, "somebody was left"
    script = (
        "import asyncio, json, sys\nfrom orchestrator.act.session import HostAddress, connect\n"
        "async def main():\n"
        "    s = await connect(HostAddress('dome', 'dome'), ssh_config=sys.argv[1])\n"
        "    print(json.dumps(await s.request('recover', {'run_id': 'r1'}, timeout_s=60)))\n"
        "    await s.close()\nasyncio.run(main())\n"
    )
    done = lab.run([sys.executable, "-c", script, lab.ssh_config], capture_output=True, text=True, timeout=60)
    outcome = json.loads(done.stdout)
    assert mtu(lab) == FOUND
    assert outcome["left"] == []
    assert outcome["compared"]["ok"], outcome["compared"]

"""One broken bench with random names and addresses, and the referee that knows what was broken."""

from __future__ import annotations

import json
import os
import random
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from orchestrator.lab.lab import Lab
from orchestrator.lab.scenario import Scenario, lab_host
from tests.spine.bench import LINKTRIAL, trials_of

HOSTS = ("dome", "hall", "roof", "pier", "annex", "west", "east", "gate2")
INTERFACES = ("e0", "lan3", "enp3s0", "wire", "up.1", "net-b")
RUN_TIMEOUT_S = 150
RATE = "100Mbit/s"
REST_S, REST_TIMEOUT_S = 0.6, 6.0


@dataclass
class Expected:
    """What a run on the broken bench must come to: its exit code, and words that its terminal must hold."""

    code: int
    words: tuple[str, ...]
    never: tuple[str, ...] = ()
    status: str = ""  # of the trial, where one is conducted
    plan: dict[str, Any] = field(default_factory=dict)  # what the plan says otherwise than the ordinary one


class Desk:
    """Two hosts joined by a switch, `first` and `second`, with names and addresses drawn from the seed."""

    def __init__(
        self, dice: random.Random, folder: Path, *, second_end: bool = False, third_host: bool = False
    ) -> None:
        self.dice, self.folder = dice, folder
        self.names = dice.sample(HOSTS, 3)
        self.first, self.second, self.third = self.names
        hosts = [lab_host(self.first, 11, second_end=second_end), lab_host(self.second, 12)]
        self.scenario = Scenario((*hosts, *([lab_host(self.third, 13)] if third_host else [])), 100_000_000)
        self.interface = {name: dice.choice(INTERFACES) for name in self.names}
        net = f"10.{dice.randrange(1, 70)}.{dice.randrange(256)}"
        net_6 = f"fd00:{dice.randrange(1, 0xFFFF):x}::"
        numbers = dice.sample(range(2, 250), 3)
        self.address = {name: f"{net}.{number}" for name, number in zip(self.names, numbers, strict=True)}
        self.address_6 = {name: f"{net_6}{number:x}" for name, number in zip(self.names, numbers, strict=True)}
        self.spare_address = f"{net}.{dice.choice([each for each in range(2, 250) if each not in numbers])}"
        self.upper = ""  # what a kind has put above the measured interface
        self.other_net = f"192.168.{dice.randrange(256)}"

    @contextmanager
    def standing(self) -> Iterator[Desk]:
        """The lab, with the names and addresses of this desk."""
        with Lab(self.scenario, server="openssh") as self.lab:
            for name in self.lab.hosts:
                self._dress(name)
            yield self

    def _dress(self, name: str) -> None:
        new = self.interface[name]
        self.on(
            name,
            f"ip link set dev eth1 down; ip link set dev eth1 name {new}; ip address flush dev {new}; "
            f"ip link set dev {new} up",
        )
        self.give(name, self.address[name])
        self.give(name, self.address_6[name])

    def give(self, name: str, address: str, interface: str = "", prefix: int = 0, extra: str = "nodad") -> None:
        """An address for an interface, /24 or /64."""
        six = ":" in address
        where = interface or self.interface[name]
        self.on(name, f"ip address add {address}/{prefix or (64 if six else 24)} dev {where} {extra if six else ''}")

    def on(self, name: str, script: str) -> str:
        """A script of the shell on a host; it must succeed."""
        done = self.lab.hosts[name].exec(["sh", "-ec", script], capture_output=True, text=True)
        assert done.returncode == 0, f"{name}: {script}: {done.stderr}"
        return str(done.stdout)

    def flush(self, name: str, interface: str = "", family: str = "") -> None:
        """Take the addresses of an interface away; IPv6 keeps its link-local one."""
        self.on(name, f"ip {family} address flush dev {interface or self.interface[name]} scope global")

    def ends(self, *, first: str = "", second: str = "") -> dict[str, str]:
        """Both ends of the link as a plan names them; an interface that is given stands for the host's own."""
        return {
            "under_test": f"{self.first} {first or self.interface[self.first]}",
            "far": f"{self.second} {second or self.interface[self.second]}",
        }

    def plan(self, **changes: Any) -> str:
        """The plan of this bench; keyword arguments replace its parts, `ends` and `address` those of its link."""
        link = {
            **changes.pop("ends", self.ends()),
            "rate": RATE,
            "isolated": True,
        }
        if "address" in changes:
            link["address"] = changes.pop("address")
        hosts = {name: {"ssh": name, "privilege": "root"} for name in (self.first, self.second)}
        trial = {"length": "400ms", "warmup": "200ms", "settle": "0s", "replicates": 1}
        return yaml.safe_dump(
            {
                "plan": "bench",
                "hosts": hosts,
                "links": {"uplink": link},
                "factors": {"mtu": [1500]},
                "lease": "20s",
                "trial": trial,
                **changes,
            },
            sort_keys=False,
        )

    def rehearse(self, **changes: Any) -> tuple[subprocess.CompletedProcess[str], list[dict[str, str]]]:
        """Rehearse the plan; (the ended command, the rows of its trials)."""
        plan, out = self.folder / "plan.yaml", self.folder / f"runs-{self.dice.randrange(10**9)}"
        plan.write_text(self.plan(**changes))
        done = self.lab.run(
            [*LINKTRIAL, "run", str(plan), "--rehearse", "--out", str(out), "--ssh-config", self.lab.ssh_config],
            capture_output=True,
            text=True,
            timeout=RUN_TIMEOUT_S,
            env={**os.environ, "NO_COLOR": "1"},
        )
        folder = next(out.iterdir(), None) if out.is_dir() else None
        rows = trials_of(folder, "rehearsal.csv") if folder and (folder / "rehearsal.csv").is_file() else []
        return done, rows

    def state(self) -> dict[str, Any]:
        """What an independent tool says of the two hosts, and whether anything of ours is left there."""
        return {name: self._state(name) for name in (self.first, self.second)}

    def state_at_rest(self) -> dict[str, Any]:
        """The same, once it has stayed so: the kernel gives a new bridge its carrier and routes a moment later."""
        seen, until = self.state(), time.monotonic() + REST_TIMEOUT_S
        while time.monotonic() < until:
            time.sleep(REST_S)
            now = self.state()
            if now == seen:
                break
            seen = now
        return seen

    def _state(self, name: str) -> dict[str, Any]:
        found = json.loads(self.on(name, "ip -j -d address"))
        for interface in found:
            for volatile in ("stats64",):
                interface.pop(volatile, None)
            for address in interface.get("addr_info", []):
                for volatile in ("tentative", "valid_life_time", "preferred_life_time"):
                    address.pop(volatile, None)
        routes = self.on(name, "ip route; ip -6 route")
        return {
            "links": [_settled(each) for each in found],
            "routes": routes.split("\n"),
            "ours": self.on(name, "ls /run; cat /proc/[0-9]*/comm").split().count("linktrial"),
        }


def _settled(interface: dict[str, Any]) -> dict[str, Any]:
    """Without the timers that a bridge counts down in its details."""
    about = dict(interface.get("linkinfo") or {})
    for key in ("info_data", "info_slave_data"):
        about[key] = {name: value for name, value in (about.get(key) or {}).items() if "timer" not in name}
    return {**interface, "linkinfo": about}

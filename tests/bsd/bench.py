"""Runs on the bench, and what the emulated host looks like from below."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from orchestrator.lab.lab import Lab

ROOT = Path(__file__).parents[2]
PLAN = """plan: bsd-end
hosts:
  dome: {ssh: dome, privilege: root}
  hall: {ssh: hall, privilege: root, system: bsd}
links:
  uplink: {under_test: dome eth1, far: hall eth1, rate: 2.5Gbit/s, isolated: true}
"""
RECORD = "/run/linktrial"  # /var/run is a link to it on Debian


class Bench:
    """One lab with an emulated host, and the folder of its runs."""

    def __init__(self, lab: Lab, folder: Path) -> None:
        self.lab, self.hall, self.folder = lab, lab.hosts["hall"], folder

    def command(self, verb: str, *rest: str) -> list[str]:
        """A command of linktrial for this lab."""
        return [sys.executable, "-m", "orchestrator.cli", verb, *rest, "--ssh-config", self.lab.ssh_config]

    def plan(self, rest: str, head: str = PLAN) -> str:
        """A plan file."""
        path = self.folder / "plan.yaml"
        path.write_text(head + rest)
        return str(path)

    def run(self, rest: str, head: str = PLAN) -> subprocess.CompletedProcess[str]:
        """A run to its end."""
        done: subprocess.CompletedProcess[str] = self.lab.run(
            self.command("run", self.plan(rest, head), "--out", str(self.folder / "runs")),
            capture_output=True,
            text=True,
            cwd=ROOT,
            timeout=150,
        )
        return done

    def start(self, rest: str) -> subprocess.Popen[bytes]:
        """A run that goes on; what it says is in the run's log."""
        return self.lab.start(
            self.command("run", self.plan(rest), "--out", str(self.folder / "runs")),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            cwd=ROOT,
        )

    @property
    def run_folder(self) -> Path:
        """The only run's folder."""
        return next((self.folder / "runs").iterdir())

    def recover(self) -> subprocess.CompletedProcess[str]:
        """`linktrial recover` of the run."""
        done: subprocess.CompletedProcess[str] = self.lab.run(
            self.command("recover", str(self.run_folder)), capture_output=True, text=True, cwd=ROOT, timeout=60
        )
        return done

    def mtu(self) -> int:
        """The true one, read from below."""
        return int(self.hall.path("/run/linux/sys/class/net/eth1/mtu").read_text())

    def record(self) -> dict[str, Any]:
        """The host's own record; {} without."""
        found = []
        for name in ("record.0", "record.1"):
            try:
                found.append(json.loads(self.hall.path(f"{RECORD}/{name}").read_bytes().partition(b" ")[2]))
            except (OSError, ValueError):
                continue
        return dict(max(found, key=lambda state: state["serial"], default={}))

    def watchdogs(self) -> list[int]:
        """The processes of the watchdog's group, by the host's numbers."""
        watchdog = self.record().get("watchdog") or {"pid": -1}
        found = []
        for path in self.hall.path("/run/linux/proc").glob("[0-9]*/stat"):
            try:
                fields = path.read_text().rpartition(")")[2].split()
            except OSError:
                continue
            if fields[2] == str(watchdog["pid"]) and fields[0] != "Z":
                found.append(int(path.parent.name))
        return sorted(found)

    def helpers(self) -> list[int]:
        """Every process of ours that is no watchdog."""
        watchdogs, found = self.watchdogs(), []
        for path in self.hall.path("/run/linux/proc").glob("[0-9]*/cmdline"):
            try:
                text = path.read_bytes()
            except OSError:
                continue
            if b"linktrial" in text and int(path.parent.name) not in watchdogs:
                found.append(int(path.parent.name))
        return found

    def kill(self, pids: list[int]) -> None:
        """SIGKILL, by the host's numbers, one call for all."""
        self.hall.exec(["kill", "-9", *map(str, pids)], check=True, timeout=20)

    def seen(self) -> str:
        """What another program sees of the host's interfaces and of what we may leave."""
        return self.hall.output(["ip", "address"]) + self.hall.output(["ls", "/run"])


def eventually(true: Callable[[], object], what: str, timeout_s: float = 60.0) -> None:
    """Wait until it is so."""
    until = time.monotonic() + timeout_s
    while not true():
        assert time.monotonic() < until, f"not within {timeout_s:g} s: {what}"
        time.sleep(0.02)

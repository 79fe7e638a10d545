"""A plan, a lab and the command `linktrial`, as a user has them."""

from __future__ import annotations

import csv
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import yaml

from orchestrator.lab.lab import Lab

LINKTRIAL = [sys.executable, "-m", "orchestrator.cli"]
RUN_TIMEOUT_S = 110


def plan_text(**changes: Any) -> str:
    """A small plan for the observatory; keyword arguments replace its parts."""
    plan = {
        "plan": "night",
        "hosts": {name: {"ssh": name, "privilege": "root"} for name in ("dome", "hall")},
        "links": {"uplink": {"under_test": "dome eth1", "far": "hall eth1", "rate": "2.5Gbit/s", "isolated": True}},
        "factors": {"mtu": [1500, 9000]},
        "trial": {"length": "600ms", "warmup": "300ms", "settle": "50ms", "replicates": 1},
        "lease": "5s",
        **changes,
    }
    return yaml.safe_dump(plan, sort_keys=False)


class Bench:
    """The controller's desk in a lab: where plans lie and runs are written."""

    def __init__(self, lab: Lab, folder: Path, command: list[str] = LINKTRIAL) -> None:
        self.lab, self.folder, self.command = lab, folder, command
        self.out = folder / "runs"

    def write(self, text: str, name: str = "plan.yaml") -> Path:
        path = self.folder / name
        path.write_text(text)
        return path

    def linktrial(self, *words: str | Path) -> subprocess.CompletedProcess[str]:
        """One command to its end, with its output."""
        return self.lab.run(
            [*self.command, *map(str, words)],
            capture_output=True,
            text=True,
            timeout=RUN_TIMEOUT_S,
            env={**os.environ, "NO_COLOR": "1"},
        )

    def contact(self, *words: str | Path) -> subprocess.CompletedProcess[str]:
        """A command that contacts hosts, with the lab's SSH configuration."""
        return self.linktrial(*words, "--ssh-config", self.lab.ssh_config)

    def run(self, text: str, *options: str) -> tuple[subprocess.CompletedProcess[str], Path]:
        """Run a plan; (the ended process, the run's folder)."""
        done = self.contact("run", self.write(text), "--out", self.out, *options)
        return done, self.newest()

    def start(self, text: str) -> subprocess.Popen[str]:
        """Run a plan in the background; what it says goes to `said.txt`."""
        with (self.folder / "said.txt").open("w") as said:
            return self.lab.start(
                [*LINKTRIAL, "run", str(self.write(text)), "--out", str(self.out), "--ssh-config", self.lab.ssh_config],
                stdout=said,
                stderr=subprocess.STDOUT,
                text=True,
            )

    def said(self) -> str:
        """What the run in the background has said so far."""
        return (self.folder / "said.txt").read_text()

    def newest(self) -> Path:
        return max(self.out.iterdir(), key=lambda folder: folder.stat().st_mtime_ns)

    def wait_for(self, words: str, timeout_s: float = 40.0) -> Path:
        """Until the newest run's log holds these words."""
        until = time.monotonic() + timeout_s
        while time.monotonic() < until:
            if self.out.is_dir() and any(self.out.iterdir()):
                log = self.newest() / "log.txt"
                if log.is_file() and words in log.read_text():
                    return self.newest()
            time.sleep(0.02)
        said = [(path, (path / "log.txt").read_text()) for path in self.out.iterdir()] if self.out.is_dir() else []
        raise AssertionError(f"{words!r} did not appear in the log within {timeout_s} s: {said}\n{self.said()}")

    def signal(self, number: int) -> None:
        """Send a signal to the controller of this lab, and to nothing else: only its processes can be seen there."""
        script = (
            f"for p in /proc/[0-9]*; do grep -qsz 'orchestrator.cl[i]' $p/cmdline && kill -{int(number)} "
            "${p#/proc/}; done"
        )
        self.lab.run(["sh", "-c", script], timeout=10)

    def mtu(self, host: str) -> int:
        seen = self.lab.hosts[host].exec(["ip", "-j", "link", "show", "dev", "eth1"], capture_output=True, text=True)
        return int(json.loads(seen.stdout)[0]["mtu"])

    def links_and_addresses(self, host: str) -> Any:
        """What an independent tool says of a host's interfaces; a young IPv6 address may still be tentative."""
        seen = self.lab.hosts[host].exec(["ip", "-j", "-d", "address"], capture_output=True, text=True)
        found = json.loads(seen.stdout)
        for interface in found:
            for address in interface.get("addr_info", []):
                address.pop("tentative", None)
        return found

    def traces(self, host: str) -> list[str]:
        """Anything of ours that is left on a host."""
        listed = self.lab.hosts[host].exec(["ls", "/run"], capture_output=True, text=True).stdout.split()
        names = self.lab.hosts[host].exec(["sh", "-c", "cat /proc/[0-9]*/comm"], capture_output=True, text=True)
        return [name for name in listed if name == "linktrial"] + [
            name for name in names.stdout.split() if name.startswith("linktrial")
        ]


def trials_of(folder: Path, table: str = "trials.csv") -> list[dict[str, str]]:
    """The rows of trials.csv, as text."""
    with (folder / table).open(newline="") as file:
        return list(csv.DictReader(file))


def kill_hard(process: subprocess.Popen[str], bench: Bench) -> None:
    """SIGKILL to the controller; `process` is only what entered the lab for it."""
    bench.signal(signal.SIGKILL)
    process.wait(timeout=10)

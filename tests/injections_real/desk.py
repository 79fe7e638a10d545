"""A lab and a desk in it, at which one run after the other has an error of ours in it; and the referee.

The referee knows nothing of the run but its exit code, its words and its log: how the hosts are it reads itself.
"""

from __future__ import annotations

import json
import re
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any

from orchestrator.lab.lab import Lab
from tests.injections_real.cases import ANYTHING, Case
from tests.injections_real.errors import MARK_ON_HOST
from tests.injections_real.places import Place
from tests.kills import victims
from tests.spine.bench import LINKTRIAL, Bench, plan_text

LEASE_S = 5.0
TIMEOUT_S = 60.0  # of one command
GRACE_S = 3.0  # after the lease, and for processes to be gone
CHANGED_MTU = 9000
SMALL: dict[str, Any] = {
    "lease": f"{LEASE_S:g}s",
    "patience": "8s",
    "trial": {"length": "1s", "warmup": "50ms", "settle": "0s", "replicates": 1},
}
PLAN = plan_text(factors={"mtu": [CHANGED_MTU]}, **SMALL)
# The measured link is the one that SSH runs over.
IN_BAND = plan_text(
    factors={"mtu": [1400]},
    links={"uplink": {"under_test": "dome eth0", "far": "hall eth0", "isolated": True}},
    **SMALL,
)
LONG = plan_text(factors={"mtu": [CHANGED_MTU]}, **{**SMALL, "trial": {**SMALL["trial"], "length": "4s"}})
PAUSE_S = LEASE_S + 1.5  # the hosts restore themselves meanwhile
PLAN_OF = {"in band": IN_BAND, "watchdog killed": LONG, "paused": LONG}
NEVER_SHOWN = ("Traceback (most recent call last)", "was never retrieved", "Exception ignored in")
WITHOUT_ERROR = [sys.executable, "-m", "tests.injections_real.linktrial"]


@dataclass
class Outcome:
    """What a case came to; `problems` is empty when every promise was kept."""

    case: Case
    struck: bool
    code: int | None
    took_s: float
    problems: list[str] = field(default_factory=list)


class Desk:
    """`with Desk(folder) as desk: desk.play(case)`."""

    def __init__(self, folder: Path, timeout_s: float = TIMEOUT_S) -> None:
        self.folder, self.timeout_s = folder, timeout_s
        self.lab = Lab(server="openssh")

    def __enter__(self) -> Desk:
        self.lab.make()
        self.bench = Bench(self.lab, self.folder)
        self.found = {name: self.bench.links_and_addresses(name) for name in self.lab.hosts}
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.lab.stop()

    def visits(self, scenario: str, places: Sequence[Place]) -> Counter[Place]:
        """How often a scenario without an error comes to each place."""
        code, _ = self._play(
            scenario,
            {"places": [(place.module, place.line) for place in places], "error": "", "visit": 0, "lasting": False},
            "counted",
        )
        if code not in (0, 1) and not (scenario == "watchdog" and code == -9):
            raise AssertionError(f"{scenario} ends with {code} by itself: {self.said}")
        found: Counter[Place] = Counter()
        if self._mark.exists():
            found.update({places[int(number)]: count for number, count in json.loads(self._mark.read_text()).items()})
        for host in self.lab.hosts.values():  # an error comes at a visit of one host's
            found |= Counter(places[int(number)] for number in _visits_on(host))
        self._clean(code != 0 and scenario == "watchdog")
        return found

    def play(self, case: Case) -> Outcome:
        """One run with its error, and what was not as promised in it."""
        began_s = time.monotonic()
        code, self.ended_s = self._play(
            case.scenario,
            {
                "places": [(case.place.module, case.place.line)],
                "error": case.error,
                "visit": case.visit,
                "lasting": case.lasting,
            },
            f"case-{case.number}",
        )
        on_host = max(len(_visits_on(host)) for host in self.lab.hosts.values())
        struck = self._mark.exists() or on_host >= case.visit
        outcome = Outcome(case, struck, code, time.monotonic() - began_s)
        outcome.problems += self._judged(case, code) if struck else []
        outcome.problems += self._hosts(case, code)
        if outcome.problems:
            log = "".join(path.read_text()[-3000:] for path in self.out.glob("*/log.txt"))
            outcome.problems.append(f"{case}: exit code {code}; said: {self.said[-2500:]}\nlog: {log}")
        outcome.problems += self._clean(code not in (0, 1))
        if not outcome.problems:
            shutil.rmtree(self.out, ignore_errors=True)
        outcome.took_s = time.monotonic() - began_s
        return outcome

    def _play(self, scenario: str, order: dict[str, Any], name: str) -> tuple[int | None, float]:
        """(exit code, or None when it did not end; when it ended)."""
        self.out, self._faults = self.folder / name, self.folder / f"{name}-faults"
        self._faults.mkdir(exist_ok=True)
        self._mark, told = self.folder / f"{name}-mark", self.folder / f"{name}.json"
        self._mark.unlink(missing_ok=True)
        told.write_text(json.dumps({**order, "mark": str(self._mark)}))
        self.plan = self.bench.write(PLAN_OF.get(scenario, PLAN))
        self.lab.switch.set_port_mtu("hall", 1500 if scenario == "narrow" else CHANGED_MTU)
        with_error = [*WITHOUT_ERROR, str(told)]
        if scenario in ("recover", "resume"):
            self._start(LINKTRIAL, ["run", self.plan, "--out", self.out])
            self._wait_for_change()
            self._end_by_force()
            words: list[str | Path] = [scenario, self._run_folder()]
        else:
            words = ["survey", self.plan] if scenario == "survey" else ["run", self.plan, "--out", self.out]
        self._start(with_error, words)
        host = self.lab.hosts["dome"]
        if scenario in ("session lost", "watchdog killed", "watchdog", "paused"):
            self._wait_for_change()
            if scenario == "session lost":
                victims.kill(victims.session(host))
            elif scenario == "watchdog killed":
                victims.kill(victims.watchdog(host))
            elif scenario == "paused":
                self._process.send_signal(signal.SIGSTOP)
                time.sleep(PAUSE_S)
                self._process.send_signal(signal.SIGCONT)
            elif self._process.poll() is None:
                self._end_by_force()
                self._wait_as_found()
                return -9, time.monotonic()
        try:
            code: int | None = self._process.wait(self.timeout_s)
        except subprocess.TimeoutExpired:
            self._end_by_force()
            code = None
        return code, time.monotonic()

    @property
    def said(self) -> str:
        """What the command said on the terminal."""
        return self._said.read_text()

    def _start(self, command: list[str], words: Sequence[str | Path]) -> None:
        self._said = self.folder / "said.txt"
        environment = {"NO_COLOR": "1", "TMPDIR": str(self._faults)}
        with self._said.open("w") as said:
            self._process = self.lab.start(
                [
                    "env",
                    *(f"{key}={value}" for key, value in environment.items()),
                    *command,
                    *map(str, words),
                    "--ssh-config",
                    str(self.lab.ssh_config),
                ],
                stdout=said,
                stderr=subprocess.STDOUT,
                text=True,
            )

    def _end_by_force(self) -> None:
        self._process.kill()
        self._process.wait()

    def _run_folder(self) -> Path:
        return next(path for path in self.out.iterdir() if path.is_dir())

    def _wait_for_change(self) -> None:
        """Until a host is changed, or the command is over."""
        until = time.monotonic() + self.timeout_s
        while self._process.poll() is None and time.monotonic() < until:
            if any(
                host.path("/sys/class/net/eth1/mtu").read_text().strip() == str(CHANGED_MTU)
                for host in self.lab.hosts.values()
            ):
                time.sleep(0.4)
                return
            time.sleep(0.02)

    def _wait_as_found(self) -> None:
        until = time.monotonic() + LEASE_S + GRACE_S
        while self._changed() and time.monotonic() < until:
            time.sleep(0.1)

    def _changed(self) -> list[str]:
        return [name for name in self.lab.hosts if self.bench.links_and_addresses(name) != self.found[name]]

    def _with_ours(self) -> dict[str, list[str]]:
        until = time.monotonic() + GRACE_S
        while True:
            left = {name: list(victims.ours(host)) for name, host in self.lab.hosts.items()}
            left = {name: what for name, what in left.items() if what}
            if not left or time.monotonic() > until:
                return left
            time.sleep(0.05)

    def _judged(self, case: Case, code: int | None) -> list[str]:
        """Exit code, terminal and log."""
        if code is None:
            return [f"no end within {self.timeout_s:g} s"]
        problems = [f"on the terminal: {words}" for words in NEVER_SHOWN if words in self.said]
        if case.allowed is not ANYTHING and code not in case.allowed:
            problems.append(f"exit code {code}, not one of {sorted(case.allowed)}")
        if code not in (0, 1, 3, 4, 5, 6, -9):
            problems.append(f"exit code {code}")
        if (
            code in (3, 4, 5, 6)
            and case.error != "HostError"
            and not re.search(  # an injected one says none
                r"what to do:|linktrial (recover|resume|report|run)|please report it|^\w+: .+ - [a-z]+ .+",
                self.said,
                re.M,
            )
        ):
            problems.append("no next step on the terminal")
        if case.ours and code in (4, 5):
            kept = "".join(path.read_text() for path in [*self.out.glob("*/log.txt"), *self._faults.iterdir()])
            if "injected" not in kept or "Traceback (most recent call last)" not in kept:
                problems.append("no traceback of the error in log.txt or a file of its own")
            if "our own fault" not in self.said:
                problems.append("nobody says that it is our own fault")
            if "injected" in kept and not any(
                str(path) in self.said for path in [*self.out.glob("*/log.txt"), *self._faults.iterdir()]
            ):
                problems.append("the file with the traceback is not named")
        return problems

    def _hosts(self, case: Case, code: int | None) -> list[str]:
        """How the hosts are, read directly."""
        named = {name for name in self.lab.hosts if re.search(rf"^\s*{name}: .*NOT verified", self.said, re.M)}
        excused = set(self.lab.hosts) if code in (-9, None) else named if code == 5 else set()
        problems = []
        if code == 5 and not named:
            problems.append("exit code 5, and no host is named")
        problems += [
            f"{name} is not as found at the end, and was not named" for name in self._changed() if name not in excused
        ]
        left = self._with_ours()
        problems += [f"{name} still has {what}" for name, what in left.items() if name not in excused]
        while self._changed() and time.monotonic() < self.ended_s + LEASE_S + GRACE_S:
            time.sleep(0.1)
        problems += [f"{name} is not as found {LEASE_S + GRACE_S:g} s after the end" for name in self._changed()]
        return problems

    def _clean(self, recover: bool) -> list[str]:
        """Put right with the command as it is what is left, so that the next case begins on hosts as found."""
        problems: list[str] = []
        for host in self.lab.hosts.values():
            host.path(MARK_ON_HOST).unlink(missing_ok=True)
        if recover and (self._with_ours() or self._changed()):
            run = next(iter(self.out.iterdir()), None) if self.out.is_dir() else None
            done = self.bench.contact("recover", run or self.plan)
            if done.returncode == 5 and run:
                done = self.bench.contact("recover", self.plan)
            if done.returncode != 0:
                problems.append(f"recover ends with {done.returncode}: {done.stdout}{done.stderr}")
        left, changed = self._with_ours(), self._changed()
        if left or changed:
            problems.append(f"after recover: left {left}, changed {changed}")
            for host in self.lab.hosts.values():
                victims.kill_everything(host)
                shutil.rmtree(host.path("/run/linktrial"), ignore_errors=True)
        return problems


def _visits_on(host: Any) -> list[str]:
    mark = host.path(MARK_ON_HOST)
    return list(mark.read_text().split()) if mark.exists() else []

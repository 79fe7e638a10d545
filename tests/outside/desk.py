"""A lab that stays up, and one run after the other in which somebody else changes a host."""

from __future__ import annotations

import contextlib
import re
import shutil
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from orchestrator.act.journal import read_lines
from orchestrator.act.run_folder import journal_path
from orchestrator.decide.as_found.external_changes import NOTE
from orchestrator.lab.lab import Lab
from orchestrator.lab.scenario import Scenario, lab_host
from tests.kills import desk
from tests.outside.cases import HOSTS, Case
from tests.outside.changer import GOVERNOR, INTERFACE, MEMORY, PROBING, Changer, Expected
from tests.spine.bench import Bench, plan_text

TRIAL_BEGINS_WITHIN_S = 30.0
POSITION = 2  # the trial in which it happens: the first that changes every level of another trial
LEVELS = {
    "first": {
        "mtu": 9000,
        "segmentation-offload": "off",
        "governor": "performance",
        "mtu-probing": "after-black-hole",
        "tcp-receive-memory": "4096 100000 4000000",
    },
    "second": {
        "mtu": 4000,
        "segmentation-offload": "on",
        "governor": "schedutil",
        "mtu-probing": "always",
        "tcp-receive-memory": "4096 90000 3500000",
    },
}
WINDOW_S = 5.0  # most of it is there for a machine that is slow to make the change
BACK_AFTER_S, LINK_BACK_AFTER_S = 0.3, 2.0
FILES = (GOVERNOR, MEMORY, PROBING)
_MEND = re.compile(r"to put it right: (.*)$", re.MULTILINE)


@dataclass
class Outcome:
    """What a case came to; `problems` is empty when every promise was kept."""

    case: Case
    code: int
    named: bool
    problems: list[str]


def plan_of(case: Case) -> str:
    """Two cells that differ in every setting, so that every trial changes all of them."""
    return plan_text(
        factors={"tuning": {"levels": LEVELS}, "transport": [case.transport], "direction": [case.direction]},
        trial={"length": f"{WINDOW_S:g}s", "warmup": "1s", "settle": "100ms", "replicates": 1},
        order={"shuffle": False},
        lease="20s",
        changed_outside=case.policy,
        accept=["suspect"],
    )


class OutsideDesk(desk.Desk):
    """`with OutsideDesk(folder) as made: made.play_change(case)`."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        hosts = tuple(lab_host(name, number, slow_board=True) for number, name in enumerate(HOSTS, 11))
        self.lab = Lab(Scenario(hosts, 300_000_000), server="openssh", timeout_s=120.0)

    def __enter__(self) -> OutsideDesk:
        self.lab.make()
        self.bench = Bench(self.lab, self.folder)
        for host in self.lab.hosts.values():  # the addresses of a link that is switched off come back with it
            host.exec(["sysctl", "-qw", f"net.ipv6.conf.{INTERFACE}.keep_addr_on_down=1"], check=True)
        self.found_state = {name: self.state_of_host(name) for name in self.lab.hosts}
        self.controllers = self.lab.start(
            [sys.executable, "-m", "tests.outside.controllers"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            bufsize=1,
        )
        return self

    def state_of_host(self, name: str) -> Any:
        """What independent tools say of a host."""
        host = self.lab.hosts[name]
        files = host.exec(["cat", *FILES], capture_output=True, text=True).stdout.split("\n")
        offloads = host.exec(["ethtool", "-k", INTERFACE], capture_output=True, text=True).stdout
        return self.bench.links_and_addresses(name), [" ".join(line.split()) for line in files], offloads

    def not_as_found(self) -> list[str]:
        """The hosts that are not as they were before all runs."""
        return [name for name in self.lab.hosts if self.state_of_host(name) != self.found_state[name]]

    def play_change(self, case: Case) -> Outcome:
        """One run, one change, and a look at what was said and left."""
        outcome = Outcome(case, -1, False, [])
        place, before = _where(case)
        changer = Changer(self.lab.hosts[case.host], case.setting, case.foreign)
        self.begin(
            self.bench.write(plan_of(case), f"plan-{case.number}.yaml"),
            f"case-{case.number}",
            stop_at=place,
            before=before,
        )
        told = self.hear()
        if not told.startswith("at"):
            outcome.problems.append(f"{case}: the moment did not come: {told}: {self.words()[-1500:]}")
            outcome.code = int(told.split()[1]) if told.startswith("ended") else self.end()
            return outcome
        expected = changer.change()
        if case.moment in ("warm-up", "window"):
            self.paused = False
        else:
            self.tell("go on")
        self._take_back(case, changer)
        outcome.code = self.end()
        outcome.problems += self._judge(case, expected, outcome)
        self._clean(case, changer, outcome)
        if outcome.problems:
            outcome.problems.append(
                f"{case}: expected {expected}; exit code {outcome.code}; said: {self.words()[-3000:]}"
            )
        else:
            shutil.rmtree(self.out, ignore_errors=True)
        return outcome

    def _take_back(self, case: Case, changer: Changer) -> None:
        if comes_back(case):
            self._wait_for_the_trial()  # what comes and goes between two looks, before it begins, changes no trial
            time.sleep(LINK_BACK_AFTER_S if case.setting in ("address", "link") else BACK_AFTER_S)
            with contextlib.suppress(AssertionError):  # applied again already, or gone: nothing to take back
                changer.undo()

    def _wait_for_the_trial(self) -> None:
        until = time.monotonic() + TRIAL_BEGINS_WITHIN_S
        while f"trial {POSITION} of 2" not in self.words() and not self.ended() and time.monotonic() < until:
            time.sleep(0.02)

    def _judge(self, case: Case, expected: Expected, outcome: Outcome) -> list[str]:
        problems = []
        outcome.named = self._is_named(case, expected)
        if not outcome.named:
            problems.append("the change is not named in the journal")
        if (
            f"{expected.what} on {case.host}: {expected.before} before, {expected.now} now" not in self.words()
            and not self._noted(case, expected)
        ):
            problems.append("the change is not said")
        left = self.not_as_found()
        state = self.state()
        done = state.outcomes.get(POSITION, {})
        if left:
            wanted = {5} if case.setting not in ("address", "link") else {1, 5, 6}
        else:
            wanted = {6} if case.policy == "stop" else {0, 1} if case.setting in ("address", "link") else {0}
        if outcome.code not in wanted:
            problems.append(f"exit code {outcome.code}, not one of {wanted}; not as found: {left}")
        if (
            case.policy == "reapply"
            and outcome.code == 0
            and case.moment != "before apply"
            and done.get("attempt", 0) < 2
        ):
            problems.append(f"the trial was not repeated: {done}")
        if case.policy == "stop" and POSITION in state.outcomes:
            problems.append("the run did not stop")
        if outcome.code == 5 and "to put it right: " not in self.words():
            problems.append("exit code 5 without a command that puts it right")
        if "{" in self.words() or "\\x0a" in self.words():
            problems.append("a structure is dumped")
        return problems

    def _noted(self, case: Case, expected: Expected) -> bool:
        words = f"{expected.what} on {case.host}: {expected.before} before, {expected.now} now"
        return any(note.startswith(NOTE) and words in note for note in self.state().notes)

    def _is_named(self, case: Case, expected: Expected) -> bool:
        run = self.run()
        assert run is not None
        found = []
        for entry in read_lines(journal_path(run))[0]:
            body = entry.body
            if entry.kind == "event" and body["event"] == "ConductBroken":
                found += body["fault"].get("values", {}).get("changed") or []
            if entry.kind == "event" and body["event"] == "Applied":
                found += [
                    {**change, "host": body["host"]}
                    for use in body["uses"]
                    for change in use.get("changed_outside") or []
                ]
        return any(
            (one["host"], one["what"], one["before"], one["now"])
            == (case.host, expected.what, expected.before, expected.now)
            for one in found
        )

    def _clean(self, case: Case, changer: Changer, outcome: Outcome) -> None:
        """Whatever is left: reported again, put right by the printed commands or kept, and then nothing is left."""
        run = self.run()
        assert run is not None
        if self.not_as_found():
            mending = _MEND.findall(self.words())
            if outcome.code == 5:
                outcome.problems += self._recovers(case, run)
            for line in dict.fromkeys(mending):
                self.lab.hosts[case.host].exec(["sh", "-c", line], capture_output=True)
            if left := self.not_as_found():
                outcome.problems += [f"the printed commands do not put {left} right: {mending}"] if mending else []
                with contextlib.suppress(AssertionError):
                    changer.undo()
        self.said = self.said.with_suffix(".last")
        self.order(["recover", run])
        if (code := self.end()) != 0 or "NOT" in self.words():
            outcome.problems.append(f"recover at the end: {code}: {self.words()}")
        if left := self.not_as_found():
            outcome.problems.append(f"left after all: {left}")

    def _recovers(self, case: Case, run: Path) -> list[str]:
        """While somebody else's value stands, `recover` says so and nothing else; with --accept it is kept."""
        problems = []
        self.said = self.said.with_suffix(".recover")
        self.order(["recover", run])
        code, words = self.end(), self.words()
        if (
            code != 5
            or f"{case.host}: NOT verified as found" not in words
            or f"{case.host}: restored" in words
            or "to put it right: " not in words
        ):
            problems.append(f"recover: {code}: {words}")
        if case.foreign % 2:
            before = self.state_of_host(case.host)
            self.order(["recover", run, "--accept", case.host])
            code, words = self.end(), self.words()[len(words) :]
            if code != 0 or "from now on" not in words or "NOT" in words or self.state_of_host(case.host) != before:
                problems.append(f"recover --accept: {code}: {words}")
        return problems


def comes_back(case: Case) -> bool:
    """Where the run waits for the change to be made, taking it back before it goes on would show nothing."""
    return case.comes_back and (
        case.moment not in ("before apply", "after apply") or case.setting in ("address", "link")
    )


def _where(case: Case) -> tuple[dict[str, Any], bool]:
    if case.moment == "before apply":
        return {"kind": "intent", "command": "Apply", "host": case.host, "position": POSITION}, True
    if case.moment == "after apply":
        return {"kind": "event", "event": "Applied", "host": case.host, "position": POSITION}, False
    return {"moment": case.moment, "position": POSITION}, False

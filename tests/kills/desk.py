"""A lab that stays up, and a controller's desk in it at which one tiny run after the other is killed."""

from __future__ import annotations

import json
import select
import shutil
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

from orchestrator.act.journal import read_lines
from orchestrator.act.run_folder import journal_path, state_of
from orchestrator.decide.state import RunState
from orchestrator.lab.lab import Lab
from tests.kills import victims
from tests.kills.cases import Case
from tests.spine.bench import Bench, plan_text

TINY = plan_text(
    factors={"mtu": [9000]}, lease="5s", trial={"length": "300ms", "warmup": "50ms", "settle": "0s", "replicates": 1}
)
TIMEOUT_S = 100.0  # of one command
GRACE_S = 3.0  # for processes to be gone
FINDERS = {
    "helper": victims.helper,
    "session": victims.session,
    "watchdog": victims.watchdog,
    "guard": victims.guard,
    "twin": victims.twin,
}


@dataclass
class Outcome:
    """What a case came to; `problems` is empty when every promise was kept."""

    case: Case
    struck: bool  # somebody was there to be killed
    codes: list[int]
    finished: int  # trials that were finished when it happened
    problems: list[str]


class Desk:
    """`with Desk(folder) as desk: desk.play(case)`."""

    def __init__(self, folder: Path, lab: Any = None) -> None:
        """`folder` is for plans and runs; cases that went well are removed from it. `lab`: a part of a larger one."""
        self.folder = folder
        self.lab = lab or Lab(server="openssh")
        self.paused = False
        self.last_heard = ""

    def __enter__(self) -> Desk:
        self.lab.make()
        self.bench = Bench(self.lab, self.folder)
        self.plan = self.bench.write(TINY)
        self.found = {name: self.bench.links_and_addresses(name) for name in self.lab.hosts}
        self.controllers = self.lab.start(
            [sys.executable, "-m", "tests.kills.controllers"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            bufsize=1,
        )
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for pipe in (self.controllers.stdin, self.controllers.stdout):
            assert pipe is not None
            pipe.close()
        self.controllers.kill()
        self.controllers.wait()
        self.lab.stop()

    def play(self, case: Case) -> Outcome:
        """One run, one kill, and putting right what is left to be put right."""
        self.case = case
        self.begin(self.plan, f"case-{case.number}", stop_at=case.line, before=case.before)
        ended = self.hear(case.after_s if not case.line else TIMEOUT_S)
        outcome = Outcome(case, False, [], 0, [])
        if not ended.startswith("ended"):
            finished = self._finished()
            outcome.finished = len(finished)
            outcome.struck = self._strike()
            outcome.codes.append(self.end())
            self._put_right(outcome)
            self._look_for_losses(finished, outcome)
        else:
            outcome.codes.append(int(ended.split()[1]))
        outcome.problems += self.differences()
        if outcome.problems:
            outcome.problems.append(f"{case}: exit codes {outcome.codes}; said: {self.words()[-1500:]}")
        else:
            shutil.rmtree(self.out, ignore_errors=True)
        return outcome

    def begin(self, plan: Path, name: str, **more: Any) -> None:
        """A run of its own name; `more` is what controllers.py can be told."""
        self.out, self.said = self.folder / name, self.folder / f"{name}.txt"
        self.order(["run", plan, "--out", self.out], **more)

    def order(self, words: list[str | Path], **more: Any) -> None:
        """Any command that contacts hosts; one at a time."""
        words = [*words, "--ssh-config", self.lab.ssh_config]
        self.last_heard = ""
        self.tell(json.dumps({"words": [str(word) for word in words], "said": str(self.said), **more}))

    def tell(self, words: str) -> None:
        """A word to the controllers: "kill", "stop", "cont", or anything to go on from a pause."""
        assert self.controllers.stdin is not None
        self.controllers.stdin.write(words + "\n")
        self.controllers.stdin.flush()
        self.paused = False

    def hear(self, timeout_s: float = TIMEOUT_S) -> str:
        """What the controllers say next, "" when nothing comes in time."""
        assert self.controllers.stdout is not None
        ready, _, _ = select.select([self.controllers.stdout], [], [], timeout_s)
        line = self.controllers.stdout.readline().strip() if ready else ""
        self.paused = line.startswith("at ")
        self.last_heard = line or self.last_heard
        return line

    def ended(self) -> bool:
        """Whether the command has ended by now; what it says meanwhile is taken in."""
        while self.hear(0.0):
            pass
        return self.last_heard.startswith("ended")

    def end(self) -> int:
        """The command's exit status, after a pause if need be; one that does not end in time is killed and fails."""
        if self.paused:
            self.tell("go on")
        while not (line := self.last_heard if self.last_heard.startswith("ended") else self.hear()).startswith("ended"):
            if not line:
                self.tell("kill")
                raise AssertionError(f"no end within {TIMEOUT_S:g} s: {self.words()[-1500:]}")
            self.tell("go on")
        return int(line.split()[1])

    def wait_for(self, words: str, timeout_s: float = 30.0) -> None:
        """Until the command has said these words."""
        until = time.monotonic() + timeout_s
        while words not in self.words():
            assert time.monotonic() < until, f"{words!r} was not said: {self.words()[-1500:]}"
            time.sleep(0.01)

    def mtus(self) -> set[int]:
        """Read from the hosts' own files: a command for each look may miss a setting that stands for a few seconds."""
        return {int(host.path("/sys/class/net/eth1/mtu").read_text()) for host in self.lab.hosts.values()}

    def wait_for_mtu(self, mtu: int, timeout_s: float = 60.0) -> None:
        """Until every host has it."""
        until = time.monotonic() + timeout_s
        while self.mtus() != {mtu}:
            assert time.monotonic() < until, f"not {mtu} within {timeout_s:g} s: {self.mtus()}; {self.words()}"
            time.sleep(0.02)

    def words(self) -> str:
        """What the command has said so far."""
        return self.said.read_text() if self.said.exists() else ""

    def run(self) -> Path | None:
        """The run's folder, once its journal holds anything."""
        folders = list(self.out.iterdir()) if self.out.is_dir() else []
        begun = [folder for folder in folders if journal_path(folder).is_file() and read_lines(journal_path(folder))[0]]
        return begun[0] if begun else None

    def state(self) -> RunState:
        """What the run's journal says."""
        run = self.run()
        assert run is not None
        return state_of(run)

    def differences(self, grace_s: float = GRACE_S) -> list[str]:
        """What is not as found on which host, and what of ours is still there `grace_s` seconds later."""
        found = []
        for name, host in self.lab.hosts.items():
            until = time.monotonic() + grace_s
            while (left := list(victims.ours(host))) and time.monotonic() < until:
                time.sleep(0.02)
            if left:
                found.append(f"{name} still has {left}")
            if self.bench.links_and_addresses(name) != self.found[name]:
                found.append(f"{name} is not as found")
        return found

    def _strike(self) -> bool:
        """Kill; whether there was somebody to kill."""
        host = self.lab.hosts[self.case.host]
        struck = True
        if self.case.victim.startswith("power"):
            struck = bool(victims.everything(host))
            victims.kill_everything(host)
        elif self.case.victim in FINDERS:
            pids = FINDERS[self.case.victim](host)
            struck = bool(pids)
            victims.kill(pids)
        if self.case.victim.endswith("controller"):
            self.tell("kill")
        elif self.paused:
            self.tell("go on")
        return struck

    def _put_right(self, outcome: Outcome) -> None:
        """Recover or resume what has not come to its end by itself."""
        if outcome.codes[-1] in (0, 1):
            return
        run = self.run()
        if outcome.codes[-1] in (4, 5) or (outcome.codes[-1] == -9) != self.case.victim.endswith("controller"):
            outcome.problems.append(f"exit code {outcome.codes[-1]}")
        self.order(["resume" if run and self.case.resumes else "recover", run or self.plan])
        outcome.codes.append(self.end())
        if outcome.codes[-1] not in ((0, 1) if run and self.case.resumes else (0,)):
            outcome.problems.append(f"exit code {outcome.codes[-1]} of putting right")
            self.order(["recover", run or self.plan])  # so that the next case begins on a host as found
            self.end()

    def _look_for_losses(self, finished: dict[int, Any], outcome: Outcome) -> None:
        """What was finished stays as it was measured, and a run that says it is complete has every trial."""
        run = self.run()
        state = state_of(run) if run else None
        for position, seen in finished.items():
            if state is None or state.outcomes.get(position) != seen:
                outcome.problems.append(f"trial {position} was finished and is lost")
        if (
            state
            and outcome.codes[-1] in (0, 1)
            and (len(outcome.codes) == 1 or self.case.resumes)
            and state.next_position()
        ):
            outcome.problems.append(f"trial {state.next_position()} is missing")

    def _finished(self) -> dict[int, Any]:
        """Outcome of every trial that has one, by the journal."""
        return dict(self.state().outcomes) if self.run() else {}

"""Plays cases one after the other and prints what they came to: `python -m tests.endings.play COUNT SEED [FIRST]`."""

from __future__ import annotations

import json
import shutil
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from tests.endings import referee
from tests.endings.cases import Accident, Case, case
from tests.endings.desk import Desk, Said

RESUMES_MOST = 3
BUSY_S = 2.5  # until the lease of another run that a host was busy with is over


class Game:
    """One case: the suite ended, then every command on what is left."""

    def __init__(self, case: Case, folder: Path) -> None:
        self.case, self.desk, self.problems = case, Desk(folder), []  # type: Case, Desk, list[str]
        self.plans = folder / "night"
        self.plans.mkdir()
        for name, text in case.plans().items():
            (self.plans / name).write_text(text)
        self.said: list[Said] = []
        self.killed = False

    def play(self) -> None:
        """The suite's end, and all that can be asked afterwards."""
        bound = ("--bind", "why=because") if len(self.case.kinds) > 1 else ()
        first = self._tell("run", self.plans, "--out", self.desk.runs, *bound, accident=self.case.first)
        suites = list(self.desk.runs.glob("*/suite.json")) if self.desk.runs.is_dir() else []
        if not suites:  # it could not even be written, or was killed before
            if first.code not in (3, -9):
                self._problem(first, [f"no suite, and exit code {first.code}"])
            return
        self.suite = suites[0].parent
        met = [run for run in referee.begun(self.suite) if len(referee.journal_of(run)) > 1]  # past its setup
        self._problem(first, referee.end_problems(first, self.desk.hosts, len(met)))
        self._look(first)
        if self.case.recovers:
            time.sleep(BUSY_S if self.case.first.way == "busy" else 0.0)
            self._recover()
        self._resume()
        self._again()

    def _look(self, after: Said) -> None:
        """Commands that contact nobody, on the suite and on each of its runs."""
        self._problem(after, referee.file_problems(self.suite, killed=self.killed))
        for place in (self.suite, *referee.runs_of(self.suite)):
            begun = place == self.suite or bool(referee.journal_of(place))
            shown = self._tell("show", place)
            self._expect(shown, 0 if begun else 2)
            self._expect(self._tell("report", place), 0 if (place / "run.json").is_file() or place == self.suite else 2)
            if "resume" in shown.out and str(place) not in shown.out:
                self._problem(shown, ["says to resume, and not what"])
        shown = self._tell("show", self.suite, "--json")
        self._expect(shown, 0)
        view = json.loads(shown.out) if shown.code == 0 else {"plans": [], "left": []}
        self._problem(after, referee.shown_problems(view, after.code, self.desk.hosts))
        if view["left"] and f"linktrial resume {self.suite}" not in after.err and after.code >= 0:
            self._problem(after, ["plans are left, and the command that goes on with them is not named"])

    def _recover(self) -> None:
        recovered = self._tell("recover", self.suite)
        self._expect(recovered, 0)
        truth = referee.hosts_are_as_found(self.desk.hosts)
        mentioned = Counter(found[1] for line in recovered.text.splitlines() if (found := referee.STATE.match(line)))
        if referee.begun(self.suite) and any(mentioned[name] != 1 for name in truth):
            self._problem(recovered, [f"mentioned with their state: {dict(mentioned)}"])
        if not all(truth.values()):
            self._problem(recovered, [f"recovered, but {truth}"])

    def _resume(self) -> None:
        """Until it is complete; the first time with the second accident."""
        accident = self.case.second
        ways = (self.case.first.way, accident.way)
        for _ in range(RESUMES_MOST):
            time.sleep(BUSY_S if "busy" in ways else 0.0)
            before = {run: len(referee.journal_of(run)) for run in referee.begun(self.suite)}
            said = self._tell("resume", self.suite, accident=accident)
            driven = sum(
                len(referee.journal_of(run)) not in (1, before.get(run, 0))  # 1: no host was met
                for run in referee.begun(self.suite)
            )
            self._problem(said, referee.end_problems(said, self.desk.hosts, driven))
            if accident.way == "complete":
                self._problem(said, referee.complete_problems(self.suite, said, self.case.kinds))
                self._look(said)
                return
            accident = Accident()

    def _again(self) -> None:
        """Complete is complete: nothing is done twice, by whichever command."""
        before = {run: (run / "journal.jsonl").read_bytes() for run in referee.runs_of(self.suite)}
        expected = 1 if "narrow" in self.case.kinds else 0
        self._expect(self._tell("resume", self.suite), expected)
        for run in before:
            self._expect(self._tell("resume", run), 1 if "narrow" in run.name else 0)
        if any((run / "journal.jsonl").read_bytes() != journal for run, journal in before.items()):
            self.problems.append("resuming what is complete has written into a journal")
        self._expect(self._tell("recover", next(iter(before))), 0)
        self._compare()
        if not all(referee.hosts_are_as_found(self.desk.hosts).values()):
            self.problems.append("hosts are not as found at the end")

    def _compare(self) -> None:
        """With a copy under other names: every plan is paired with its own, and nothing got worse."""
        copy = self.suite.with_name("copy")
        shutil.copytree(self.suite, copy)
        for run in copy.glob("*/run.json"):
            told = json.loads(run.read_text())
            run.write_text(json.dumps({**told, "run_id": told["run_id"].rsplit("-", 1)[0] + "-copy"}))
        compared = self._tell("compare", self.suite, "--with", copy)
        self._expect(compared, 0)
        for place, kind in enumerate(self.case.kinds):
            if f"\n{kind}-{place}\n" not in f"\n{compared.out}\n":
                self._problem(compared, [f"{kind}-{place} is not compared"])

    def _tell(self, *words: object, accident: Accident | None = None) -> Said:
        said = self.desk.linktrial(*words, accident=accident)
        self.killed = self.killed or said.code == -9
        self.said.append(said)
        self._problem(said, referee.speech_problems(said, self.desk.folder))
        return said

    def _expect(self, said: Said, *codes: int) -> None:
        if said.code not in codes:
            self._problem(said, [f"exit code {said.code}, not {' or '.join(map(str, codes))}"])

    def _problem(self, said: Said, found: Iterator[str] | list[str]) -> None:
        self.problems += [
            f"{' '.join(said.words[:2])} (exit code {said.code}): {one}\n{said.out[-900:]}{said.err[-1500:]}"
            for one in found
        ]


def main() -> int:
    """Play, tell, and fail when a promise was broken."""
    count, seed, first = (int(word) for word in [*sys.argv[1:], *("100", "1", "0")[len(sys.argv) - 1 :]])
    began, ways, codes, broken, commands = time.monotonic(), Counter[str](), Counter[int](), 0, 0
    for number in range(first, first + count):
        with tempfile.TemporaryDirectory(prefix="linktrial-endings-") as folder:
            game = Game(case(number, seed), Path(folder))
            game.play()
        ways[game.case.first.way] += 1
        codes[game.said[0].code] += 1
        commands += len(game.said)
        broken += bool(game.problems)
        if game.problems:
            print(f"{game.case}\n  " + "\n  ".join(game.problems[:4]), flush=True)
    print(
        f"{count} suites of seed {seed}, {commands} commands in {time.monotonic() - began:.0f} s; ended by "
        + ", ".join(f"{way} {number}" for way, number in sorted(ways.items()))
    )
    print(
        "exit codes (-9: killed): "
        + ", ".join(f"{code} x {number}" for code, number in sorted(codes.items()))
        + f"; suites with a broken promise: {broken}"
    )
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())

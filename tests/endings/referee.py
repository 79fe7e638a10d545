"""What must hold after every command, judged from the files and the hosts, never from what the command believes."""

from __future__ import annotations

import csv
import json
import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tests.endings.desk import Said
from tests.endings.machines import NAMES, machines

SERIOUS = (5, 4, 130, 143, 6, 3, 2, 1, 0)
STATE = re.compile(rf"^({'|'.join(NAMES)}): (as found|restored|NOT verified as found|not asked|not known)")


def journal_of(run: Path) -> list[dict[str, Any]]:
    """The whole lines of a run's journal; an independent reader."""
    file = run / "journal.jsonl"
    lines = file.read_bytes().split(b"\n")[:-1] if file.is_file() else []
    return [json.loads(line) for line in lines]


def runs_of(suite: Path) -> list[Path]:
    """The folders of runs that lie in a suite's."""
    return sorted(path.parent for path in suite.glob("*/plan.yaml"))


def begun(suite: Path) -> list[Path]:
    """Those whose journal holds at least the setup."""
    return [run for run in runs_of(suite) if journal_of(run)]


def speech_problems(said: Said, root: Path) -> Iterator[str]:
    """Tracebacks, paths that do not exist, and words for a place where nothing is."""
    if "Traceback" in said.text or said.code == 99:
        yield "a traceback"
    if said.code == -9:
        return
    for line in said.text.splitlines():
        if re.search(r"\b(below|above)\b", line):
            yield f"points to a place on a screen: {line}"
        for word in re.findall(rf"{re.escape(str(root))}[^\s,;'\"]*", line):
            path = Path(word.rstrip(".:)"))
            if not path.exists() and "cannot write" not in line and "cannot make" not in line:
                yield f"a path that is not there: {line}"


def hosts_are_as_found(folder: Path) -> dict[str, bool]:
    """The truth."""
    return {name: host.is_as_found() for name, host in machines(folder).items()}


def end_problems(said: Said, hosts: Path, driven: int) -> Iterator[str]:
    """The exit code and the hosts; each host is mentioned with its state once for each run that was driven."""
    if said.code < 0:
        return
    truth = hosts_are_as_found(hosts)
    if said.code != 5 and not all(truth.values()):
        yield f"exit code {said.code}, but {truth}"
    mentioned = Counter(found[1] for line in said.text.splitlines() if (found := STATE.match(line)))
    for name in NAMES:
        if mentioned[name] != driven:
            yield f"{name} is mentioned with its state {mentioned[name]} times, {driven} runs were driven"
    if said.code in (0, 1, 4, 6, 130, 143) and "NOT verified as found" in said.text:
        yield f"exit code {said.code}, and NOT verified as found"
    if "rehearsal: " not in said.text and "No trial was measured" in said.out:
        yield "the rehearsal's lines are not labelled"


def complete_problems(suite: Path, said: Said, kinds: tuple[str, ...]) -> Iterator[str]:
    """A suite that was gone on with to its end: every plan once, every trial once, the right exit code, all files."""
    expected = 1 if "narrow" in kinds else 0
    if said.code != expected:
        yield f"resumed to its end with exit code {said.code}, not {expected}"
    plans = Counter(run.name.rsplit("-", 2)[0] for run in begun(suite))
    if plans != Counter(f"{kind}-{place}" for place, kind in enumerate(kinds)):
        yield f"runs of the plans: {dict(plans)}"
    for run in begun(suite):
        conducted = Counter(
            line["body"]["position"]
            for line in journal_of(run)
            if line["kind"] == "event" and line["body"]["event"] == "Conducted"
        )
        if any(count > 1 for count in conducted.values()):
            yield f"{run.name}: measured twice: {dict(conducted)}"
        with (run / "trials.csv").open(newline="") as file:
            rows = [row["trial"] for row in csv.DictReader(file)]
        if rows != sorted(set(rows)):
            yield f"{run.name}: trials.csv has {rows}"
        roles = {line["role"] for line in csv.DictReader((run / "trials.csv").open(newline=""))}
        if "rehearse" in roles:
            yield f"{run.name}: the rehearsal is in trials.csv"
    if not (suite / "suite.html").read_text().rstrip().endswith("</html>"):
        yield "the suite's page is not whole"


def file_problems(suite: Path, *, killed: bool) -> Iterator[str]:
    """Files are there whole or not at all; nothing temporary stays unless somebody was killed."""
    for page in suite.rglob("*.html"):
        if not page.read_text().rstrip().endswith("</html>"):
            yield f"{page} is not whole"
    if not killed:
        yield from (f"left over: {path}" for path in suite.rglob(".*"))


def shown_problems(view: dict[str, Any], run_code: int, hosts: Path) -> Iterator[str]:
    """`show SUITE --json` against the exit code of the command that ran it, and against the hosts."""
    codes = [plan["exit"] for plan in view["plans"]]
    if run_code >= 0 and run_code not in (3, 6, 130, 143):
        worst = min((code for code in codes if code is not None), key=SERIOUS.index, default=0)
        if worst != run_code:
            yield f"shown exit codes {codes}, the command ended with {run_code}"
    truth = hosts_are_as_found(hosts)
    for plan in view["plans"]:
        if plan["exit"] in (0, 1) and plan["left"]:
            yield f"{plan['plan']} is complete, and something is left of it"
        claims = [name for name, words in plan.get("hosts", {}).items() if words == "verified as found"]
        if plan["exit"] is None and any(not truth[name] for name in claims):
            yield f"{plan['plan']}: said to be as found: {claims}; {truth}"

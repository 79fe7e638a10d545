"""What a command makes of hosts that answer nonsense, in one process: survey, recover, and a trial's judgement.

A problem is an exception that is no Fault, a hang, an escape in what is said, or a host of which nothing is told.
"""

from __future__ import annotations

import asyncio
import contextlib
import copy
import io
import random
import re
import time
from collections import Counter
from typing import Any

from orchestrator.act import answers
from orchestrator.act.recovering import recover_host
from orchestrator.act.surveying import survey_hosts
from orchestrator.cli import own_fault, say
from orchestrator.cli.survey_text import survey_lines
from orchestrator.decide.findings import LinkNeed, ceilings, findings, survey_changes, wiring_findings
from orchestrator.decide.setup import LinkSetup
from orchestrator.decide.verdict.above_ceiling import fills
from orchestrator.decide.verdict.evidence import goodputs
from orchestrator.decide.verdict.judge import judge
from orchestrator.faults import BugError, Fault, HostError
from orchestrator.onhost.service.decoding import decode
from orchestrator.results.rows.hosts import host_rows
from orchestrator.results.rows.trials import trial_rows
from tests.borders.mutations import RECORDED, mutated, text_of
from tests.borders.scripted import ScriptedSession
from tests.sim.virtual_loop import VirtualLoop

HOSTS = ("dome", "hall")
LINK = LinkSetup("uplink", (("dome", "eth1"), ("hall", "eth1")), 2.5e9, (), tuple(range(20000, 20064)), True)
RAW = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")
SLOWEST_S = 20.0  # of real time
SIMULATED_RUN_S = 3600.0  # of the loop's own: every host has been waited for by then


class Tally:
    """What was played and what came of it."""

    def __init__(self) -> None:
        self.mutated: dict[str, int] = {}
        self.ended: Counter[str] = Counter()
        self.problems: list[str] = []

    def problem(self, number: int, what: str, error: BaseException | str) -> None:
        """Something that must not be."""
        where = ""
        if isinstance(error, BaseException):
            trace = error.__traceback__
            while trace is not None:
                file = trace.tb_frame.f_code.co_filename.rpartition("/")[2]
                where, trace = f" at {file}:{trace.tb_lineno}", trace.tb_next
            error = f"{type(error).__name__}: {error}"
        self.problems.append(f"{number}: {what}: {error[:300]}{where}")


def said(lines: list[Any], fault: list[Fault]) -> str:
    """What the terminal gets."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        say.say(*lines)
        for one in fault:
            own_fault.say_fault(one)
    return out.getvalue() + err.getvalue()


async def _survey(dice: random.Random, tally: Tally) -> str:
    async def open_session(name: str) -> ScriptedSession:
        return ScriptedSession(name, dice, 0.5, tally.mutated)

    surveyed = await survey_hosts(HOSTS, open_session, [LINK])
    for name in HOSTS:
        if (name in surveyed.surveys) == (name in surveyed.faults):
            raise AssertionError(f"{name}: neither surveyed nor told why not, or both")
    needs = (
        [LinkNeed("uplink", (("dome", "eth1"), ("hall", "eth1")), 2.5e9, (1500,), (20000,))]
        if all(name in surveyed.surveys for name in HOSTS)
        else []
    )
    found = [*findings(surveyed.surveys, needs), *wiring_findings(surveyed.wires, needs)]
    changes = survey_changes(GOOD, surveyed.surveys)
    lines = list(survey_lines(surveyed, found, ceilings(surveyed.surveys, needs), changes))
    faults = [*surveyed.faults.values(), *surveyed.link_faults.values()]
    for fault in faults:
        if isinstance(fault, BugError) and fault.code != "helper":  # a host's word that its helper failed is its own
            raise fault
    text = said(lines, faults)
    say.json.dumps(surveyed.surveys, allow_nan=False)
    tally.ended["survey: " + ("both" if not surveyed.faults else "one" if len(surveyed.faults) == 1 else "none")] += 1
    return text


async def _recover(dice: random.Random, tally: Tally) -> str:
    faults: list[Fault] = []
    lines: list[str] = []

    async def connect(name: str) -> ScriptedSession:
        return ScriptedSession(name, dice, 0.4, tally.mutated)

    known = [
        {
            "setting": "mtu",
            "target": "eth1",
            "level": 1500,
            "value": {"mtu": 1500, "children": {}, "ipv6": {}},
            "ours": [9000],
            "unfinished": False,
        }
    ]
    for name in HOSTS:
        try:
            found = await recover_host(name, connect, "run-1", known)
            lines += [f"{name}: {found.source} {found.as_found}", *(str(item) for item in found.left)]
        except HostError as error:
            faults.append(error)
        except BugError as error:
            if error.code != "helper":
                raise
            faults.append(error)
    tally.ended[f"recover: {2 - len(faults)} of 2 hosts"] += 1
    return said(lines, faults)


def _trial(dice: random.Random, tally: Tally) -> str:
    """A trial whose two ends' results are mutated: what passes the border is judged and becomes rows."""
    record = copy.deepcopy(dice.choice(RECORDED["records"]))
    for end, verb in (("first", "traffic.dial"), ("second", "traffic.serve")):
        given = {key: value for key, value in record[end].items() if key not in ("window",)}
        changed = mutated(given, dice)
        tally.mutated[verb] = tally.mutated.get(verb, 0) + 1
        try:
            changed = decode(text_of({"body": changed}, dice)).get("body")
        except (ValueError, UnicodeDecodeError):
            tally.ended["trial: no message"] += 1
            return ""
        if answers.problem_with(verb, "done", changed):
            tally.ended["trial: no answer"] += 1
            return ""
        record[end] = {**changed, "window": 1}
    verdict = judge(record)
    run = {"run_id": "r", "plan_name": "p"}
    rows = [*trial_rows(record, verdict, run), *host_rows(record, verdict, run), goodputs(record), fills(record)]
    tally.ended[f"trial: {verdict.status}"] += 1
    return said([verdict.reason, *map(str, rows)], [])


def play(number: int, seed: int, tally: Tally) -> None:
    """One case; what goes wrong is in the tally."""
    dice = random.Random(f"{seed} {number}")
    kind = dice.choices(("survey", "recover", "trial"), (4, 3, 5))[0]
    began = time.monotonic()
    try:
        if kind == "trial":
            text = _trial(dice, tally)
        else:
            work = _survey(dice, tally) if kind == "survey" else _recover(dice, tally)
            with asyncio.Runner(loop_factory=VirtualLoop) as runner:
                text = runner.run(asyncio.wait_for(work, SIMULATED_RUN_S))
        if RAW.search(text):
            tally.problem(number, kind, f"raw: {RAW.search(text)!r}")
    except Exception as error:
        tally.problem(number, kind, error)
    if time.monotonic() - began > SLOWEST_S / 2:
        tally.problem(number, kind, "took too long")


def _good_surveys() -> dict[str, Any]:
    survey = next(one["content"] for one in RECORDED["answers"] if one["verb"] == "survey")
    return {name: copy.deepcopy(survey) for name in HOSTS}


GOOD = _good_surveys()

"""Hostile plan files: each ends in located problems, within bounds of time and memory, and never in a traceback."""

from __future__ import annotations

import resource
import subprocess
import sys
from pathlib import Path

import pytest

from orchestrator.onhost.settings import CATALOGUE
from orchestrator.planning import PlanProblems, load
from orchestrator.planning.order import SplitMix
from orchestrator.planning.problems import CODES
from tests.planning.hostile_plans import HOSTILE
from tests.planning.planning_fakes import HEAD, problems
from tests.planning.test_plan_load import FIVE_MISTAKES, WHOLE

PLANS = Path(__file__).parents[2] / "plans"
IN_THE_NORMAL_RUN, AS_A_PROOF = 600, 20_000
MOST_BYTES_OF_MEMORY = 200 * 2**20
MOST_CPU_S = 60  # of a whole batch, as a net against runaways; the benchmark prints what one takes


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_plan_ends_in_located_problems(name: str) -> None:
    text, code = HOSTILE[name]
    found = problems(text)
    assert code in {one.code for one in found}, [one.render() for one in found]
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    for one in found:
        assert one.code in CODES
        assert 1 <= one.line <= len(lines) + 1
        assert 1 <= one.column <= len(lines[min(one.line, len(lines)) - 1]) + 1
        assert one.message
        rendered = one.render()
        assert len(rendered) < 2_000
        assert all(letter.isprintable() or letter == "\n" for letter in rendered)


def test_there_are_at_min_eighty_hostile_plans() -> None:
    assert len(HOSTILE) >= 80


def test_every_code_has_a_plan_that_fails_with_it() -> None:
    seen = {one.code for text, _ in HOSTILE.values() for one in problems(text)}
    seen |= {one.code for one in problems(FIVE_MISTAKES)}
    extra = {
        "unit-unknown": HEAD + "trial: {length: 10sec}\n",
        "unknown-factor": HEAD + "factors: {mtuu: [1]}\n",
        "unknown-level": HEAD + "factors: {mtu: [1500]}\nleave_out: [{mtu: 9}]\n",
        "unbound": "plan: $x\n",
        "old-word": HEAD.replace("under_test: dome eth1, far: hall eth1", "ends: [dome:eth1, hall:eth1]"),
        "never-applies": HEAD + "factors: {burst: [1]}\n",
        "no-cells": HEAD + "factors: {mtu: [1500]}\nleave_out: [{mtu: 1500}]\n",
        "unknown-host": HEAD.replace("dome eth1", "dom eth1"),
        "clash": HEAD.replace("hall eth1", "dome eth2"),
    }
    for code, text in extra.items():
        assert code in {one.code for one in problems(text)}
        seen.add(code)
    assert set(CODES) - seen == {"bind"}, "a --bind is judged on the command line: see test_plan_load"


def test_all_hostile_plans_together_stay_within_memory_and_time() -> None:
    """In a process of its own, whose memory and processor time the system bounds and tells."""
    code = (
        "import resource, sys\n"
        f"resource.setrlimit(resource.RLIMIT_CPU, ({MOST_CPU_S}, {MOST_CPU_S}))\n"
        f"sys.path.insert(0, {str(Path(__file__).parents[2])!r})\n"
        "from tests.planning.hostile_plans import HOSTILE\n"
        "from tests.planning.planning_fakes import problems\n"
        "for text, _ in HOSTILE.values(): problems(text)\n"
        # not ru_maxrss, which a child inherits from whatever forked it
        "print(int(next(x for x in open('/proc/self/status') if x.startswith('VmHWM')).split()[1]) * 1024)\n"
    )
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=110, check=False)
    assert ended.returncode == 0, ended.stderr[-2000:]
    assert int(ended.stdout) < MOST_BYTES_OF_MEMORY


def mutant(seeds: list[str], chance: SplitMix) -> str:
    """A plan with a few parts struck out, repeated, swapped or replaced."""
    text = seeds[chance.below(len(seeds))]
    for _ in range(1 + chance.below(4)):
        start = chance.below(len(text) + 1)
        end = min(len(text), start + chance.below(12))
        kind = chance.below(6)
        if kind == 0:
            text = text[:start] + text[end:]
        elif kind == 1:
            text = text[:end] + text[start:]
        elif kind == 2:
            text = text[:start] + TOKENS[chance.below(len(TOKENS))] + text[start:]
        elif kind == 3:
            text = text[:start] + chr(chance.below(0x250)) + text[end:]
        elif kind == 4:
            other = seeds[chance.below(len(seeds))]
            place = chance.below(len(other) + 1)
            text = text[:start] + other[place : place + chance.below(60)] + text[end:]
        else:
            lines = text.split("\n")
            one, two = chance.below(len(lines)), chance.below(len(lines))
            lines[one], lines[two] = lines[two], lines[one]
            text = "\n".join(lines)
    return text


TOKENS = (
    "&a ",
    "*a",
    "!!str ",
    "<<: ",
    "? ",
    "- ",
    ": ",
    "[",
    "]",
    "{",
    "}",
    "'",
    '"',
    "|",
    ">",
    "#",
    "%",
    "@",
    "`",
    "\t",
    "\n",
    "\n  ",
    "---\n",
    "...\n",
    "0755",
    "1e999",
    "9" * 40,
    "$x",
    "${x}",
    "$$",
    "~",
    "true",
    "on",
    "\\",
    "\\x00",
    "\ud800",
    "\x00",
    "\u202e",
    "mtu",
    "transport",
    "only",
    "levels",
    "{level}",
    "50%",
    "10s",
    "10",
    "-1",
    "auto",
    "temporary",
    "search",
    "command",
)


def try_mutants(count: int, seed: int) -> tuple[int, int]:
    """(how many were refused, how many still were plans) of `count` mutants."""
    seeds = [WHOLE, FIVE_MISTAKES, HEAD, *(path.read_text() for path in sorted(PLANS.rglob("*.yaml")))]
    chance = SplitMix(seed)
    refused = 0
    for number in range(count):
        text = mutant(seeds, chance)
        found = wrong_with(text)
        if found is None:
            continue
        refused += 1
        lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
        assert found.problems, f"mutant {number} was refused without a reason"
        assert all(one.code in CODES and 1 <= one.line <= len(lines) + 1 for one in found.problems)
        assert len(found.render()) < 60_000
    return refused, count - refused


def wrong_with(text: str) -> PlanProblems | None:
    """The problems of a text, None when it is a plan."""
    try:
        load(text, binds={"hall": "hall", "board": "dome"}, catalogue=CATALOGUE)
    except PlanProblems as error:
        return error
    return None


def test_mutants_of_plans_are_plans_or_located_problems() -> None:
    refused, accepted = try_mutants(IN_THE_NORMAL_RUN, seed=1)
    assert refused > IN_THE_NORMAL_RUN / 4
    assert accepted > 0, "mutation so strong that nothing survives it would test only the reader"


@pytest.mark.proof
@pytest.mark.timeout(3600)
def test_twenty_thousand_mutants_are_plans_or_located_problems() -> None:
    refused, accepted = try_mutants(AS_A_PROOF, seed=2)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    print(f"{refused} refused, {accepted} still plans, {peak / 2**20:.0f} MiB at most")
    assert refused + accepted == AS_A_PROOF

"""`linktrial explain`: everything that a table, report, survey or exit can say is explained, and nothing else."""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from orchestrator.cli.explain import command, everything_named, explained
from orchestrator.decide.verdict.doubts import DOUBTS
from orchestrator.faults import PlanError
from orchestrator.onhost.settings import CATALOGUE
from orchestrator.planning.problems import CODES as PROBLEMS
from orchestrator.planning.traffic import TRAFFIC_FACTORS
from orchestrator.results.columns import FACTORS_HERE, TABLES
from orchestrator.words import advice, glossary, host_codes
from orchestrator.words.bottlenecks import BOTTLENECKS
from orchestrator.words.exit_codes import MEANINGS, Exit
from orchestrator.words.statuses import STATUSES

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "orchestrator"


def _first_words(rooms: Path, call: str) -> Iterator[str]:
    """The codes that are written as the first argument of a call, wherever it stands."""
    for file in rooms.rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == call and node.args:
                yield from (
                    part.value
                    for part in ast.walk(node.args[0])
                    if isinstance(part, ast.Constant) and isinstance(part.value, str)
                )


def _call(*words: str) -> Result:
    return CliRunner().invoke(command, words, standalone_mode=False)


def test_every_doubt_has_its_advice() -> None:
    assert set(advice.DOUBTS) == set(DOUBTS)


def test_every_finding_of_a_survey_has_its_advice() -> None:
    assert set(advice.FINDINGS) == {
        code for room in ("decide/findings", "cli") for code in _first_words(PACKAGE / room, "Finding")
    }


def test_every_bottleneck_is_told_in_words() -> None:
    """Codes of an end are made of its role: `sender_quota`."""
    written = set(_first_words(PACKAGE / "results" / "causes", "Cause"))
    of_an_end = {word for word in written if word.startswith("_")}
    named = {word for word in written if not word.startswith("_")} - {"sender", "receiver"}
    assert named <= set(BOTTLENECKS)
    assert {f"{role}{what}" for role in ("sender", "receiver") for what in of_an_end} <= set(BOTTLENECKS)


def test_every_way_to_come_to_no_measurement_has_its_advice() -> None:
    """The codes that the judge writes by itself; the others are hosts' refusals, and those have a list of their own."""
    judge = (PACKAGE / "decide" / "verdict" / "judge.py").read_text(encoding="utf-8")
    written = set(re.findall(r'Verdict\(\s*"(?:failed|impossible)",\s*\("([a-z_]+)",\)', judge))
    written |= set(re.findall(r': \("(?:failed|impossible)", "([a-z_]+)"\)', judge))
    assert len(written) >= 7
    assert written <= {*advice.WITHOUT_MEASUREMENT, *host_codes.CODES}


@pytest.mark.parametrize(
    "names",
    [
        DOUBTS,
        STATUSES,
        BOTTLENECKS,
        advice.FINDINGS,
        advice.WITHOUT_MEASUREMENT,
        host_codes.CODES,
        PROBLEMS,
        glossary.WORDS,
        CATALOGUE,
        TRAFFIC_FACTORS,
        [str(int(code)) for code in Exit],
        {column.name for columns in TABLES.values() for column in columns} - {FACTORS_HERE},
    ],
    ids=[
        "doubt", "status", "bottleneck", "finding", "no measurement", "refusal", "problem", "word", "setting",
        "traffic factor", "exit code", "column",
    ],
)  # fmt: skip
def test_it_explains_every(names: object) -> None:
    assert isinstance(names, (list, tuple, set, frozenset)) or hasattr(names, "keys")
    for name in list(names):  # type: ignore[call-overload]
        assert all(each.meaning for each in explained(name)), name
        assert explained(name), name


def test_a_word_that_is_a_column_too_is_explained_as_both() -> None:
    assert {each.kind.partition(",")[0] for each in explained("cross_traffic_bytes")} == {
        "column of trials.csv",
        "column of hosts.csv",
    }
    assert [each.kind for each in explained("mtu")] == ["word", "setting"]
    assert explained("Cross-Traffic") == explained("cross traffic") != []


def test_every_exit_code_means_what_the_readme_says() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert set(MEANINGS) == set(Exit)
    for code in Exit:
        assert re.search(rf"^\| .*\b{int(code)}\b.* \|", readme, re.MULTILINE), int(code)


def test_what_is_unknown_is_exit_2_with_what_was_meant() -> None:
    for asked, meant in (("suspekt", "suspect"), ("sent-agian", "sent_again"), ("good put", "goodput")):
        done = _call(*asked.split())
        assert isinstance(done.exception, PlanError)  # which ends in exit code 2
        assert done.exception.next_step == f"did you mean {meant}?"
    assert isinstance(_call("xyzzyplugh").exception, PlanError)
    assert isinstance(_call().exception, PlanError)


def test_it_tells_programs_too() -> None:
    done = _call("--json", "paused")
    (found,) = json.loads(done.stdout)
    assert found == {
        "name": "paused",
        "kind": "doubt (noted)",
        "meaning": advice.DOUBTS["paused"].meaning,
        "what_to_do": advice.DOUBTS["paused"].what_to_do,
        "source": "",
    }


def test_the_page_of_words_is_of_today() -> None:
    made = _call("--markdown")
    page = (ROOT / "plans" / "words.md").read_text(encoding="utf-8")
    assert page == made.stdout, "linktrial explain --markdown > plans/words.md"


def test_no_two_words_have_the_same_form() -> None:
    forms = [form.casefold() for word in glossary.WORDS.values() for form in (word.word, *word.also)]
    assert len(forms) == len(set(forms))
    assert len(everything_named()) == len(set(everything_named()))

"""A comparison in words, Markdown, data and JUnit."""

# ruff: noqa: S314 - the XML that is read here was written by the line before
from __future__ import annotations

import json
from dataclasses import replace
from xml.etree import ElementTree as ET

import pytest

from orchestrator.report.comparison import answers, as_data, cell_line, junit, markdown, text_lines
from orchestrator.report.page.comparison import page
from orchestrator.results.comparison.compare import CellComparison, Comparison
from orchestrator.results.comparison.environment import Unlike
from orchestrator.results.comparison.run_summary import MEASURES, CellKey
from orchestrator.results.comparison.verdicts import Contrast


def _cell(mtu: str, word: str, verdict: Contrast | None, reason: str = "") -> CellComparison:
    means = (2.4e9, 2.25e9) if verdict else (None, None)
    return CellComparison(CellKey("uplink", "transmit", (("mtu", mtu),)), word, reason, verdict, *means, sizes=(5, 5))


WORSE = _cell("9000", "worse", Contrast("worse", 0.9388, 0.921, 0.957, 0.001, 1.0))
INCONCLUSIVE = _cell("4000", "inconclusive", Contrast("inconclusive", 1.01, 0.93, 1.09, 0.7, 0.3, more=4))
GONE = _cell("9600", "worse", None, "was measured, and is impossible now")
SAME = _cell("1500", "no change", Contrast("no change", 1.0, 0.998, 1.002, 1.0, 0.0))
FOUND = Comparison(
    ("mon",),
    ("tue",),
    MEASURES["goodput"],
    0.03,
    "replicate",
    (Unlike("dome: kernel", "6.1", "6.12"),),
    (),
    ("Each side is one run.",),
    (SAME, WORSE, INCONCLUSIVE, GONE),
    (CellKey("uplink", "receive", (("mtu", "576"),)),),
    (),
    {"no change": 1, "worse": 2, "inconclusive": 1},
)


def test_what_was_made_differently_comes_first_and_the_worst_next() -> None:
    lines = text_lines(FOUND)
    assert lines[:2] == [
        "What is not the same on both sides:",
        "  dome: kernel: 6.1 in the reference, 6.12 in the candidate",
    ]
    assert lines.index("worse (2):") < lines.index("inconclusive (1):") < lines.index("no change (1):")
    assert "goodput of 1 run against 1 run, 4 cells: 2 worse, 1 inconclusive and 1 no change." in lines
    assert "only in the reference, not compared (1):" in lines


@pytest.mark.parametrize(
    ("cell", "line"),
    [
        (WORSE, "transmit, mtu 9000: −6.1 % (−7.9 to −4.3) from 2.400\u202fGb/s to 2.250\u202fGb/s"),
        (
            INCONCLUSIVE,
            (
                "transmit, mtu 4000: +1 % (−7 to 9) from 2.400\u202fGb/s to 2.250\u202fGb/s; "
                "about 4 more replicates a side would tell"
            ),
        ),
        (GONE, "transmit, mtu 9600: was measured, and is impossible now"),
    ],
)
def test_a_cell_in_one_line(cell: CellComparison, line: str) -> None:
    assert cell_line(FOUND, cell) == line


def test_an_outlier_that_carries_a_verdict_is_named() -> None:
    assert cell_line(FOUND, replace(WORSE, rank_p_value=0.4)).endswith("look for an outlier")


def test_no_number_is_promised_where_none_would_do() -> None:
    assert INCONCLUSIVE.contrast is not None
    endless = replace(INCONCLUSIVE, contrast=replace(INCONCLUSIVE.contrast, more=None))
    assert "no reasonable number of repetitions would tell" in cell_line(FOUND, endless)


def test_the_verdicts_are_defined_where_they_are_used() -> None:
    for text in ("\n".join(text_lines(FOUND)), markdown(FOUND)):
        assert "differs after Holm's adjustment over 3 cells (5 %), and the estimate is beyond 3 %" in text
        assert "no change beyond 3 %, shown by two one-sided tests at 5 %" in text
        assert "A value is one replicate." in text


def test_the_answer_says_by_how_much_and_where() -> None:
    for text in ("\n".join(text_lines(FOUND)), markdown(FOUND), page(FOUND)):
        assert "Worst: transmit, mtu 9000, " in text
        assert "6.1" in text.split("Worst: ", 1)[1][:60]
    faster = replace(WORSE, word="better", contrast=Contrast("better", 1.1, 1.05, 1.15, 0.0, 1.0))
    better = replace(FOUND, cells=(faster,))
    assert "Best: transmit, mtu 9000, +10 % (5 to 15)." in answers(better)


def test_cells_that_the_candidate_lost_are_in_the_answer() -> None:
    """A kernel under which every trial fails must not read as a harmless `inconclusive`."""
    lost = replace(
        _cell("9000", "inconclusive", None, "trials of the reference: 5 valid; of the candidate: 5 failed"),
        reference_mean=2.4e9,
        sizes=(5, 0),
    )
    said = answers(replace(FOUND, cells=(SAME, lost)))
    assert any(
        "The candidate has no valid trial of 1 cell that the reference measured: transmit, mtu 9000" in one
        for one in said
    )
    assert not any("no valid trial" in one for one in answers(FOUND))


def test_an_outlier_is_named_wherever_the_verdict_stands() -> None:
    carried = replace(FOUND, cells=(replace(WORSE, rank_p_value=0.4),))
    for text in (markdown(carried), page(carried), junit(carried, frozenset({"worse"}))):
        assert "look for an outlier" in text


def test_the_family_is_the_cells_that_were_tested() -> None:
    assert "over 3 cells" in "\n".join(text_lines(FOUND))


def test_where_less_is_better_it_is_said() -> None:
    text = "\n".join(text_lines(replace(FOUND, measure=MEASURES["round-trip"])))
    assert "round-trip: less is better, so + is worse" in text
    assert "is better, so" not in "\n".join(text_lines(FOUND))


def test_a_cell_judged_by_stored_runs_wants_more_runs() -> None:
    stored = replace(INCONCLUSIVE, unit="run")
    assert "about 4 more runs a side would tell" in cell_line(FOUND, stored)
    assert as_data(replace(FOUND, cells=(stored, WORSE)))["cells"][0]["unit"] == "run"
    mixed = "\n".join(text_lines(replace(FOUND, cells=(stored, WORSE))))
    assert "A value is one run where the stored runs say how far runs differ, one replicate elsewhere." in mixed


def test_junit_fails_on_what_was_asked_and_skips_what_cannot_be_told() -> None:
    suite = ET.fromstring(junit(FOUND, frozenset({"worse"})))
    assert {key: suite.get(key) for key in ("tests", "failures", "skipped", "errors")} == {
        "tests": "4",
        "failures": "2",
        "skipped": "1",
        "errors": "0",
    }
    assert [case.get("name") for case in suite if case.find("failure") is not None] == [
        "uplink, transmit, mtu 9000",
        "uplink, transmit, mtu 9600",
    ]
    strict = ET.fromstring(junit(FOUND, frozenset({"worse", "inconclusive"})))
    assert (strict.get("failures"), strict.get("skipped")) == ("3", "0")


def test_data_are_json_with_ratios_and_reasons() -> None:
    endless = replace(INCONCLUSIVE, contrast=Contrast("inconclusive", 1.0, 0.0, float("inf"), 1.0, 1.0))
    data = json.loads(json.dumps(as_data(replace(FOUND, cells=(*FOUND.cells, endless))), allow_nan=False))
    assert data["cells"][1]["ratio"] == 0.9388
    assert data["cells"][3]["reason"] == "was measured, and is impossible now"
    assert data["cells"][4]["high"] is None
    assert data["not_the_same"] == [{"what": "dome: kernel", "reference": "6.1", "candidate": "6.12"}]


HOSTILE = "\x1b[31m|</failure><script>`*\u202e"


def test_hostile_names_stay_text() -> None:
    cell = replace(WORSE, key=CellKey("uplink", "transmit", (("mtu", HOSTILE),)))
    found = replace(FOUND, cells=(cell,), environment=(Unlike("dome: kernel", HOSTILE, "6"),))
    for text in ("\n".join(text_lines(found)), markdown(found), junit(found, frozenset({"worse"}))):
        assert "\x1b" not in text
        assert "\u202e" not in text
    (case,) = ET.fromstring(junit(found, frozenset({"worse"})))
    assert "<script>" in (case.get("name") or "")
    row = next(line for line in markdown(found).splitlines() if line.startswith("| transmit"))
    assert row.replace("\\|", "").count("|") == 4
    assert r"\<script\>" in row

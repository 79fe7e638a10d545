"""Figures in the forms of other tools: OpenMetrics, JUnit, Parquet."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path
from xml.etree import ElementTree

import pandas as pd
import pytest

from orchestrator.faults import PlanError
from orchestrator.results.junit import Case, junit_text
from orchestrator.results.openmetrics import openmetrics_text
from orchestrator.results.parquet import write_parquet
from orchestrator.results.read_run import read_run
from tests.results.synthetic import Scenario, make_run


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    factors = {"mtu": [1500, 9600], "receive-ring": ['a"b\\c\nd'], "receive_ring": ["x"], "direction": ["transmit"]}
    return make_run(tmp_path_factory.mktemp("runs"), Scenario(factors, replicates=2))


def samples(text: str) -> dict[str, dict[str, float]]:
    """Metric -> labels as text -> value; the grammar of OpenMetrics 1.0.0 as far as it is used here."""
    out: dict[str, dict[str, float]] = {}
    for line in text.splitlines():
        if not line.startswith("#"):
            name, labels, value = re.fullmatch(r"([a-z_]+)\{(.*)\} (\S+)", line).groups()  # type: ignore[union-attr]
            out.setdefault(name, {})[labels] = float(value)
    return out


def test_openmetrics_families_are_declared_before_their_samples(run: Path) -> None:
    """OpenMetrics 1.0.0: a family's lines stand together, its name ends in its unit, the text ends with # EOF."""
    text = openmetrics_text(read_run(run))
    declared: list[str] = []
    for line in text.splitlines()[:-1]:
        if line.startswith("# TYPE "):
            declared.append(line.split()[2])
        elif line.startswith("# UNIT "):
            _, _, name, unit = line.split()
            assert name == declared[-1]
            assert name.endswith(f"_{unit}")
        elif not line.startswith("#"):
            assert line.partition("{")[0] in (declared[-1], f"{declared[-1]}_info")
    assert len(set(declared)) == len(declared)
    assert text.endswith("# EOF\n")


def test_openmetrics_has_the_figures_of_cells_csv_and_no_zero_for_what_is_missing(run: Path) -> None:
    data = read_run(run)
    found = samples(openmetrics_text(data))
    measured = data.cells.dropna(subset=["goodput_mean_bit_s"])

    assert list(found["linktrial_goodput_bits_per_second"].values()) == measured["goodput_mean_bit_s"].tolist()
    assert len(measured) == 1 < len(data.cells)
    assert sum(found["linktrial_trials"].values()) == len(data.trials)


def test_openmetrics_tells_factors_apart_whose_names_differ_in_signs_only(run: Path) -> None:
    (labels,) = samples(openmetrics_text(read_run(run)))["linktrial_goodput_bits_per_second"]

    assert 'factor_receive_ring="a\\"b\\\\c\\\\x0ad"' in labels
    assert 'factor_receive_ring_2="x"' in labels


def test_junit_counts_what_it_lists() -> None:
    cases = [
        Case("a", "g", properties={"mtu": "1500"}),
        Case("b", "g", "failure", "worse"),
        Case("c", "g", "error", "no"),
        Case("d", "g", "skipped", "later", seconds=1.25),
    ]
    suite = ElementTree.fromstring(junit_text("s", cases, {"run": "r"}))  # noqa: S314 - our own text

    assert {name: suite.attrib[name] for name in ("tests", "failures", "errors", "skipped")} == {
        "tests": "4",
        "failures": "1",
        "errors": "1",
        "skipped": "1",
    }
    assert [case.attrib["name"] for case in suite.findall("testcase")] == ["a", "b", "c", "d"]
    assert suite.find("testcase/properties/property").attrib == {"name": "mtu", "value": "1500"}  # type: ignore[union-attr]
    assert suite.findall("testcase")[3].attrib["time"] == "1.250"


def test_junit_keeps_text_that_xml_cannot_carry_visible() -> None:
    root = ElementTree.fromstring(junit_text("s", [Case("\x00\ufffe]]>&<\"'", "g", "failure", "\x1b]]>")]))  # noqa: S314

    assert root[0].attrib["name"] == "\\x00\ufffd]]>&<\"'"
    assert root[0][0].text == "\\x1b]]>"


def test_parquet_without_its_extra_says_what_to_install(
    run: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)

    with pytest.raises(PlanError) as caught:
        write_parquet(run, tmp_path)
    assert "linktrial[parquet]" in caught.value.next_step


@pytest.mark.skipif(importlib.util.find_spec("pyarrow") is None, reason="the extra parquet is not installed")
def test_parquet_reads_back_equal(run: Path, tmp_path: Path) -> None:
    write_parquet(run, tmp_path)

    pd.testing.assert_frame_equal(pd.read_parquet(tmp_path / "trials.parquet"), read_run(run).trials, check_dtype=False)

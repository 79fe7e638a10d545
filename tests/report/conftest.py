"""A made-up run and its page, made once for all tests of the report."""

from __future__ import annotations

from pathlib import Path

import pytest

from orchestrator.report import read_report
from orchestrator.report.model import Report
from orchestrator.report.page import html
from tests.report.page_tree import Element, parse
from tests.results.synthetic import Scenario, make_run

RATES = {
    "mtu": [1500, 9000, 9600],
    "clock": ["powersave", "performance"],
    "transport": ["tcp", "udp"],
    "intended_load": ["50%", "95%"],
    "direction": ["transmit", "receive", "bidirectional"],
}


@pytest.fixture(scope="session")
def run_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run with every kind of section: UDP at two rates, both directions at once, suspect and impossible trials."""
    return make_run(tmp_path_factory.mktemp("runs"), Scenario(factors=RATES, replicates=3))


@pytest.fixture(scope="session")
def report(run_folder: Path) -> Report:
    return read_report(run_folder)


@pytest.fixture(scope="session")
def page(report: Report) -> str:
    return html.page(report)


@pytest.fixture(scope="session")
def tree(page: str) -> Element:
    return parse(page)

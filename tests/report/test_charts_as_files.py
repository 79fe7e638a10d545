"""Charts for a ticket: SVG and PNG, the same bytes for the same tables, and nothing fetched."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest

from orchestrator.report import charts
from orchestrator.report.model import Report
from orchestrator.run_files import Folder

NAMES = {f"{stem}.{kind}" for stem in ("goodput", "interactions", "drift", "loss") for kind in ("svg", "png")}


@pytest.fixture(scope="module")
def drawn(report: Report, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    folder = Folder(tmp_path_factory.mktemp("charts"))
    return {path.name: path.read_bytes() for path in charts.write_charts(report, folder)}


def test_every_chart_is_there_in_both_forms(drawn: dict[str, bytes]) -> None:
    assert set(drawn) >= NAMES
    assert all(data.startswith(b"\x89PNG\r\n\x1a\n") for name, data in drawn.items() if name.endswith("png"))


def test_the_same_tables_give_the_same_bytes(report: Report, drawn: dict[str, bytes], tmp_path: Path) -> None:
    again = {path.name: path.read_bytes() for path in charts.write_charts(report, Folder(tmp_path))}

    assert again == drawn


def test_each_drawing_names_itself_and_fetches_nothing(drawn: dict[str, bytes]) -> None:
    for name, data in drawn.items():
        if name.endswith("svg"):
            root = ElementTree.fromstring(data)  # noqa: S314 - our own file, and it must be well-formed
            assert root.attrib["role"] == "img"
            assert next(iter(root)).tag.endswith("title")
            text = re.sub(r'xmlns(:xlink)?="[^"]*"', "", data.decode())
            assert re.findall(r"https?:|url\((?!#)|@import|<script|<image|<foreignObject", text) == []


def test_the_ceiling_is_drawn_with_the_bars(drawn: dict[str, bytes]) -> None:
    text = drawn["goodput.svg"].decode()

    assert text.count('aria-roledescription="tick"') >= text.count('aria-roledescription="bar"') > 10


def test_reading_a_report_loads_no_chart_library(run_folder: Path) -> None:
    code = (
        "import sys; from orchestrator.report import read_report; read_report(sys.argv[1]); "
        "print({'altair', 'vl_convert'} & set(sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", code, str(run_folder)], capture_output=True, text=True, check=True)

    assert done.stdout.strip() == "set()"

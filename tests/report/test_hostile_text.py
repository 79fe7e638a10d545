"""Text from hosts and plans stays text: on the page, in a table, in Markdown, in a drawing, on a terminal."""

from __future__ import annotations

import csv
import io
import json
import re
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from markdown_it import MarkdownIt
from rich.console import Console

from orchestrator.report import cases, charts, markdown, read_report
from orchestrator.report.model import Report
from orchestrator.report.page import html
from orchestrator.report.terminal import print_report
from orchestrator.results.openmetrics import openmetrics_text
from orchestrator.results.read_run import read_run
from orchestrator.results.write import restore_text, write_rows
from orchestrator.run_files import Folder
from tests.report.page_tree import parse
from tests.results.synthetic import Scenario, make_run

MARK = "HOSTILE"
HOSTILE = {
    "markup": f"</script><script>alert('{MARK}')</script><img src=x onerror=alert(1)>",
    "attribute": f"\" onmouseover=\"alert('{MARK}')\" x='",
    "style": f"</style><style>*{{background:url(https://{MARK}.example)}}</style>",
    "formula": f'=HYPERLINK("https://{MARK}.example";"x")',
    "plus": f"+{MARK}()",
    "minus": f"-{MARK}()",
    "at": f"@{MARK}",
    "tab": f"\t={MARK}",
    "terminal": f"\x1b]0;{MARK}\x07\x1b[2J\x1b[31m\x9b5A",
    "turned": f"\u202e{MARK}\u2066",
    "lines": f"{MARK}\r\n\u2028next",
    "markdown": f"[{MARK}](javascript:alert(1)) ![{MARK}](https://{MARK}.example/x.png) `x` | a <b>b</b> *c*",
    "rich": f"[red]{MARK}[/red] [link=https://{MARK}.example]x[/link]",
    "template": f"{{{{{MARK}}}}} ${{{MARK}}} {{0}}",
    "vega": f"datum['{MARK}'] \\u003cscript> $.x[0]",
}
CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\u2028]")


@pytest.fixture(scope="module")
def hostile_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Every text of the run is hostile: hosts, factors, levels, reasons, what the hosts say of themselves."""
    texts = list(HOSTILE.values())
    scenario = Scenario(
        factors={
            texts[0]: texts[1:4],
            "mtu": [1500, 9000],
            texts[11]: [*texts[4:7], texts[12]],
            "direction": ["transmit", "receive"],
        },
        replicates=3,
        run_id="run",
        plan=texts[13],
        hosts=(texts[8] + HOSTILE["attribute"], texts[2]),
    )
    folder = make_run(tmp_path_factory.mktemp("hostile"), scenario)
    rows = [
        dict(zip(rows[0], map(restore_text, row), strict=True))
        for rows in [read_csv(folder / "trials.csv")]
        for row in rows[1:]
    ]
    for number, row in enumerate(rows):
        row["reason"], row["doubts"] = texts[number % len(texts)], HOSTILE["attribute"]
        if number % 7 == 3:
            row["status"] = "suspect"
    write_rows(folder / "trials.csv", list(rows[0]), rows)
    run = json.loads((folder / "run.json").read_text())
    left = {"what": texts[0], "before": texts[1], "now": texts[10], "command": texts[2]}
    poisoned: Any = _poison(run, iter(texts * 200))
    poisoned |= {
        "schema": 1,
        "cells": run["cells"],
        "trial": run["trial"],
        "threshold_ratio": 0.03,
        "as_found": {HOSTILE["attribute"]: {"ok": False, "left": [left]}},
    }
    (folder / "run.json").write_text(json.dumps(poisoned))
    return folder


def read_csv(path: Path) -> list[list[str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.reader(file))


def _poison(value: Any, texts: Any) -> Any:
    if isinstance(value, dict):
        return {name: _poison(inner, texts) for name, inner in value.items()}
    if isinstance(value, list):
        return [_poison(inner, texts) for inner in value]
    return next(texts) if isinstance(value, str) else value


@pytest.fixture(scope="module")
def hostile_report(hostile_run: Path) -> Report:
    return read_report(hostile_run)


def test_the_page_keeps_it_text(hostile_report: Report, tree: Any) -> None:
    page = html.page(hostile_report)
    found = parse(page)
    names = {element.name for element in found.walk()}
    attributes = {name for element in found.walk() for name in element.attributes}

    assert MARK in found.all("main")[0].text()
    assert names <= {element.name for element in tree.walk()}
    assert not any(name.startswith("on") or name in ("style", "src") for name in attributes)
    assert len(found.all("script")) == 1
    assert len(found.all("style")) == 1
    assert MARK not in found.all("script")[0].text() + found.all("style")[0].text()
    assert CONTROL.search(page.replace("\n", "")) is None


def test_every_field_reaches_the_page(hostile_report: Report) -> None:
    """Otherwise the test above would prove nothing: the page shows what it was given, made visible."""
    text = parse(html.page(hostile_report)).text()

    for kind, shown in (
        ("markup", "<img src=x onerror"),
        ("attribute", 'onmouseover="'),
        ("terminal", "\\x1b[2J"),
        ("turned", "\\u202e"),
        ("template", "{{HOSTILE}}"),
        ("markdown", "](javascript:"),
    ):
        assert shown in text, kind


def test_no_spreadsheet_runs_it(hostile_run: Path) -> None:
    for name in ("trials.csv", "hosts.csv", "cells.csv"):
        for row in read_csv(hostile_run / name)[1:]:
            for field in row:
                assert field[:1] not in tuple("=+-@\t\r") or re.fullmatch(r"-?[\d.e+-]+", field), field


def test_what_was_neutralised_reads_back_as_it_was(hostile_run: Path) -> None:
    run = read_run(hostile_run)
    levels = set(run.trials[HOSTILE["markup"]])

    assert levels == {HOSTILE["attribute"], HOSTILE["style"], HOSTILE["formula"]}


def test_markdown_renders_it_as_text(hostile_report: Report) -> None:
    """By a CommonMark renderer that lets HTML and any link through."""
    text = markdown.text(hostile_report)
    renderer = MarkdownIt("commonmark", {"html": True}).enable("table")
    renderer.validateLink = lambda url: True
    found = parse(renderer.render(text))

    assert MARK in found.text()
    assert {element.name for element in found.walk()} <= {
        "root",
        "h1",
        "h2",
        "p",
        "ul",
        "li",
        "table",
        "thead",
        "tbody",
        "tr",
        "th",
        "td",
        "strong",
        "em",
    }
    widths = [{len(row.all("td")) + len(row.all("th")) for row in table.all("tr")} for table in found.all("table")]
    assert all(len(width) == 1 for width in widths)
    assert not any(set(element.attributes) - {"style"} for element in found.walk())


def test_a_terminal_is_not_moved(hostile_report: Report) -> None:
    for width in (30, 80, 400):
        out = io.StringIO()
        print_report(hostile_report, Console(file=out, width=width, force_terminal=False))
        printed = out.getvalue()

        assert MARK in printed.replace("\n", "")
        assert CONTROL.search(printed.replace("\n", "")) is None


def test_rich_markup_is_not_obeyed(hostile_report: Report) -> None:
    out = io.StringIO()
    print_report(hostile_report, Console(file=out, width=400, force_terminal=True, color_system="truecolor"))
    plain = re.sub("\x1b\\[[0-9;]*m", "", out.getvalue())

    assert "[red]HOSTILE[/red]" in plain
    assert "\x1b]8" not in out.getvalue()


def test_charts_draw_it_as_text(hostile_report: Report, tmp_path: Path) -> None:
    for path in charts.write_charts(hostile_report, Folder(tmp_path)):
        if path.suffix == ".svg":
            drawn = ElementTree.fromstring(path.read_text())  # noqa: S314 - our own file, and it must be well-formed
            names = {element.tag.rpartition("}")[2] for element in drawn.iter()}
            assert names <= {"svg", "title", "g", "path", "rect", "line", "text", "tspan", "clipPath", "defs"}
            assert not any(
                name.lower().startswith("on") or "href" in name for element in drawn.iter() for name in element.attrib
            )


def test_openmetrics_lines_stay_lines(hostile_run: Path) -> None:
    text = openmetrics_text(read_run(hostile_run))
    sample = re.compile(r'[a-z_]+(\{([a-zA-Z_][a-zA-Z0-9_]*="([^"\\\n]|\\["\\n])*",?)*\})? \S+')

    assert MARK in text
    for line in text.splitlines():
        assert line.startswith("# ") or sample.fullmatch(line), line


def test_junit_stays_well_formed(hostile_report: Report) -> None:
    root = ElementTree.fromstring(cases.junit(hostile_report))  # noqa: S314 - our own text, and it must be well-formed

    assert {element.tag for element in root.iter()} <= {
        "testsuite",
        "testcase",
        "properties",
        "property",
        "failure",
        "error",
        "skipped",
    }
    assert any(MARK in value for element in root.iter() for value in element.attrib.values())

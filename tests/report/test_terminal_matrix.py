"""What a run prints at its end, on wide and narrow terminals and where there is none."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from rich.console import Console
from rich.text import Text

from orchestrator.report.model import Report
from orchestrator.report.terminal import print_matrix, print_report
from orchestrator.words.figures import shown


def printed(report: Report, width: int, *, terminal: bool = False) -> str:
    out = io.StringIO()
    print_report(report, Console(file=out, width=width, force_terminal=terminal, color_system="auto", no_color=None))
    return out.getvalue()


@pytest.mark.parametrize("width", [24, 40, 60, 80, 100, 120, 160, 250])
def test_no_line_is_wider_than_the_terminal_and_no_figure_is_cut(report: Report, width: int) -> None:
    text = printed(report, width)
    lines = [line for line in text.splitlines() if not line.startswith("report: ")]

    assert max(Text(line).cell_len for line in lines) <= width
    assert "…" not in text


@pytest.mark.parametrize("width", [40, 80, 120, 250])
def test_every_measured_mean_is_printed_at_every_width(report: Report, width: int) -> None:
    text = printed(report, width)

    assert text.count("impossible") >= 8
    for cell in report.measured:
        assert shown(cell.mean_bit_s or 0.0, cell.low_bit_s, cell.high_bit_s, 1e9).value in text


def test_the_answer_comes_before_the_matrix_and_the_page_s_place_last(report: Report) -> None:
    text = printed(report, 120)

    assert text.index("carries up to") < text.index("Goodput in") < text.index("report: ")
    assert text.rstrip().endswith("report.html")


@pytest.mark.parametrize("width", range(40, 100))
def test_no_line_ends_between_a_number_and_its_unit(report: Report, width: int) -> None:
    answer = printed(report, width).split("\n\n")[0]
    assert "%" in answer
    assert not [line for line in answer.splitlines() if line.lstrip().startswith(("%", "Gb/s", "Mb/s"))]


def test_without_a_terminal_no_escape_is_written(report: Report) -> None:
    assert "\x1b" not in printed(report, 120)


def test_no_color_leaves_no_colour(report: Report, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    coloured = [
        code
        for code in printed(report, 120, terminal=True).split("\x1b[")[1:]
        if any(
            part in {str(number) for number in (*range(30, 38), *range(40, 48), *range(90, 98))}
            for part in code.partition("m")[0].split(";")
        )
    ]

    assert coloured == []


def test_print_matrix_reads_the_folder(run_folder: Path) -> None:
    out = io.StringIO()
    print_matrix(run_folder, Console(file=out, width=200))

    assert "uplink carries up to" in out.getvalue()

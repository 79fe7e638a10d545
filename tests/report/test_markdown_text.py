"""report.md: text to paste, readable raw and rendered."""

from __future__ import annotations

import pytest
from markdown_it import MarkdownIt

from orchestrator.report import markdown
from orchestrator.report.model import Report
from tests.report.page_tree import parse


@pytest.mark.parametrize(
    "text", ["mtu 9000 (both ends): +27 % (24 to 30); 1.5 - 2.5", "intended_load 50%, eth1.100", "dome → hall"]
)
def test_ordinary_sentences_need_no_backslash(text: str) -> None:
    assert markdown.safe(text) == text


@pytest.mark.parametrize(
    "text",
    [
        "*a* _b_ `c` [d](e) ![f](g)",
        "<b>x</b> &amp; <!-- y -->",
        "a | b",
        "- x",
        "+ x",
        "1. x",
        "12) x",
        "# x",
        "=== x",
        "_a_",
        "__a__ b_c_d",
        "~~a~~",
        "https://x.example www.x.example",
        "\\*a*",
        "a\\",
        "|",
        "``",
    ],
)
def test_foreign_text_is_shown_as_it_was_written(text: str) -> None:
    renderer = MarkdownIt("commonmark", {"html": True}).enable("table")
    rendered = parse(renderer.render(f"| h |\n| --- |\n| {markdown.safe(text)} |\n\n- {markdown.safe(text)}\n"))
    (cell,) = rendered.all("td")
    (item,) = rendered.all("li")

    assert cell.text() == text
    assert item.text() == text
    assert not rendered.all("a")


def test_the_table_has_the_matrix_s_figures(report: Report) -> None:
    rendered = parse(MarkdownIt("commonmark").enable("table").render(markdown.text(report)))
    matrix, not_valid = rendered.all("table")

    assert len(matrix.all("tr")) == 1 + 3 * 2 * 3
    assert "impossible" in matrix.text()
    assert "9600 bytes do not pass" in not_valid.text()

"""What a screen reader, a keyboard and a reader without colours find on the page (WCAG 2.2, level AA)."""

from __future__ import annotations

import itertools
import re
from collections import Counter

from tests.report.page_tree import Element


def test_language_title_and_one_first_heading(tree: Element) -> None:
    assert tree.all("html")[0].attributes["lang"] == "en"
    assert "dome-to-hall" in tree.all("title")[0].text()
    assert len(tree.all("h1")) == 1


def test_headings_skip_no_level(tree: Element) -> None:
    levels = [int(element.name[1]) for element in tree.walk() if re.fullmatch(r"h[1-6]", element.name)]
    jumps = [(before, after) for before, after in itertools.pairwise(levels) if after > before + 1]

    assert jumps == []


def test_ids_are_unique(tree: Element) -> None:
    ids = Counter(element.attributes["id"] for element in tree.walk() if "id" in element.attributes)

    assert [name for name, count in ids.items() if count > 1] == []


def test_every_table_has_a_caption_and_scoped_heads(tree: Element) -> None:
    tables = tree.all("table")
    assert len(tables) > 10
    for table in tables:
        assert table.all("caption")[0].text().strip()
        assert {head.attributes.get("scope") for head in table.all("th")} <= {"col", "row"}
        for row in table.all("tbody")[0].all("tr"):
            assert any(cell.name == "th" for cell in row.children if isinstance(cell, Element))
        widths = {len([cell for cell in row.children if isinstance(cell, Element)]) for row in table.all("tr")}
        assert len(widths) == 1


def test_every_drawing_has_a_name_or_is_silent(tree: Element) -> None:
    drawings = tree.all("svg")
    assert len(drawings) > 50
    for drawn in drawings:
        named = drawn.attributes.get("role") == "img" and bool(drawn.attributes.get("aria-label"))
        assert named or drawn.attributes.get("aria-hidden") == "true"


def test_a_silent_drawing_stands_beside_its_figure(tree: Element) -> None:
    for drawn in tree.all("svg"):
        if drawn.attributes.get("aria-hidden") == "true":
            assert any(
                re.search(r"\d|dome|hall|clock|direction", element.text())
                for element in [next(iter(drawn.ancestors)), next(iter(next(iter(drawn.ancestors)).ancestors))]
            )


def test_every_figure_has_a_caption(tree: Element) -> None:
    figures = tree.all("figure")
    assert len(figures) > 20
    assert all(figure.all("figcaption")[0].text().strip() for figure in figures)


def test_what_scrolls_sideways_can_be_reached_by_keyboard(tree: Element) -> None:
    scrolling = [element for element in tree.walk() if element.attributes.get("class") == "scroll"]
    assert len(scrolling) > 10
    assert all(element.attributes["tabindex"] == "0" and element.attributes["aria-label"] for element in scrolling)


def test_every_input_has_a_label(tree: Element) -> None:
    inputs = tree.all("input")
    assert len(inputs) > 10
    for field in inputs:
        label = next(iter(field.ancestors))
        assert label.name == "label"
        assert label.text().strip()


def test_status_is_told_by_words(tree: Element) -> None:
    matrix = next(table for table in tree.all("table") if table.attributes.get("id") == "matrix-table")
    impossible = [cell for cell in matrix.all("td") if "impossible" in cell.attributes.get("class", "")]
    assert impossible
    assert all("impossible" in cell.text() and "9600" in cell.text() for cell in impossible)


def test_figures_stand_in_every_shaded_cell(tree: Element) -> None:
    matrix = next(table for table in tree.all("table") if table.attributes.get("id") == "matrix-table")
    shaded = [cell for cell in matrix.all("td") if re.fullmatch(r"h\d", cell.attributes.get("class", ""))]
    assert len({cell.attributes["class"] for cell in shaded}) > 3
    for cell in shaded:
        assert re.match(r"\d\.\d+", cell.text())
        assert "%" in cell.text()

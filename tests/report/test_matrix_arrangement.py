"""Which factors run down, which across, and which cell stands where."""

from __future__ import annotations

from dataclasses import replace

from orchestrator.report.matrix import arrange, column_label
from orchestrator.report.page import matrix as page_matrix
from orchestrator.words.figures import rate_unit
from orchestrator.words.plain_text import visible
from tests.report.made_report import cell, made
from tests.report.page_tree import parse


def test_direction_runs_across_where_it_varies() -> None:
    cells = [
        cell(1, {"mtu": "1500", "direction": "transmit"}),
        cell(2, {"mtu": "1500", "direction": "receive"}, way="receive"),
        cell(3, {"mtu": "1500", "direction": "bidirectional"}),
        cell(3, {"mtu": "1500", "direction": "bidirectional"}, way="receive"),
    ]
    matrix = arrange(made(cells, {"mtu": ("1500",), "direction": ("transmit", "receive", "bidirectional")}))

    assert [column_label(column, matrix.across_factor) for column in matrix.across] == [
        "transmit: dome → hall",
        "receive: hall → dome",
        "both at once: dome → hall",
        "both at once: hall → dome",
    ]
    assert [[one.number if one else None for one in row.cells] for row in matrix.rows] == [[1, 2, 3, 3]]
    assert matrix.fixed == (("mtu", "1500"),)


def test_without_a_direction_the_last_factor_runs_across() -> None:
    cells = [
        cell(number, {"mtu": mtu, "clock": clock})
        for number, (mtu, clock) in enumerate([("1500", "low"), ("1500", "high"), ("9000", "low"), ("9000", "high")], 1)
    ]
    matrix = arrange(made(cells, {"mtu": ("1500", "9000"), "clock": ("low", "high")}))

    assert [factor.name for factor in matrix.down] == ["mtu"]
    assert [column.level for column in matrix.across] == ["low", "high"]
    assert [row.levels for row in matrix.rows] == [("1500",), ("9000",)]


def test_levels_stand_in_the_plan_s_order_not_in_the_alphabet_s() -> None:
    cells = [
        cell(number, {"mtu": mtu, "direction": "transmit"}) for number, mtu in enumerate(("9000", "576", "1500"), 1)
    ]
    matrix = arrange(made(cells, {"mtu": ("1500", "576", "9000"), "direction": ("transmit", "receive")}))

    assert [row.levels for row in matrix.rows] == [("1500",), ("576",), ("9000",)]


def test_a_cell_that_the_plan_left_out_is_a_gap_not_a_zero() -> None:
    cells = [
        cell(1, {"mtu": "1500", "direction": "transmit"}),
        cell(2, {"mtu": "9000", "direction": "receive"}, way="receive"),
    ]
    matrix = arrange(made(cells, {"mtu": ("1500", "9000"), "direction": ("transmit", "receive")}))

    assert [[one.number if one else None for one in row.cells] for row in matrix.rows] == [[1, None], [None, 2]]


def test_a_factor_with_many_levels_does_not_run_across() -> None:
    levels = tuple(str(number) for number in range(20))
    cells = [cell(number, {"clock": "low", "cores": level}) for number, level in enumerate(levels, 1)]
    matrix = arrange(made(cells, {"clock": ("low", "high"), "cores": levels}))

    assert matrix.across_factor == "clock"


def test_several_links_become_rows() -> None:
    cells = [cell(1, {"direction": "transmit"}, link="uplink"), cell(2, {"direction": "transmit"}, link="spare")]
    matrix = arrange(made(cells, {"direction": ("transmit", "receive")}))

    assert [factor.name for factor in matrix.down] == ["link"]
    assert [row.levels for row in matrix.rows] == [("uplink",), ("spare",)]


def test_transmit_stands_before_receive_whatever_the_order_of_the_cells() -> None:
    levels = {"mtu": "1500", "direction": "bidirectional"}
    cells = [cell(1, levels, way="receive"), cell(1, levels)]
    matrix = arrange(made(cells, {"mtu": ("1500", "9000"), "direction": ("transmit", "bidirectional")}))

    assert [column.way for column in matrix.across] == ["transmit", "receive"]


def test_the_unit_is_the_ceilings_where_nothing_was_measured() -> None:
    cells = [cell(1, {"mtu": "9600"}, None, counts={"impossible": 5})]

    assert rate_unit(arrange(made(cells, {"mtu": ("9600",)})).max_bit_s).name == "Gb/s"


def test_a_link_with_an_unprintable_name_can_be_filtered_by_it() -> None:
    """Its rows had no level of the filter's, so that every such link's rows went with the first one's box."""
    cells = [cell(number, {"mtu": "1500"}, link=link) for number, link in enumerate(("a\x1b", "b\x1b"), start=1)]
    report = made(cells, {"mtu": ("1500",)})
    matrix = arrange(replace(report, links=tuple(visible(link) for link in report.links)))

    assert [row.levels[0] for row in matrix.rows] == list(matrix.down[0].levels)


def test_a_very_long_level_may_be_broken() -> None:
    """On paper and on a narrow screen a level that may not be broken pushes the figures out of sight."""
    cells = [
        cell(number, {"a": level, "b": other})
        for number, (level, other) in enumerate(((one, two) for one in ("x" * 80, "short") for two in "12"), start=1)
    ]
    matrix = arrange(made(cells, {"a": ("x" * 80, "short"), "b": ("1", "2")}))
    heads = [
        one
        for one in parse(page_matrix.section(matrix, frozenset(), {})).all("th")
        if one.attributes.get("scope") == "row"
    ]

    assert [one.attributes["class"].split()[:2] == ["level", "long"] for one in heads] == [True, False]

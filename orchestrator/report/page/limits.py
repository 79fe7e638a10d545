"""The bottlenecks, on the page: the answers with their cells and the columns they rest on."""

from __future__ import annotations

from orchestrator.report.limits import columns_cited, groups, numbers, short
from orchestrator.report.model import Report
from orchestrator.report.page.markup import Markup, joined, tag
from orchestrator.report.page.run import cell_links, plain_table
from orchestrator.results.causes.from_columns import Cause


def section(report: Report) -> Markup | None:
    """A table of the answers, the most frequent first."""
    found = groups(report)
    if not found:
        return None
    rows = [
        (
            short(group.example),
            group.host,
            str(len(group.cells)),
            cell_links(numbers(group.cells)),
            group.example.sentence,
            columns_cited(group.example),
        )
        for group in found
    ]
    about = tag(
        "p",
        "A first answer for every figure, from the rows of its own trials. Where they prove nothing, the "
        "answer is that it is unknown.",
        class_="note",
    )
    return joined(
        [
            about,
            plain_table(
                "Bottlenecks",
                ("what", "where", "figures", "cells", "for example", "rests on"),
                rows,
                "words",
            ),
        ]
    )


def of_cell(cause: Cause) -> Markup:
    """The answer in a cell's details."""
    rests = f" (rests on {columns_cited(cause)})" if cause.columns else ""
    return tag("p", tag("b", f"{short(cause)}: "), cause.sentence, tag("span", rests, class_="note"))

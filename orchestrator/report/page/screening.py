"""A screen on the page: one row for each group of effects that the fraction can estimate."""

from __future__ import annotations

from orchestrator.report.influence import change_text, threshold
from orchestrator.report.model import Report
from orchestrator.report.page.influence import forest
from orchestrator.report.page.markup import Markup, joined, tag
from orchestrator.report.page.run import plain_table
from orchestrator.report.screening import Found, about, findings, where_of
from orchestrator.results.statistics.screen import Screen

GREATEST_GROUPS = 60


def section(report: Report) -> Markup | None:
    """The section of a run whose plan asked for a screen."""
    if not report.screens:
        return None
    return joined(part for screen in report.screens for part in _one(report, screen))


def _one(report: Report, screen: Screen) -> list[Markup]:
    found = findings(screen, threshold(report))[:GREATEST_GROUPS]
    note = tag("p", about(screen), class_="note")
    if not found:
        return [note]
    reach = (
        max(
            [
                abs(end)
                for one in found
                for end in (one.change.estimate, one.change.low, one.change.high)
                if end is not None
            ],
            default=1.0,
        )
        or 1.0
    )
    rows = [
        (
            _names(one),
            one.about,
            tag("span", change_text(one.change), class_="change"),
            forest(one.change, reach),
            _verdict(one),
        )
        for one in found
    ]
    return [
        note,
        plain_table(
            f"Goodput, {where_of(report, screen)}",
            ("factor, or factors together", "change of level", "goodput (95 % interval)", "", ""),
            rows,
            "words",
        ),
    ]


def _names(one: Found) -> Markup:
    return joined((tag("span", name) for name in one.names), " = ")


def _verdict(one: Found) -> str:
    if one.matters:
        return "matters"
    return "small" if one.sure else ""

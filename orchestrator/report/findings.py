"""What the figures add up to: effects, causes, loss against the offered rate."""

from __future__ import annotations

from orchestrator.report import page_loss
from orchestrator.report.markup import Markup
from orchestrator.report.model import Report


def sections(report: Report) -> list[tuple[str, str, Markup]]:
    """(anchor, heading, content) of the findings that this run allows."""
    made = [("loss", "Loss against the offered rate", page_loss.section(report))]
    return [(name, heading, content) for name, heading, content in made if content]


def causes(report: Report) -> dict[tuple[int, str, str], Markup]:
    """Per cell, link and way: what held it back, with its evidence."""
    return {}

"""What the figures add up to: bottlenecks, effects, loss against the intended load."""

from __future__ import annotations

from orchestrator.report.model import Key, Report
from orchestrator.report.page import influence as page_influence
from orchestrator.report.page import limits as page_limits
from orchestrator.report.page import loss as page_loss
from orchestrator.report.page import screening as page_screening
from orchestrator.report.page.markup import Markup


def sections(report: Report) -> list[tuple[str, str, Markup]]:
    """(anchor, heading, content) of the findings that this run allows."""
    made = [
        ("screen", "What the screen shows", page_screening.section(report)),
        ("influence", "What each factor does", page_influence.section(report)),
        ("limits", "Bottlenecks", page_limits.section(report)),
        ("loss", "Loss against the intended load", page_loss.section(report)),
    ]
    return [(name, heading, content) for name, heading, content in made if content]


def causes(report: Report) -> dict[Key, Markup]:
    """Per cell, link and way: what limited it, with the columns it rests on."""
    return {key: page_limits.of_cell(cause) for key, cause in report.causes.items()}

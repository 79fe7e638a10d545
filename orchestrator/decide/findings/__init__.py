"""What is wrong with a bench before anything is measured: from surveys of hosts to findings, worst first. Pure.

A finding says what was seen, why it matters and what to do. A healthy bench has none. What a link can carry at best is
not a finding but a figure: `ceilings`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import chain

from orchestrator.decide.findings.cards import card_findings
from orchestrator.decide.findings.ceilings import Ceiling, ceilings
from orchestrator.decide.findings.changes import survey_changes
from orchestrator.decide.findings.ends import end_findings
from orchestrator.decide.findings.finding import SEVERITIES, Finding, LinkNeed
from orchestrator.decide.findings.hosts import host_findings
from orchestrator.decide.findings.interfaces import interface_findings
from orchestrator.decide.findings.wiring import End, Wire, wiring_findings
from orchestrator.decide.shapes.host_facts import Survey

__all__ = [
    "SEVERITIES",
    "Ceiling",
    "End",
    "Finding",
    "LinkNeed",
    "Wire",
    "ceilings",
    "findings",
    "survey_changes",
    "wiring_findings",
]


def findings(surveys: Mapping[str, Survey], needs: Sequence[LinkNeed] = ()) -> list[Finding]:
    """Everything that would disturb, limit or stop what `needs` asks for; without needs, what is wrong anyway.

    `surveys` are the hosts' answers to the verb `survey`, by the plan's names.
    """
    found = chain.from_iterable(
        chain(card_findings(host, survey), interface_findings(host, survey, needs), host_findings(host, survey, needs))
        for host, survey in surveys.items()
    )
    between = chain.from_iterable(end_findings(need, surveys) for need in needs)
    # Python's sort keeps the order of equals: within a severity that in which a person would check
    return sorted([*found, *between], key=lambda each: SEVERITIES.index(each.severity))

"""JUnit XML, which continuous integration shows: one test case per cell, its settings as properties.

The form is the one most readers accept (common practice; there is no standard, only the schema of the first tool).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal
from xml.sax.saxutils import escape, quoteattr

from orchestrator.words.plain_text import visible

Outcome = Literal["passed", "failure", "error", "skipped"]
# What XML 1.0 cannot carry even escaped; `visible` has taken the control characters already.
_NOT_XML = re.compile("[\ufffe\uffff]")


@dataclass(frozen=True)
class Case:
    """One test case: `group` is the class it is listed under; `kind` and `message` say why it did not pass."""

    name: str
    group: str
    outcome: Outcome = "passed"
    message: str = ""
    kind: str = ""
    seconds: float | None = None
    properties: Mapping[str, str] = field(default_factory=dict)


def junit_text(suite: str, cases: Sequence[Case], properties: Mapping[str, str] | None = None) -> str:
    """The whole document."""
    counts = {
        name: sum(case.outcome == outcome for case in cases)
        for name, outcome in (("failures", "failure"), ("errors", "error"), ("skipped", "skipped"))
    }
    totals = " ".join([f'tests="{len(cases)}"', *(f'{name}="{number}"' for name, number in counts.items())])
    lines = [
        '<?xml version="1.0" encoding="utf-8"?>',
        f"<testsuite name={_quoted(suite)} {totals}>",
        *_properties(properties or {}),
        *(line for case in cases for line in _case(case)),
        "</testsuite>",
    ]
    return "\n".join(lines) + "\n"


def _case(case: Case) -> Iterable[str]:
    time = f' time="{case.seconds:.3f}"' if case.seconds is not None else ""
    yield f"<testcase name={_quoted(case.name)} classname={_quoted(case.group)}{time}>"
    yield from _properties(case.properties)
    if case.outcome != "passed":
        kind = f" type={_quoted(case.kind)}" if case.kind else ""
        yield f"<{case.outcome} message={_quoted(case.message)}{kind}>{escape(_clean(case.message))}</{case.outcome}>"
    yield "</testcase>"


def _properties(properties: Mapping[str, str]) -> list[str]:
    if not properties:
        return []
    return [
        "<properties>",
        *(f"<property name={_quoted(name)} value={_quoted(value)}/>" for name, value in properties.items()),
        "</properties>",
    ]


def _clean(text: str) -> str:
    return _NOT_XML.sub("\ufffd", visible(text))


def _quoted(text: str) -> str:
    return quoteattr(_clean(text))

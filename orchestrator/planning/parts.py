"""The parts of a plan that are right by themselves, whatever is wrong with the others.

Names are looked up across the parts that are left, so that a missing unit in one place does not hide an unknown host in
another: everything is said in one go.
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from typing import Any

from pydantic import TypeAdapter, ValidationError

from orchestrator.planning import grammar, links, model_errors
from orchestrator.planning.document import Document, Json, Path

_ENTRIES: dict[str, Any] = {
    "hosts": grammar.Host,
    "links": links.Link,
    "hold": grammar.Hold,
    "factors": grammar.AnyFactor,
    "leave_out": grammar.Condition,
}


@dataclass(frozen=True)
class Parts:
    """What can be used of a plan file; entries of lists keep their number."""

    top: grammar.PlanText
    hosts: dict[str, grammar.Host]
    links: dict[str, links.Link]
    hold: dict[int, grammar.Hold]
    factors: dict[str, grammar.Factor]
    leave_out: dict[int, grammar.Condition]

    def complete(self, document: Document) -> bool:
        """Whether everything that makes the cells could be used, whatever is wrong elsewhere."""
        return all(
            len(getattr(self, section)) == len(part if isinstance(part := document.at((section,)), dict | list) else ())
            for section in ("links", "hold", "factors", "leave_out")
        )


def validated(document: Document) -> Parts:
    """The usable parts; what is wrong with the others is noted in the document."""
    try:
        text = grammar.PlanText.model_validate(document.data)
    except ValidationError as error:
        return _survivors(document, model_errors.report(document, error))
    return Parts(
        text, text.hosts, text.links, dict(enumerate(text.hold)), text.factors, dict(enumerate(text.leave_out))
    )


def _survivors(document: Document, failed: set[Path]) -> Parts:
    """The parts that nothing failed in."""
    data = document.data if isinstance(document.data, dict) else {}
    whole = {path[0] for path in failed if path and (len(path) == 1 or path[0] not in _ENTRIES)}
    known = set(model_errors.keys(grammar.PlanText)) - set(_ENTRIES) - whole
    top = {key: value for key, value in data.items() if key in known}
    entries = {section: _entries(section, data.get(section), failed) for section in _ENTRIES if section not in whole}
    return Parts(
        grammar.PlanText.model_validate({"plan": "nameless", **top, "hosts": {}, "links": {}}),
        *(entries.get(section, {}) for section in _ENTRIES),
    )


def _entries(section: str, value: Json, failed: set[Path]) -> dict[Any, Any]:
    """The entries of one section, by name or number, without the keys that failed in them."""
    pairs = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    adapter: TypeAdapter[Any] = TypeAdapter(_ENTRIES[section])
    found = {}
    for key, entry in pairs:
        within = [path[2:] for path in failed if path[:2] == (section, key)]
        if () in within:
            continue
        bad = {path[0] for path in within}
        with contextlib.suppress(ValidationError):  # what it cannot do without has failed, and is already noted
            kept = (
                {name: part for name, part in entry.items() if name not in bad}
                if bad and isinstance(entry, dict)
                else entry
            )
            found[key] = adapter.validate_python(kept)
    return found

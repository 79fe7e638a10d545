"""What the plan file's grammar has and this version does not carry out yet. Shorten this list as rooms are built."""

from __future__ import annotations

from collections.abc import Iterator

from orchestrator.planning.document import Document, Json, Path

# (where it stands; the value that is meant, or ANY; what to say)
ANY = object()
NOT_YET: tuple[tuple[Path, object, str], ...] = (
    (("hosts", "*", "power_cycle"), ANY, "switching a host's power"),
)


def refuse_not_yet(document: Document) -> None:
    """Note a problem for every part of the plan that this version does not carry out."""
    for pattern, meant, words in NOT_YET:
        for path, value in _found(document.data, pattern, ()):
            if (
                meant is ANY
                or value is meant
                or (isinstance(meant, str) and value == meant)
                or (isinstance(meant, type) and isinstance(value, meant))
            ):
                document.report(path, "not-yet", f"not yet: {words}", "leave it out for now", key=meant is ANY)


def _found(value: Json, pattern: Path, path: Path) -> Iterator[tuple[Path, Json]]:
    """Every (path, value) that the pattern names."""
    if not pattern:
        yield path, value
        return
    step, rest = pattern[0], pattern[1:]
    if isinstance(value, dict):
        for key in list(value) if step == "*" else [step] if step in value else []:
            yield from _found(value[str(key)], rest, (*path, key))
    elif isinstance(value, list) and step == "*":
        for number, part in enumerate(value):
            yield from _found(part, rest, (*path, number))

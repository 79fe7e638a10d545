"""A journal taken apart and put together again, with checksums that hold, as any stranger can make them."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from orchestrator.decide.journal_lines import START, Entry, encode

Bodies = list[tuple[str, Any]]


def read_bodies(path: Path) -> Bodies:
    """(kind, body) of every whole line."""
    lines = path.read_bytes().split(b"\n")[:-1]
    return [(found["kind"], found["body"]) for found in map(json.loads, lines)]


def write_bodies(path: Path, bodies: Iterable[tuple[str, Any]]) -> None:
    """Write them as a journal that is believed."""
    total, lines = START, []
    for number, (kind, body) in enumerate(bodies, 1):
        line, total = encode(Entry(number, "2026-01-01T00:00:00.000+00:00", kind, body), total)
        lines.append(line + "\n")
    path.write_text("".join(lines))

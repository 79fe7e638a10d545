"""Where `Any` stands: the list of borders in tests/house/untyped.txt, from the code: `python -m tests.testing.untyped`.

A border is where what has no type yet comes in (a message, a file, a library) and gets one. The list may only get
shorter: renew it after types have come in.
"""

from __future__ import annotations

import ast
from pathlib import Path

from tests.testing.source import ROOT, files, name_of, nodes

LIST = ROOT / "tests" / "house" / "untyped.txt"
WANTED = 150  # in the whole package, each at a border
_HEAD = f"""# How often `Any` stands in each file that has any: python -m tests.testing.untyped renews this list.
# It may only get shorter; {WANTED} in all is the aim.
"""


def anys(path: Path) -> int:
    """How often `Any` stands in a file, its import aside."""
    return sum(
        (isinstance(node, ast.Name) and node.id == "Any") or (isinstance(node, ast.Attribute) and node.attr == "Any")
        for node in nodes(path)
    )


def found() -> dict[str, int]:
    """By file, those that have any."""
    return {name_of(path): count for path in files() if (count := anys(path))}


def listed() -> dict[str, int]:
    """The list as it is."""
    rows = [line.split() for line in LIST.read_text().splitlines() if not line.startswith("#")]
    return {name: int(count) for count, name in rows}


def text() -> str:
    """The list as it would be now."""
    counts = found()
    rows = (f"{count:4d} {name}\n" for name, count in counts.items())
    return f"{_HEAD}# Now: {sum(counts.values())}\n" + "".join(rows)


if __name__ == "__main__":
    LIST.write_text(text())

"""The words of plans, tables and reports as a Markdown page: `plans/words.md` is made by it."""

from __future__ import annotations

from orchestrator.words import glossary, statuses
from orchestrator.words.exit_codes import MEANINGS

_HEAD = """\
# The words

Made by `linktrial explain --markdown > plans/words.md`; a test holds it to the code. `linktrial explain WORD` says the
same, and explains codes, columns, settings and exit codes too.
"""


def page() -> str:
    """The whole page."""
    words = [f"| {word.word} | {_plain(word.meaning)} | {_plain(word.source)} |" for word in glossary.WORDS.values()]
    status = [f"| `{name}` | {_plain(meaning)} |" for name, meaning in statuses.MEANINGS.items()]
    codes = [f"| {int(code)} | {_plain(meaning)} |" for code, meaning in MEANINGS.items()]
    parts = [
        _HEAD,
        "\n".join(["| word | meaning | whose |", "|---|---|---|", *words]),
        "## Status of a trial",
        "\n".join(["| status | meaning |", "|---|---|", *status]),
        "## Exit codes",
        "\n".join(["| code | meaning |", "|---|---|", *codes]),
    ]
    return "\n\n".join(part.strip() for part in parts) + "\n"


def _plain(text: str) -> str:
    """Text in which Markdown sees no column's end."""
    return text.replace("|", "\\|")

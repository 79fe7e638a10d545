"""Lines of a trial in a boot file, marked so that everybody sees whose they are. Pure."""

from __future__ import annotations

from typing import List

FIRST, LAST = b"# linktrial: lines of a trial, for one start only", b"# linktrial: end"
BLOCK, WORDS = "block", "words"
FORMS = (BLOCK, WORDS)


def with_lines(original: bytes, lines: List[str], form: str) -> bytes:
    """The file's bytes with the lines added; without lines the original itself.

    `block`: between two comments at the end. `words`: as words at the end of the only line, for files that have one.
    """
    if not lines:
        return original
    if form == WORDS:
        text = original.rstrip(b"\n")
        return b" ".join([*([text] if text else []), *(line.encode() for line in lines)]) + b"\n"
    start = original if original.endswith(b"\n") or not original else original + b"\n"
    return start + b"\n".join([FIRST, *(line.encode() for line in lines), LAST]) + b"\n"


def added_words(original: bytes, wanted: bytes) -> bytes:
    """What was added to the only line of a file, with the space before it; empty where something else was done."""
    start = original.rstrip(b"\n")
    added = wanted[len(start) :].rstrip(b"\n") if wanted.startswith(start) else b""
    return added if added.startswith(b" ") and b"\n" not in wanted.rstrip(b"\n") else b""


def cannot_have_words(original: bytes) -> str:
    """Why words cannot be added to this file; empty when they can."""
    lines = [line for line in original.splitlines() if line.strip()]
    if len(lines) > 1:
        return f"it has {len(lines)} lines, and words are added to a file of one line"
    return "its line is a comment" if lines and lines[0].lstrip().startswith(b"#") else ""

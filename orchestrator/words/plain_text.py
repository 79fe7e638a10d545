"""Text that came from a host or a plan, made safe to show: nothing in it can move a cursor or turn the line round.

Pure. Every table, page and screen passes foreign text through here, so that a host named by an attacker stays a name.
"""

from __future__ import annotations

import re
from typing import Any

# C0 and C1 control characters move a terminal's cursor; bidirectional controls reorder what a reader sees (Unicode
# UAX #9); lone surrogates cannot be written as UTF-8; U+2028 and U+2029 end a line in some readers.
_UNSAFE = re.compile("[\x00-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufeff]")


def _escape(found: re.Match[str]) -> str:
    code = ord(found.group())
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}"


def visible(value: Any) -> str:
    r"""`value` as one line of text; each unsafe character becomes its escape, for example `\x1b`; None becomes ''."""
    if value is None:
        return ""
    return _UNSAFE.sub(_escape, value if isinstance(value, str) else str(value))


def shortened(value: Any, most: int) -> str:
    """`visible(value)` of at most `most` characters, with … where it was cut."""
    text = visible(value)
    return text if len(text) <= most else text[: most - 1] + "…"

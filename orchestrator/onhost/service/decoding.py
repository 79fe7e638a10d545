"""The text of a message, read as what the other side may say and nothing else. Shared by controller and host.

Whoever sends may be anybody: the text is bounded in parts before anything is made of it, because an octet of it can
take thirty of memory, and in depth after; a key may stand once; numbers are finite and no longer than ours are.
"""

from __future__ import annotations

import json
import math
import re
from typing import Dict, Iterable, List, Tuple

MAX_PARTS = 1 << 18  # a host of a thousand interfaces takes half of it to say how each was found
DEEPEST = 32
PART_BYTES = 100  # about what one part takes here, at the worst
_MAX_DIGITS = 24  # counters have 64 bits, which is 20 digits
# What ordinary messages have none of; only those that do are read the slow way.
_UNUSUAL = re.compile(rb"[0-9]{%d}|[eE]\+?[0-9]{3}|NaN|Infinity|\\u[dD][89a-fA-F]" % (_MAX_DIGITS + 1))
_LONE_SURROGATE = re.compile("[\ud800-\udfff]")


def parts_in(body: bytes) -> int:
    """How many values a text may hold, at the most."""
    return body.count(b",") + body.count(b"[") + body.count(b"{") + 1


def decode(body: bytes) -> Dict[str, object]:
    """The object that `body` is the text of; ValueError says in words why it is none of ours."""
    parts = parts_in(body)
    if parts > MAX_PARTS:
        raise ValueError("it has more than %d parts" % MAX_PARTS)
    unusual = _UNUSUAL.search(body) is not None
    try:
        text = body.decode("ascii")
        found = (
            json.loads(
                text, object_pairs_hook=_object, parse_int=_whole, parse_float=_number, parse_constant=_no_number
            )
            if unusual
            else json.loads(text, object_pairs_hook=_object)
        )
    except RecursionError:
        raise ValueError("it is nested more than %d deep" % DEEPEST) from None
    if not isinstance(found, dict):
        raise ValueError("it is no object")
    if body.count(b"[") + body.count(b"{") > DEEPEST:
        _check_depth(found)
    return {_whole_characters(key): _spelled(value) for key, value in found.items()} if unusual else found


def _object(pairs: List[Tuple[str, object]]) -> Dict[str, object]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key stands twice in it")
    return found


def _whole(digits: str) -> int:
    if len(digits) > _MAX_DIGITS:
        raise ValueError("a number in it has %d digits" % len(digits))
    return int(digits)


def _number(text: str) -> float:
    if len(text) > 2 * _MAX_DIGITS or not math.isfinite(float(text)):
        raise ValueError("a number in it is none that we write")
    return float(text)


def _no_number(word: str) -> float:
    raise ValueError("%s is no number" % word)


def _check_depth(found: Dict[str, object]) -> None:
    level: List[object] = [found]
    for _ in range(DEEPEST):
        level = [inner for outer in level for inner in _parts_of(outer) if isinstance(inner, (dict, list))]
        if not level:
            return
    raise ValueError("it is nested more than %d deep" % DEEPEST)


def _parts_of(found: object) -> Iterable[object]:
    return found.values() if isinstance(found, dict) else found if isinstance(found, list) else ()


def _spelled(value: object) -> object:
    """The same without half characters, which no file could be written with: a name on a host may have any octets."""
    if isinstance(value, str):
        return _whole_characters(value)
    if isinstance(value, list):
        return [_spelled(one) for one in value]
    if isinstance(value, dict):
        return {_whole_characters(key): _spelled(one) for key, one in value.items()}
    return value


def _whole_characters(text: str) -> str:
    return _LONE_SURROGATE.sub("\ufffd", text)

"""Answers as a broken or hostile host may give them: what a host really said, changed in some places by chance."""

from __future__ import annotations

import copy
import gzip
import json
import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

RECORDED = json.loads(gzip.decompress((Path(__file__).parent / "recorded.json.gz").read_bytes()))
ESCAPES = "\x1b[2J\x1b]0;painted\x07\x9b5A\r\n\u202egnp.exe\u2066 forged line"


def deep(depth: int) -> Any:
    """A list in a list, so many times."""
    value: Any = []
    for _ in range(depth):
        value = [value]
    return value


def odd_values(dice: random.Random) -> Any:
    """Something of another type, size or meaning than any answer has."""
    return dice.choice(
        [
            None,
            True,
            False,
            0,
            -1,
            1,
            2**31,
            -(2**63),
            2**64,
            10**30,
            10**4000,
            0.5,
            -0.5,
            1e308,
            1e-308,
            "",
            "0",
            "x",
            ESCAPES,
            "9" * 5000,
            "\ud800",
            "\u0000",
            [],
            {},
            [[]],
            [None],
            {"": None},
            deep(dice.choice((5, 100, 250))),
            [0] * 5000,
            {str(number): number for number in range(500)},
            "x" * 100_000,
            dice.getrandbits(64),
            dice.random(),
        ]
    )


def places(value: Any) -> Iterator[tuple[Any, Any]]:
    """(container, key) of everything inside a value."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, one in list(inner):
        yield value, key
        yield from places(one)


def mutated(content: Any, dice: random.Random) -> Any:
    """The content with one to three places replaced, removed, doubled, renamed or exchanged."""
    changed: Any = copy.deepcopy(content)
    if dice.random() < 0.03:
        return odd_values(dice)
    for _ in range(dice.choice((1, 1, 1, 2, 3))):
        found = list(places(changed))
        if not found:
            return odd_values(dice)
        container, key = dice.choice(found)
        _change(container, key, found, dice)
    return changed


def _change(container: Any, key: Any, found: list[tuple[Any, Any]], dice: random.Random) -> None:
    what = dice.choice(("replace", "replace", "replace", "remove", "exchange", "more", "sign", "rename"))
    value = container[key]
    if what == "remove":
        del container[key]
    elif what == "exchange":
        other, there = dice.choice(found)
        container[key] = copy.deepcopy(other[there]) if _has(other, there) else None
    elif what == "more" and isinstance(container, list):
        container.extend([copy.deepcopy(value)] * dice.choice((1, 2, 300)))
    elif what == "sign" and isinstance(value, (int, float)) and not isinstance(value, bool):
        container[key] = dice.choice((-value, value * 10**12, value + 1, -value - 1, 0.25))
    elif what == "rename" and isinstance(container, dict):
        container[dice.choice(("", ESCAPES, f"{key}x"))] = container.pop(key)
    else:
        container[key] = odd_values(dice)


def _has(container: Any, key: Any) -> bool:
    return key in container if isinstance(container, dict) else isinstance(container, list) and key < len(container)


def text_of(content: Any, dice: random.Random) -> bytes:
    """A message's body as octets; now and then with what json would not write: NaN, a key twice, other octets."""
    body = json.dumps(content, separators=(",", ":")).encode()
    if dice.random() < 0.05:
        at = dice.randrange(len(body) + 1)
        odd = (b"NaN", b"1e999", b'"id":1,', b"\xff\xfe", b"\\ud800", b"[" * 2000, b"9" * 30)
        body = body[:at] + dice.choice(odd) + body[at:]
    return body

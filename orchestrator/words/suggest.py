"""The name that was probably meant."""

from __future__ import annotations

from collections.abc import Iterable

_FAR = 0.34  # edits per letter beyond which a guess confuses more than it helps
_LONGEST = 64


def closest(word: str, names: Iterable[str]) -> str:
    """The name nearest to `word`, or "" when none is near."""
    if not 0 < len(word) <= _LONGEST:
        return ""
    plain = _plain(word)
    names = list(names)
    ranked = sorted(
        (_edits(plain, _plain(name)), place, name) for place, name in enumerate(names) if len(name) <= _LONGEST
    )
    if not ranked:
        return ""
    longer = [name for name in names if _plain(name).startswith(plain)] if len(plain) > 1 else []
    if len(longer) == 1:
        return longer[0]
    edits, _, name = ranked[0]
    return name if edits <= max(1, _FAR * max(len(word), len(name))) and edits < len(name) else ""


def _plain(word: str) -> str:
    """Case and the choice between - and _ do not make another word."""
    return word.casefold().replace("-", "_")


def _edits(one: str, two: str) -> int:
    """Insertions, deletions, replacements and swaps of neighbours that turn one into two."""
    before: list[int] = []
    row = list(range(len(two) + 1))
    for i, letter in enumerate(one, 1):
        earlier, before, row = before, row, [i]
        for j, other in enumerate(two, 1):
            cost = min(before[j] + 1, row[j - 1] + 1, before[j - 1] + (letter != other))
            if i > 1 and j > 1 and letter == two[j - 2] and one[i - 2] == other:
                cost = min(cost, earlier[j - 2] + 1)
            row.append(cost)
    return row[-1]

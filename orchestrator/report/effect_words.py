"""What the factors do, in sentences: `Jumbo frames: +27 % (24 to 30) when clock is powersave, +3 % (1 to 5) otherwise`.

Pure; the figures are those of results.effects.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from orchestrator.report.wording import decimals_for, listed, significant
from orchestrator.results.effects import LEVEL, Change, Effects, Interplay, Response
from orchestrator.results.plain_text import visible

_ORDINARY_MTU = 1500
_BY_CHANCE = "not clear"


@dataclass(frozen=True)
class Sentence:
    """One factor's answer; `share` of the variation of the response orders them."""

    factor: str
    share: float
    text: str


def effect_sentences(effects: Effects, threshold_ratio: float = 0.03) -> list[Sentence]:
    """A sentence for each level of each factor, the factor that matters most first.

    `threshold_ratio` is the difference that matters (of losses: the difference of their ratios).
    """
    share = {term.factors[0]: term.share for term in effects.variation.terms if len(term.factors) == 1}
    found = [Sentence(change.factor, share.get(change.factor, 0.0),
                      f"{_label(change)}: {_said(effects, change, threshold_ratio)}.")
             for change in effects.changes if change.when is None and not math.isnan(change.estimate)]
    return sorted(found, key=lambda sentence: -sentence.share)


def share_sentence(effects: Effects, most: int = 4) -> str:
    """Where the variation of a response comes from: the greatest shares, and what replicates differ by."""
    parts = [f"{listed([visible(name) for name in term.factors], 'with')} {100 * term.share:.0f} %"
             for term in effects.variation.terms[:most] if term.share >= 0.005]
    rest = f"what replicates of one cell differ by {significant(100 * effects.variation.rest_share, 2)} %"
    return f"Share of the variation of {effects.response.name}: {', '.join([*parts, rest])}."


def _label(change: Change) -> str:
    level, reference = visible(change.level), visible(change.reference)
    if change.factor == "mtu" and _whole(reference) <= _ORDINARY_MTU < _whole(level):
        return f"Jumbo frames (mtu {level} instead of {reference})"
    return f"{visible(change.factor)} {level} instead of {reference}"


def _whole(text: str) -> int:
    return int(text) if text.isdecimal() else 0


def _said(effects: Effects, change: Change, threshold: float) -> str:
    other = _depends_on(effects.interplays, change, threshold)
    if other is None:
        return _amount(change, effects.response, threshold)
    parts = [one for one in effects.changes if one.factor == change.factor and one.level == change.level
             and one.when is not None and one.when[0] == other]
    parts.sort(key=lambda one: -abs(one.estimate))
    said = [f"{_amount(one, effects.response, threshold)} when {visible(other)} is {visible((one.when or ('', ''))[1])}"
            for one in parts]
    if len(parts) == 2:
        said[1] = f"{_amount(parts[1], effects.response, threshold)} otherwise"
    return ", ".join(said)


def _depends_on(interplays: Sequence[Interplay], change: Change, threshold: float) -> str | None:
    """The factor on which the change depends most, when that is beyond chance and beyond the threshold."""
    found = [(abs(one.estimate), other) for one in interplays for other in _other_of(one, change)
             if one.p_value is not None and one.p_value < LEVEL and abs(one.estimate) >= threshold]
    return max(found)[1] if found else None


def _other_of(interplay: Interplay, change: Change) -> Iterator[str]:
    if (interplay.factor, interplay.level) == (change.factor, change.level):
        yield interplay.other
    if (interplay.other, interplay.other_level) == (change.factor, change.level):
        yield interplay.factor


def _amount(change: Change, response: Response, threshold: float) -> str:
    unit = "%" if response.relative else "points"
    if change.low is None or change.high is None:
        return f"{_signed(100 * change.estimate, 1)} {unit} (one replicate: no interval)"
    decimals = min(3, decimals_for(100 * (change.high - change.low) / 2))
    ends = f"({_plain(100 * change.low, decimals)} to {_plain(100 * change.high, decimals)})"
    text = f"{_signed(100 * change.estimate, decimals)} {unit} {ends}"
    if change.low <= 0 <= change.high:
        within = -threshold < change.low and change.high < threshold
        verdict = f"no difference beyond {significant(100 * threshold, 2)} {unit}" if within else _BY_CHANCE
        return f"{verdict}, {text}"
    return text


def _signed(value: float, decimals: int) -> str:
    return f"{value:+.{decimals}f}"


def _plain(value: float, decimals: int) -> str:
    return f"{value:.{decimals}f}"

"""The sentences about effects say what the figures say, and no more than their intervals allow."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from orchestrator.report.effect_words import effect_sentences, share_sentence
from orchestrator.results.effects import RESPONSES, Change, Effects, Interplay
from orchestrator.results.grid import Grid
from orchestrator.results.variation import Term, Variation

GOODPUT, LOSS = RESPONSES[0], RESPONSES[1]
GRID = Grid((), {}, (), np.zeros((0, 0)))
SHARES = Variation((Term(("clock",), 71, 1, .71), Term(("mtu",), 18, 1, .18), Term(("mtu", "clock"), 9, 1, .09)), 2, 8,
                   100)


def _change(factor: str, level: str, reference: str, figures: tuple[float, float | None, float | None],
            when: tuple[str, str] | None = None) -> Change:
    return Change(factor, level, reference, when, *figures, blocks=5)


def _effects(changes: list[Change], interplays: tuple[Interplay, ...] = ()) -> Effects:
    return Effects("trunk", "transmit", GOODPUT, GRID, SHARES, tuple(changes), interplays)


MTU = [_change("mtu", "9000", "1500", (.14, .12, .16)),
       _change("mtu", "9000", "1500", (.03, .01, .05), ("clock", "performance")),
       _change("mtu", "9000", "1500", (.27, .24, .30), ("clock", "powersave"))]
INTERPLAY = Interplay("mtu", "9000", "1500", "clock", "performance", "powersave", -.19, 0.001)


def test_a_change_that_depends_on_another_factor_is_said_for_each_of_its_levels() -> None:
    sentence, = effect_sentences(_effects(MTU, (INTERPLAY,)))
    assert sentence.text == ("Jumbo frames (mtu 9000 instead of 1500): +27.0 % (24.0 to 30.0) when clock is powersave, "
                             "+3.0 % (1.0 to 5.0) otherwise.")


@pytest.mark.parametrize("interplay", [replace(INTERPLAY, p_value=0.2), replace(INTERPLAY, estimate=-0.01),
                                       replace(INTERPLAY, p_value=None)])
def test_a_dependence_that_is_chance_or_too_small_to_matter_is_not_said(interplay: Interplay) -> None:
    sentence, = effect_sentences(_effects(MTU, (interplay,)))
    assert sentence.text.endswith("+14.0 % (12.0 to 16.0).")


def test_a_pair_of_factors_is_known_from_either_side() -> None:
    clock = [_change("clock", "performance", "powersave", (.20, .19, .21)),
             _change("clock", "performance", "powersave", (.30, .29, .31), ("mtu", "1500")),
             _change("clock", "performance", "powersave", (.05, .04, .06), ("mtu", "9000"))]
    sentence, = effect_sentences(_effects(clock, (INTERPLAY,)))
    assert sentence.text == ("clock performance instead of powersave: +30.0 % (29.0 to 31.0) when mtu is 1500, "
                             "+5.0 % (4.0 to 6.0) otherwise.")


@pytest.mark.parametrize(("figures", "text"), [
    ((.01, -.04, .06), "not clear, +1 % (-4 to 6)"),
    ((.001, -.01, .012), "no difference beyond 3.0 %, +0.1 % (-1.0 to 1.2)"),
    ((.12, None, None), "+12.0 % (one replicate: no interval)"),
    ((-.061, -.0793, -.043), "-6.1 % (-7.9 to -4.3)"),
])
def test_an_interval_decides_how_much_is_said(figures: tuple[float, float | None, float | None], text: str) -> None:
    sentence, = effect_sentences(_effects([_change("ring", "4096", "256", figures)]))
    assert sentence.text == f"ring 4096 instead of 256: {text}."


def test_what_matters_most_comes_first() -> None:
    found = effect_sentences(_effects([MTU[0], _change("clock", "performance", "powersave", (.3, .2, .4))]))
    assert [sentence.factor for sentence in found] == ["clock", "mtu"]


def test_losses_are_points() -> None:
    made = replace(_effects([_change("mtu", "9000", "1500", (.004, .001, .007))]), response=LOSS)
    sentence, = effect_sentences(made)
    assert sentence.text.endswith("+0.40 points (0.10 to 0.70).")


def test_shares_are_named_with_what_is_left() -> None:
    assert share_sentence(_effects([])) == (
        "Share of the variation of goodput: clock 71 %, mtu 18 %, mtu with clock 9 %, what replicates of one cell "
        "differ by 2.0 %.")


def test_a_hostile_level_stays_text() -> None:
    sentence, = effect_sentences(_effects([_change("ring", "\x1b[31m", "256", (.1, .05, .15))]))
    assert "\x1b" not in sentence.text

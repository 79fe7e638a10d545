"""Fractional factorials against the published catalogues, and effects against Jain and Box-Hunter-Hunter."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from orchestrator.planning.fraction import Fraction, alias_sentences, effect_name, fraction
from orchestrator.results.statistics.screen import screened, screens_of

FULL_3 = fraction(["A", "B", "C"])


def _effects(design: Fraction, values: list[list[float]]) -> dict[str, float]:
    found = {effect_name(design, one.factors): one.difference for one in screened(design, values).effects}
    found["mean"] = screened(design, values).mean
    return found


# factors, runs, resolution: the catalogue of e-Handbook 5.3.3.4.7 and of Box, Hunter and Hunter (from memory)
@pytest.mark.parametrize(
    ("factors", "resolution", "runs", "reached"),
    [
        (3, 3, 4, 3),
        (4, 4, 8, 4),
        (5, 5, 16, 5),
        (6, 4, 16, 4),
        (6, 5, 32, 6),
        (7, 4, 16, 4),
        (8, 4, 16, 4),
        (7, 3, 8, 3),
        (8, 5, 64, 5),
        (9, 4, 32, 4),
        (15, 3, 16, 3),
        (10, 4, 32, 4),
        (15, 4, 32, 4),
    ],
)
def test_fractions_are_as_small_as_the_catalogues(factors: int, resolution: int, runs: int, reached: int) -> None:
    design = fraction([f"f{number}" for number in range(factors)], resolution=resolution)
    assert (len(design.runs), design.resolution) == (runs, reached)
    assert len(set(design.runs)) == runs


@pytest.mark.parametrize("factors", range(2, 11))
def test_columns_are_balanced_and_orthogonal(factors: int) -> None:
    table = np.array(fraction([f"f{number}" for number in range(factors)]).runs)
    assert (table.sum(axis=0) == 0).all()
    assert (table.T @ table == len(table) * np.eye(factors)).all()


def test_the_half_fraction_of_four_factors() -> None:
    """Box, Hunter and Hunter ch. 6: D = ABC, I = ABCD, so AB = CD, AC = BD, AD = BC."""
    design = fraction("ABCD")
    assert design.generators == {"D": ("A", "B", "C")}
    assert design.words == (frozenset("ABCD"),)
    assert alias_sentences(design) == [
        "A with B = C with D cannot be told apart",
        "A with C = B with D cannot be told apart",
        "A with D = B with C cannot be told apart",
    ]


def test_words_say_what_is_aliased_and_nothing_else() -> None:
    """Two columns that are the same in every run, counted from the runs themselves."""
    design = fraction([f"f{number}" for number in range(7)], resolution=3)
    effects = [frozenset(names) for size in (1, 2) for names in itertools.combinations(design.factors, size)]
    table = np.array(design.runs)
    column = {
        effect: tuple(np.prod([table[:, design.factors.index(name)] for name in effect], axis=0)) for effect in effects
    }
    for effect in effects:
        same = {
            other
            for other in effects
            if other != effect and column[other] in (column[effect], tuple(-sign for sign in column[effect]))
        }
        assert set(design.aliases(effect)) == same


def test_seven_factors_have_the_min_aberration_of_the_catalogue() -> None:
    """2^(7-3) IV of the catalogues: seven words of length four and none else."""
    assert [len(word) for word in fraction("ABCDEFG").words] == [4] * 7


def test_all_combinations_when_no_fraction_is_clear_enough() -> None:
    assert FULL_3.resolution is None
    assert len(FULL_3.runs) == 8
    assert alias_sentences(FULL_3) == ["all factors and all pairs of factors can be told apart"]
    assert len(fraction("ABCD", resolution=5).runs) == 16


@pytest.mark.parametrize("factors", ["A", "AA", "ABCDEFGHIJKLMNOP"])
def test_one_factor_or_the_same_twice_or_too_many_are_refused(factors: str) -> None:
    with pytest.raises(ValueError, match="2 to 15 different factors"):
        fraction(factors)


def test_the_effects_of_jain_17_2() -> None:
    """Jain 1991 ch. 17: y = 14 22 10 34 46 58 50 86; half-effects 40 10 5 20 5 2 3 (ours are the full differences)."""
    found = _effects(FULL_3, [[14], [22], [10], [34], [46], [58], [50], [86]])
    assert found == {"mean": 40, "A": 20, "B": 10, "C": 40, "A with B": 10, "A with C": 4, "B with C": 6}


def test_the_pilot_plant_of_box_hunter_and_hunter() -> None:
    """T fastest, then C, then K: 60 72 54 68 52 83 45 80; mean 64.25, T 23 (read), C -5, K 1.5, TC 1.5, TK 10, CK 0."""
    found = _effects(fraction(["T", "C", "K"]), [[60], [72], [54], [68], [52], [83], [45], [80]])
    assert found == {"mean": 64.25, "T": 23, "C": -5, "K": 1.5, "T with C": 1.5, "T with K": 10, "C with K": 0}


def test_the_intervals_of_jain_18() -> None:
    """Jain 1991 ch. 18, 2^2 with three replicates: s 3.5707 on 8; 90 % of q_A (19.583, 23.417), B (7.583, 11.417).

    Computed in check values 10.3 (the book's rounded figures agree): half-effects, so ours are twice these.
    """
    design = fraction(["A", "B"])
    found = screened(design, [[15, 18, 12], [45, 48, 51], [25, 28, 19], [75, 75, 81]], level=0.90)
    assert found.mean == 41
    assert (found.deviation, found.degrees) == (pytest.approx(3.5707, abs=5e-5), 8)
    halves = {
        effect_name(design, one.factors): (one.difference / 2, (one.low or 0) / 2, (one.high or 0) / 2)
        for one in found.effects
    }
    assert halves == {
        "A": pytest.approx((21.5, 19.583, 23.417), abs=5e-4),
        "B": pytest.approx((9.5, 7.583, 11.417), abs=5e-4),
        "A with B": pytest.approx((5, 3.083, 6.917), abs=5e-4),
    }
    assert [effect_name(design, one.factors) for one in found.effects] == ["A", "B", "A with B"]


def test_a_screen_finds_the_two_that_matter_among_seven() -> None:
    design = fraction(["mtu", "clock", "ring", "gro", "tso", "steer", "pause"])
    chance = np.random.default_rng(8)
    values = [
        [100 + 10 * run[0] + 4 * run[3] + float(noise) for noise in chance.normal(0, 0.5, 2)] for run in design.runs
    ]
    first, second, third, *_ = screened(design, values).effects
    assert [effect_name(design, one.factors) for one in (first, second)] == ["mtu", "gro"]
    assert first.low is not None
    assert first.high is not None
    assert first.low < 20 < first.high
    assert abs(third.difference) < 1


def test_one_replicate_has_no_interval_and_missing_runs_are_refused() -> None:
    found = screened(FULL_3, [[1], [2], [3], [4], [5], [6], [7], [8]])
    assert (found.deviation, found.effects[0].low) == (None, None)
    for values in ([[1]] * 7, [[1]] * 7 + [[1, 2]], [[]] * 8):
        with pytest.raises(ValueError, match="same number of values for each of its 8 runs"):
            screened(FULL_3, values)


# What a run with a screen leaves: run.json's part of it, and trials.csv.
DESIGN = fraction(["T", "C", "K"])
RUN = {"screen": {**DESIGN.as_dict(), "levels": {name: ["low", "high"] for name in "TCK"}}}
PILOT_PLANT = [60, 72, 54, 68, 52, 83, 45, 80]


def _trials(values: list[list[float]], **other: object) -> pd.DataFrame:
    """Goodput whose logarithm is value / 100, run by run and block by block."""
    rows = [
        {
            "cell": cell + 1,
            "block": block + 1,
            "whole_plot": block * 100 + cell,
            "way": "transmit",
            "link": "uplink",
            "role": "measure",
            "status": "valid",
            "goodput_bit_s": math.exp(value / 100),
            **{name: "high" if sign > 0 else "low" for name, sign in zip("TCK", DESIGN.runs[cell], strict=True)},
            **other,
        }
        for cell, run in enumerate(values)
        for block, value in enumerate(run)
    ]
    return pd.DataFrame(rows)


def test_the_pilot_plant_as_a_run_gives_the_published_effects() -> None:
    """Box, Hunter and Hunter, check values 10.4, through run.json and trials.csv on the scale of logarithms."""
    (screen,) = screens_of(RUN, _trials([[value] for value in PILOT_PLANT]))
    assert screen.found is not None
    found = {effect_name(screen.design, one.factors): 100 * one.difference for one in screen.found.effects}
    assert found == {
        "T": pytest.approx(23),
        "C": pytest.approx(-5),
        "K": pytest.approx(1.5),
        "T with C": pytest.approx(1.5),
        "T with K": pytest.approx(10),
        "C with K": pytest.approx(0),
    }
    assert screen.found.effects[0].low is None


def test_block_effects_do_not_widen_an_interval() -> None:
    chance = np.random.default_rng(4)
    noise = chance.normal(0, 0.5, (8, 4))
    plain = [[value + noise[run, block] for block in range(4)] for run, value in enumerate(PILOT_PLANT)]
    moved = [[value + 30 * block for block, value in enumerate(run)] for run in plain]
    found = [screens_of(RUN, _trials(values))[0].found for values in (plain, moved)]
    ends = [[(one.low, one.high) for one in screen.effects] for screen in found if screen is not None]
    assert len(ends) == 2
    assert np.allclose(ends[0], ends[1])


def test_trials_that_share_an_application_of_a_costly_level_count_once_for_each_block() -> None:
    """The interval is then the t interval of the blocks' own estimates, as scipy gives it."""
    chance = np.random.default_rng(5)
    values = [[value + chance.normal(0, 2) for _ in range(5)] for value in PILOT_PLANT]
    trials = _trials(values).assign(whole_plot=lambda rows: rows["block"])
    (screen,) = screens_of(RUN, trials)
    assert (screen.spread, screen.blocks) == ("blocks", 5)
    assert screen.found is not None
    strongest = screen.found.effects[0]
    by_block = [
        np.mean([values[run][block] for run in range(8) if DESIGN.runs[run][0] > 0])
        - np.mean([values[run][block] for run in range(8) if DESIGN.runs[run][0] < 0])
        for block in range(5)
    ]
    low, high = stats.ttest_1samp(by_block, 0).confidence_interval(0.95)
    assert (strongest.low, strongest.high) == (pytest.approx(low / 100), pytest.approx(high / 100))


def test_a_block_without_one_of_its_cells_is_left_out_and_a_cell_that_never_worked_is_named() -> None:
    trials = _trials([[float(value)] * 3 for value in PILOT_PLANT])
    trials.loc[(trials["cell"] == 4) & (trials["block"] == 2), "status"] = "suspect"
    (screen,) = screens_of(RUN, trials)
    assert (screen.blocks, screen.of_blocks, screen.missing) == (2, 3, ())
    trials.loc[trials["cell"] == 4, "status"] = "impossible"
    (screen,) = screens_of(RUN, trials)
    assert (screen.found, screen.missing) == (None, (4,))


def test_direction_can_be_one_of_the_factors() -> None:
    """Each cell then has one way, and what is compared is the cells' own figures."""
    trials = _trials([[float(value)] for value in PILOT_PLANT])
    trials["way"] = np.where(trials["K"] == "high", "receive", "transmit")
    (screen,) = screens_of(RUN, trials)
    assert screen.way == ""
    assert screen.found is not None
    assert 100 * screen.found.effects[0].difference == pytest.approx(23)


@pytest.mark.parametrize(
    "stored",
    [
        None,
        {},
        {"factors": ["T"], "generators": {"Q": ["T"]}},
        {"factors": 7},
        "x",
        {"factors": ["T", "C"], "generators": {}, "levels": {}},
    ],
)
def test_a_broken_run_json_has_no_screen(stored: object) -> None:
    assert screens_of({"screen": stored}, _trials([[1.0]] * 8)) == []

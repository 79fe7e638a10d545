"""Shares of variation and effects against Jain, NIST and Box-Hunter-Hunter examples, and on made runs."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from statsmodels.formula.api import ols

from orchestrator.results.statistics.effects import RESPONSES, Change, Effects, effects
from orchestrator.results.statistics.family import holm
from orchestrator.results.statistics.grid import make_grid
from orchestrator.results.statistics.variation import variation


def _two_level(names: str, values: list[float], replicates: int = 1) -> tuple[list[dict[str, str]], list[float]]:
    """Cells in standard order: the first factor changes fastest."""
    cells = [dict(zip(reversed(names), levels, strict=True)) for levels in itertools.product("-+", repeat=len(names))]
    return [cell for cell in cells for _ in range(replicates)], values


def test_the_shares_of_jain_17_2() -> None:
    """Jain 1991 ch. 17, 2^3 without replicates: SST 4512; A 18, B 4, C 71, AB 4, AC 1, BC 2, ABC 0 %."""
    cells, y = _two_level("ABC", [14, 22, 10, 34, 46, 58, 50, 86])
    found = variation(cells, y, "ABC", order=3)
    shares = {"".join(term.factors): 100 * term.share for term in found.terms}
    assert found.total_sum_squares == pytest.approx(4512)
    assert shares == {
        "A": pytest.approx(17.7, abs=0.05),
        "B": pytest.approx(4.4, abs=0.05),
        "C": pytest.approx(70.9, abs=0.05),
        "AB": pytest.approx(4.4, abs=0.05),
        "AC": pytest.approx(0.7, abs=0.05),
        "BC": pytest.approx(1.6, abs=0.05),
        "ABC": pytest.approx(0.2, abs=0.05),
    }
    assert found.terms[0].factors == ("C",)
    assert found.rest_degrees == 0


def test_the_shares_of_jain_18() -> None:
    """Jain 1991 ch. 18, 2^2 with three replicates: 7032 = 5547 + 1083 + 300 + 102; 78.88, 15.40, 4.27, 1.45 %."""
    cells, y = _two_level("AB", [15, 18, 12, 45, 48, 51, 25, 28, 19, 75, 75, 81], replicates=3)
    found = variation(cells, y, "AB")
    assert [(term.factors, term.sum_squares) for term in found.terms] == [
        (("A",), pytest.approx(5547)),
        (("B",), pytest.approx(1083)),
        (("A", "B"), pytest.approx(300)),
    ]
    assert (found.rest_sum_squares, found.rest_degrees, found.total_sum_squares) == (
        pytest.approx(102),
        8,
        pytest.approx(7032),
    )
    assert [round(100 * term.share, 2) for term in found.terms] == [78.88, 15.4, 4.27]
    assert 100 * found.rest_share == pytest.approx(1.45, abs=5e-3)


def _one_way(groups: list[list[float]]) -> tuple[float, float]:
    cells = [{"A": str(number)} for number, group in enumerate(groups) for _ in group]
    found = variation(cells, [value for group in groups for value in group], "A")
    return found.f_ratio(found.terms[0]), found.p_value(found.terms[0])


def test_the_anova_of_nist_7_4_3_3() -> None:
    """e-Handbook 7.4.3.3: SST 27.897, SSE 17.452 on 12, F 9.59, p 0.00325."""
    groups = [[6.9, 5.4, 5.8, 4.6, 4.0], [8.3, 6.8, 7.8, 9.2, 6.5], [8.0, 10.5, 8.1, 6.9, 9.3]]
    f_ratio, p_value = _one_way(groups)
    assert f_ratio == pytest.approx(9.59, abs=5e-3)
    assert p_value == pytest.approx(0.00325, abs=5e-6)


# NIST StRD one-way sets: resistance of silicon wafers, and atomic weight of silver by two instruments
SIRSTV = [
    [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
    [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
    [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
    [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
    [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
]


def test_the_certified_f_of_sirstv() -> None:
    """NIST StRD SiRstv: F 1.18046237440255 on 4 and 20."""
    assert _one_way(SIRSTV)[0] == pytest.approx(1.18046237440255, rel=1e-9)


# the digits of the weights after 107.868, two instruments
ATMWTAG = [
    [107.868 + int(digits) / 1e7 for digits in words.split()]
    for words in (
        """1568 1465 1572 1785 1446 1903 1526 1494 1616 1587 1519 1486
       1419 1569 1508 1672 1385 1518 1662 1424 1360 1333 1610 1477""",
        """1079 1344 1513 1197 1604 1385 1642 1365 1151 1082 1517 1448
       1198 1482 1334 1609 1101 1512 1469 1360 1254 1261 1450 1368""",
    )
]


def test_the_certified_f_of_atmwtag() -> None:
    """NIST StRD AtmWtAg: F 15.9467335677930 on 1 and 46; values with seven equal leading digits."""
    assert [len(group) for group in ATMWTAG] == [24, 24]
    assert _one_way(ATMWTAG)[0] == pytest.approx(15.9467335677930, rel=1e-8)


def _smls(leading: int, per_cell: int) -> list[list[float]]:
    """The SmLs sets: nine treatments; each has its middle value once, then a tenth below and above it in turn."""
    return [
        [float(f"{leading}.{tenth}") for tenth in [middle, *[middle - 1, middle + 1] * (per_cell // 2)]]
        for middle in (4, 3, 5, 3, 5, 3, 5, 3, 5)
    ]


@pytest.mark.parametrize(
    ("leading", "per_cell", "digits"),
    [(1, 21, 12), (1, 201, 11), (1_000_000, 21, 8), (1_000_000, 201, 8), (10**12, 21, 3), (10**12, 201, 3)],
)
def test_leading_digits_do_not_eat_the_f_ratio(leading: int, per_cell: int, digits: int) -> None:
    """NIST StRD SmLs01, 02, 04, 05, 07, 08: the F ratio is the number of values a treatment, 21 or 201.

    Values near 10^12 have no more than 4 digits after the point in double precision.
    """
    assert _one_way(_smls(leading, per_cell))[0] == pytest.approx(per_cell, rel=10.0**-digits)


def test_shares_of_an_unbalanced_plan_are_those_of_statsmodels_type_ii() -> None:
    chance = np.random.default_rng(3)
    rows = [
        {"a": a, "b": b, "c": c} for a in "xy" for b in "pqr" for c in "mn" for _ in range(int(chance.integers(1, 5)))
    ]
    frame = pd.DataFrame(rows)
    frame["y"] = (
        chance.normal(size=len(frame)) + (frame["a"] == "x") * 2 + ((frame["a"] == "x") & (frame["b"] == "q")) * 1.5
    )
    table = sm.stats.anova_lm(ols("y ~ (C(a, Sum) + C(b, Sum) + C(c, Sum))**2", frame).fit(), typ=2)
    found = variation(rows, frame["y"].to_numpy(), ["a", "b", "c"])
    expected = {
        "a": "C(a, Sum)",
        "b": "C(b, Sum)",
        "c": "C(c, Sum)",
        "ab": "C(a, Sum):C(b, Sum)",
        "ac": "C(a, Sum):C(c, Sum)",
        "bc": "C(b, Sum):C(c, Sum)",
    }
    for term in found.terms:
        row = table.loc[expected["".join(term.factors)]]
        assert term.sum_squares == pytest.approx(row["sum_sq"], rel=1e-9)
        assert term.degrees == row["df"]
        assert found.p_value(term) == pytest.approx(row["PR(>F)"], rel=1e-6)


def test_a_factor_that_applies_under_one_level_only_has_no_interaction_of_its_own() -> None:
    cells = [
        {"transport": "tcp", "offered": ""},
        {"transport": "udp", "offered": "50%"},
        {"transport": "udp", "offered": "90%"},
    ] * 3
    found = variation(cells, np.array([9.0, 5, 8, 9.1, 5.2, 8.1, 8.9, 4.8, 7.9]), ["transport", "offered"])
    assert [term.factors for term in found.terms] == [("offered",)]  # it says all that the transport says


TRUE_NOISE = 0.004


def _run(blocks: int = 5, noise: float = TRUE_NOISE, seed: int = 1, **extra: Any) -> pd.DataFrame:
    """A made run: jumbo frames give 27 % under powersave and 3 % otherwise; whole plots of one clock per block."""
    chance = np.random.default_rng(seed)
    rows = []
    for block in range(1, blocks + 1):
        lift = chance.normal(0, noise)  # the block's own
        for number, (mtu, clock, transport) in enumerate(
            itertools.product(("1500", "9000"), ("powersave", "performance"), ("tcp", "udp")), 1
        ):
            goodput = 1e9 * (1.0 if clock == "powersave" else 1.3)
            if mtu == "9000":
                goodput *= 1.27 if clock == "powersave" else 1.03
            goodput *= np.exp(chance.normal(0, noise) + lift)
            rows.append(
                {
                    "cell": number,
                    "block": block,
                    "link": "uplink",
                    "way": "transmit",
                    "mtu": mtu,
                    "clock": clock,
                    "transport": transport,
                    "goodput_bit_s": goodput,
                    "status": "valid",
                    "role": "measure",
                    "loss_ratio": 0.0 if transport == "udp" else np.nan,
                    "sender_cpu_s_per_gigabyte": np.nan,
                }
            )
    return pd.DataFrame(rows).assign(**extra)


FACTORS = ["mtu", "clock", "transport"]


def _goodput(trials: pd.DataFrame) -> Effects:
    found = [one for one in effects(trials, FACTORS) if one.response.column == "goodput_bit_s"]
    assert len(found) == 1
    return found[0]


def _change(found: Effects, factor: str, when: tuple[str, str] | None) -> Change:
    return next(one for one in found.changes if one.factor == factor and one.when == when)


def test_a_change_is_the_full_difference_and_its_interval_holds_the_truth() -> None:
    found = _goodput(_run())
    slow = _change(found, "mtu", ("clock", "powersave"))
    quick = _change(found, "mtu", ("clock", "performance"))
    assert slow.low is not None
    assert slow.high is not None
    assert slow.low <= 0.27 <= slow.high
    assert slow.high - slow.low < 0.02
    assert quick.estimate == pytest.approx(0.03, abs=0.01)
    overall = _change(found, "mtu", None)
    assert 1 + overall.estimate == pytest.approx(((1 + slow.estimate) * (1 + quick.estimate)) ** 0.5)
    assert (slow.level, slow.reference, slow.blocks) == ("9000", "1500", 5)


def test_what_depends_on_another_factor_is_found_and_what_does_not_is_not() -> None:
    found = {(one.factor, one.other): one for one in _goodput(_run()).interplays}
    assert set(found) == {("mtu", "clock"), ("mtu", "transport"), ("clock", "transport")}
    p_value = found["mtu", "clock"].p_value
    assert p_value is not None
    assert p_value < 1e-4
    assert found["mtu", "clock"].estimate == pytest.approx(1.03 / 1.27 - 1, abs=0.02)
    for pair in (("mtu", "transport"), ("clock", "transport")):
        assert (found[pair].p_value or 0) > 0.05


def test_block_effects_cancel_within_the_block() -> None:
    """The block's own lift is a hundred times the noise; the interval must not see it."""
    trials = _run()
    lifted = trials.assign(
        goodput_bit_s=trials["goodput_bit_s"] * trials["block"].map({1: 0.6, 2: 1.5, 3: 1.0, 4: 0.8, 5: 1.2})
    )
    plain, moved = (_change(_goodput(one), "mtu", None) for one in (trials, lifted))
    assert moved.estimate == pytest.approx(plain.estimate)
    assert (moved.low, moved.high) == (pytest.approx(plain.low), pytest.approx(plain.high))


def test_a_missing_trial_does_not_hand_one_factors_change_to_another() -> None:
    trials = _run(noise=1e-9)
    holes = trials.copy()
    holes.loc[holes["clock"].eq("performance") & holes["mtu"].eq("9000") & holes["block"].eq(2), "status"] = "suspect"
    assert _change(_goodput(holes), "clock", ("mtu", "1500")).estimate == pytest.approx(0.3, abs=1e-6)
    assert _change(_goodput(holes), "transport", None).estimate == pytest.approx(0, abs=1e-6)
    assert _change(_goodput(holes), "mtu", ("clock", "performance")).blocks == 4


def test_a_transport_is_compared_across_what_applies_to_one_only() -> None:
    rows = []
    for block in range(1, 4):
        for number, (transport, offered, goodput) in enumerate(
            [("tcp", "", 9e8), ("udp", "50%", 5e8), ("udp", "95%", 9.5e8)], 1
        ):
            rows.append(
                {
                    "cell": number,
                    "block": block,
                    "link": "uplink",
                    "way": "transmit",
                    "transport": transport,
                    "intended_load": offered,
                    "goodput_bit_s": goodput * (1 + block * 1e-4),
                    "status": "valid",
                    "role": "measure",
                }
            )
    (found,) = effects(pd.DataFrame(rows), ["transport", "intended_load"])
    change = next(one for one in found.changes if one.factor == "transport" and one.when is None)
    assert change.estimate == pytest.approx((5e8 * 9.5e8) ** 0.5 / 9e8 - 1)
    offered = next(one for one in found.changes if one.factor == "intended_load" and one.when is None)
    assert offered.estimate == pytest.approx(0.9)


def test_loss_is_a_difference_and_cpu_a_ratio() -> None:
    trials = _run()
    trials["loss_ratio"] = np.where(trials["transport"] == "udp", 0.01 + 0.02 * (trials["mtu"] == "9000"), np.nan)
    trials["sender_cpu_s_per_gigabyte"] = 3.0 / (1 + (trials["mtu"] == "9000"))
    found = {one.response.column: one for one in effects(trials, FACTORS)}
    assert _change(found["loss_ratio"], "mtu", None).estimate == pytest.approx(0.02)
    assert _change(found["sender_cpu_s_per_gigabyte"], "mtu", None).estimate == pytest.approx(-0.5)
    assert "receiver_cpu_s_per_gigabyte" not in found
    assert len(RESPONSES) == 4


def test_ways_and_links_have_effects_of_their_own() -> None:
    both = pd.concat([_run(), _run(seed=2, way="receive"), _run(seed=3, link="spare")])
    assert {(one.link, one.way) for one in effects(both, FACTORS)} == {
        ("uplink", "transmit"),
        ("uplink", "receive"),
        ("spare", "transmit"),
    }


def test_one_replicate_gives_estimates_without_intervals() -> None:
    change = _change(_goodput(_run(blocks=1)), "mtu", None)
    assert (change.low, change.high) == (None, None)
    assert change.estimate == pytest.approx(0.144, abs=0.02)


def test_nothing_to_say_without_values_or_variation() -> None:
    trials = _run()
    assert effects(trials.assign(status="failed"), FACTORS) == []
    assert effects(trials.assign(goodput_bit_s=0.0, loss_ratio=np.nan), FACTORS) == []
    assert effects(trials[trials["cell"] == 1], FACTORS) == []


def test_the_first_level_of_the_plan_is_the_reference() -> None:
    trials = _run()
    grid = make_grid(trials.iloc[::-1], trials["goodput_bit_s"], FACTORS)
    assert grid.levels["mtu"] == ("1500", "9000")
    assert grid.levels["clock"] == ("powersave", "performance")


# Holm 1979; the first row is the textbook case in several public texts, the others are R multtest's, taken from the
# tests of statsmodels
HOLM = [
    ([0.01, 0.04, 0.03, 0.005], [0.03, 0.06, 0.06, 0.02]),
    ([0.002, 0.004, 0.006, 0.008, 0.01, 0.012], [0.012, 0.02, 0.024, 0.024, 0.024, 0.024]),
    (
        [0.001, 0.002, 0.003, 0.004, 0.005, 0.05, 0.06, 0.07, 0.08, 0.09],
        [0.01, 0.018, 0.024, 0.028, 0.03, 0.25, 0.25, 0.25, 0.25, 0.25],
    ),
]


@pytest.mark.parametrize(("raw", "adjusted"), HOLM)
def test_holm_adjusts_as_r_does(raw: list[float], adjusted: list[float]) -> None:
    assert holm(raw) == pytest.approx(adjusted)


def test_holm_agrees_with_statsmodels() -> None:
    from statsmodels.stats.multitest import multipletests

    raw = np.random.default_rng(5).uniform(0, 0.2, 40)
    assert holm(list(raw)) == pytest.approx(multipletests(raw, method="holm")[1])
    assert holm([]) == []

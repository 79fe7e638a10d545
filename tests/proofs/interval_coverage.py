#!/usr/bin/env python3
"""Print how often intervals cover, how wide early stopping makes them, and how often comparisons are right.

    bash tests/proofs.sh interval_coverage.py [--draws N] [--part intervals|stopping|comparisons]

Exit code 1 when a figure is outside what is asked of it. Takes about ten minutes with the usual number of draws; the
parts can be run one at a time, and draw the same numbers then.
"""

from __future__ import annotations

import argparse
import math
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from orchestrator.results.statistics.stopping import PrecisionRule, widening
from tests.results.simulate import (
    KINDS,
    LEAST_COVERED,
    SKEWNESS,
    WIDEST,
    Bench,
    against_fixed,
    budgeted,
    fixed,
    share_calling_a_change,
    share_of,
    split_over_plots,
    split_plot,
    stopped,
    words,
)

failures: list[str] = []


def line(
    what: str, figure: float, draws: int, *, least: float | None = None, most: float | None = None, remark: str = ""
) -> None:
    """One figure with its standard error; a bound is missed only when the figure is three standard errors beyond it."""
    error = math.sqrt(max(figure * (1 - figure), 1e-9) / draws) if draws else 0.0
    wrong = (least is not None and figure < least - 3 * error) or (most is not None and figure > most + 3 * error)
    if wrong:
        failures.append(what)
    bound = "".join(
        f" asked: {word} {limit:g}" for word, limit in (("at least", least), ("at most", most)) if limit is not None
    )
    print(f"{'!!' if wrong else '  '} {what:<66} {figure:.4f} +- {error:.4f}{bound}{remark}", flush=True)


def intervals(draws: int) -> None:
    """Cells of a fixed number of replicates."""
    for kind, draw in KINDS.items():
        for n in (3, 5, 8, 10, 15, 19, 20, 25, 40):
            count = draws if n < 20 else draws // 4
            line(f"{kind}, n {n}: coverage", fixed(draw, n, count).share, count, least=LEAST_COVERED[kind])
        found = fixed(draw, 5, draws, drift=2.0, blocks=1.0)
        line(f"{kind}, n 5, drift of 2 and block effects of 1 deviation", found.share, draws, least=LEAST_COVERED[kind])
        knowing, naive = split_over_plots(draw, 5, draws)
        line(
            f"{kind}, 5 applications of 3 trials each",
            knowing.share,
            draws,
            least=LEAST_COVERED[kind],
            remark=f" (every trial for a new one: {naive.share:.3f})",
        )
        line(
            f"{kind}, change of a costly factor over 5 blocks",
            split_plot(draw, 5, draws // 4).share,
            draws // 4,
            least=LEAST_COVERED[kind],
        )


def stopping(draws: int) -> None:
    """Cells that stop when they are precise enough; noise is 1 % of the mean."""
    for kind, draw in KINDS.items():
        for least in (3, 4, 5, 8):
            for ratio in (0.025, 0.012, 0.009, 0.007, 0.005, 0.004):
                found = stopped(draw, PrecisionRule(ratio, min=least, max=30), draws // 2)
                line(
                    f"{kind}, from {least}, precision {100 * ratio:g} %, mean n {found.replicates:.1f}",
                    found.share,
                    draws // 2,
                    least=LEAST_COVERED[kind],
                )
                line("    half width against a fixed number", against_fixed(draw, found), 0, most=WIDEST)
        found = stopped(draw, PrecisionRule(0.012), draws // 2, drift=2.0, blocks=1.0)
        line(
            f"{kind}, from 5, drift and blocks, mean n {found.replicates:.1f}",
            found.share,
            draws // 2,
            least=LEAST_COVERED[kind],
        )
        line("    half width against a fixed number", against_fixed(draw, found, drift=2.0, blocks=1.0), 0, most=WIDEST)
        found = budgeted(draw, draws // 40, widening(5))
        line(f"{kind}, a budget of 40 trials over 4 cells", found.share, draws // 10, least=LEAST_COVERED[kind])


def comparisons(draws: int) -> None:
    """Comparisons of 12 cells."""
    count = draws // 10
    for common in (False, True):
        for between in (0.0, 0.005, 0.01, 0.02, 0.03):
            bench = Bench(runs=3, between=between, between_is_common=common)
            kind = " (common)" if common else ""
            line(
                f"equal sides, 3 runs each, {100 * between:g} % between runs{kind}: any change called",
                share_calling_a_change(words(bench, count)),
                count,
                most=0.05,
            )
    for between in (0.0, 0.005, 0.01, 0.02):
        line(
            f"equal sides, 1 run each, {100 * between:g} % between runs: any change called",
            share_calling_a_change(words(Bench(between=between), count)),
            count,
            remark=" (said to be unknown)",
        )
    for n in (5, 10):
        for within in (0.01, 0.02):
            line(
                f"equal sides, noise {100 * within:g} %, n {n}: no change shown",
                share_of(words(Bench(within=within, replicates=n), count), "no change"),
                12 * count,
                least=0.95 if (n, within) == (5, 0.01) else None,
            )
    for n in (5, 10):
        for change in (0.05, -0.05):
            found = share_of(
                words(Bench(within=0.02, replicates=n, change=change), count),
                "better" if change > 0 else "worse",
                cell=0,
            )
            line(
                f"one of 12 changed by {100 * change:g} %, noise 2 %, n {n}: found",
                found,
                count,
                least=0.95 if n == 10 else None,
            )


PARTS = {"intervals": intervals, "stopping": stopping, "comparisons": comparisons}


def main() -> int:
    """Everything, and 1 when something is outside what is asked."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=8000)
    parser.add_argument("--part", action="append", choices=list(PARTS), help="this part only; may be repeated")
    asked = parser.parse_args()
    draws = asked.draws
    print(f"95 % intervals; skewed: gamma of skewness {SKEWNESS:g}; {draws} draws, fixed seeds")
    for part in (PARTS[name] for name in asked.part or PARTS):
        print(f"\n{part.__doc__}")
        part(draws)
    print(f"\n{len(failures)} figures outside what is asked" + "".join(f"\n  {one}" for one in failures))
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())

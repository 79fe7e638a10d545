"""Runs against runs: what was made differently, then each cell's verdict.

With several runs a side the run is the unit: within one run the replicates agree better than runs do (a boot, an
interrupt's place, a port's hash), so replicates of a single run say nothing about whether the next run would agree.
"""

from __future__ import annotations

import math
from collections.abc import Container, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from orchestrator.faults import PlanError
from orchestrator.results.comparison import environment as surroundings
from orchestrator.results.comparison.environment import Unlike
from orchestrator.results.comparison.notes import SAID_MOST, notes_on_runs, spread_notes
from orchestrator.results.comparison.run_summary import MEASURES, CellKey, CellValues, Measure, RunSummary
from orchestrator.results.comparison.verdicts import (
    BETTER,
    INCONCLUSIVE,
    LEVEL,
    WORSE,
    Contrast,
    Sides,
    contrasts,
    differences,
    rank_p_value,
)
from orchestrator.words.plain_text import visible

THRESHOLD_RATIO = 0.03
LOST = "lost"  # not a verdict: the cell's is `inconclusive`, yet nobody who tests a kernel may overlook it


@dataclass(frozen=True)
class CellComparison:
    """One cell on both sides. Means in the measure's unit, None without a value; `contrast` is None without a ratio.

    `rank_p_value` is the rank test's, not adjusted: where it sees nothing, an outlier may carry the verdict.
    `unit` is what a value of this cell is; '' is the comparison's unit.
    """

    key: CellKey
    word: str
    reason: str
    contrast: Contrast | None
    reference_mean: float | None
    candidate_mean: float | None
    sizes: tuple[int, int]
    rank_p_value: float | None = None
    unit: str = ""

    @property
    def lost(self) -> bool:
        """Whether the reference measured it and no trial of the candidate is valid."""
        return self.word == INCONCLUSIVE and bool(self.sizes[0]) and not self.sizes[1]

    def is_any_of(self, words: Container[str]) -> bool:
        """Whether its verdict is among these; `LOST` stands for what the candidate could not measure."""
        return self.word in words or (self.lost and LOST in words)

    @property
    def carried_by_an_outlier(self) -> bool:
        """Whether a difference was found that the ranks do not show."""
        return self.word in (BETTER, WORSE) and self.rank_p_value is not None and self.rank_p_value > LEVEL


@dataclass(frozen=True)
class Comparison:
    """The answer. `unit` is what a value is: "run", or "replicate" when each side is one run (or see the cell's)."""

    reference: tuple[str, ...]
    candidate: tuple[str, ...]
    measure: Measure
    threshold_ratio: float
    unit: str
    environment: tuple[Unlike, ...]
    unlike: tuple[Unlike, ...]
    notes: tuple[str, ...]
    cells: tuple[CellComparison, ...]
    only_reference: tuple[CellKey, ...]
    only_candidate: tuple[CellKey, ...]
    counts: Mapping[str, int] = field(default_factory=dict)

    def has_any_of(self, words: Container[str]) -> bool:
        """Whether some cell's verdict is among these."""
        return any(cell.is_any_of(words) for cell in self.cells)


@dataclass(frozen=True)
class _Pair:
    """A cell's runs on both sides."""

    key: CellKey
    reference: tuple[CellValues, ...]
    candidate: tuple[CellValues, ...]


def compare(
    reference: Sequence[RunSummary],
    candidate: Sequence[RunSummary],
    *,
    measure: str = "goodput",
    threshold_ratio: float | None = None,
    spread_from: Sequence[RunSummary] = (),
    anyway: bool = False,
) -> Comparison:
    """Compare the candidate's runs with the reference's.

    spread_from  runs that say how far runs of the same kind differ, for when each side is one run
    anyway       compare although the two sides did not measure the same thing

    PlanError when a side is empty or a run is on both, when no cell is on both, or when the sides are not alike.
    """
    _check_sides(reference, candidate)
    candidate, renamed = _with_links_of(reference, candidate)
    measured = MEASURES[measure]
    threshold = threshold_ratio or candidate[0].threshold_ratio or THRESHOLD_RATIO
    unlike = tuple(
        surroundings.differences_of_sides(
            [run.conditions for run in reference], [run.conditions for run in candidate], all_alike=True
        )
    )
    if unlike and not anyway:
        raise PlanError(
            "not_alike",
            f"the runs did not measure the same thing: {_said(unlike)}",
            next_step="--anyway compares them nevertheless",
            unlike=[vars(one) for one in unlike],
        )
    pairs, only_reference, only_candidate = _matched(reference, candidate)
    unit = "run" if len(reference) + len(candidate) > 2 else "replicate"
    deviations = _deviations(spread_from, measured) if unit == "replicate" else {}
    cells = _judged(pairs, measured, unit, threshold, deviations)
    known = sum(pair.key in deviations for pair in pairs)
    counts = {word: sum(cell.word == word for cell in cells) for word in dict.fromkeys(cell.word for cell in cells)}
    return Comparison(
        tuple(run.run_id for run in reference),
        tuple(run.run_id for run in candidate),
        measured,
        threshold,
        "run" if known == len(pairs) else unit,
        _surroundings(reference, candidate),
        unlike,
        (
            *renamed,
            *spread_notes(reference, candidate, spread_from, (known, len(pairs))),
            *notes_on_runs(reference, candidate),
        ),
        tuple(cells),
        only_reference,
        only_candidate,
        counts,
    )


def _check_sides(reference: Sequence[RunSummary], candidate: Sequence[RunSummary]) -> None:
    if not reference or not candidate:
        raise PlanError(
            "nothing_to_compare",
            "a comparison needs at least one run on each side",
            next_step="linktrial compare REFERENCE... --with CANDIDATE...",
        )
    twice = _repeated([run.run_id for run in [*reference, *candidate]])
    if twice:
        raise PlanError(
            "run_twice", f"{twice[0]} is given twice: a run compared with itself agrees with itself", run=twice[0]
        )


def _repeated(names: Sequence[str]) -> list[str]:
    return [name for place, name in enumerate(names) if name in names[:place]]


def _said(unlike: Sequence[Unlike]) -> str:
    said = [f"{one.what} is {one.reference or 'absent'} and {one.candidate or 'absent'}" for one in unlike[:SAID_MOST]]
    left = len(unlike) - len(said)
    return "; ".join(said) + (f"; and {left} more" if left else "")


def _surroundings(reference: Sequence[RunSummary], candidate: Sequence[RunSummary]) -> tuple[Unlike, ...]:
    return (
        *surroundings.differences_of_sides(
            [run.environment for run in reference], [run.environment for run in candidate]
        ),
        *surroundings.plan_lines(reference[0].plan, candidate[0].plan),
    )


def _with_links_of(
    reference: Sequence[RunSummary], candidate: Sequence[RunSummary]
) -> tuple[list[RunSummary], tuple[str, ...]]:
    """The candidate with its only link called as the reference's only link, for plans that differ in that name."""
    ours, theirs = ({cell.key.link for run in side for cell in run.cells} for side in (reference, candidate))
    if len(ours) != 1 or len(theirs) != 1 or ours == theirs:
        return list(candidate), ()
    (name,) = ours
    (other,) = theirs
    renamed = [
        replace(run, cells=tuple(replace(cell, key=replace(cell.key, link=name)) for cell in run.cells))
        for run in candidate
    ]
    return renamed, (f"The link {visible(other)} of the candidate is compared with {visible(name)}.",)


def _matched(
    reference: Sequence[RunSummary], candidate: Sequence[RunSummary]
) -> tuple[list[_Pair], tuple[CellKey, ...], tuple[CellKey, ...]]:
    ours, theirs = _by_key(reference), _by_key(candidate)
    pairs = [_Pair(key, tuple(cells), tuple(theirs[key])) for key, cells in ours.items() if key in theirs]
    if not pairs:
        raise PlanError(
            "no_common_cell",
            "the two sides have no cell in common",
            reference=[key.text() for key in ours][:SAID_MOST],
            candidate=[key.text() for key in theirs][:SAID_MOST],
        )
    return (pairs, tuple(key for key in ours if key not in theirs), tuple(key for key in theirs if key not in ours))


def _by_key(runs: Iterable[RunSummary]) -> dict[CellKey, list[CellValues]]:
    found: dict[CellKey, list[CellValues]] = {}
    for run in runs:
        for cell in run.cells:
            found.setdefault(_without_order(cell.key), []).append(cell)
    return found


def _without_order(key: CellKey) -> CellKey:
    """The levels sorted by factor and without those that do not apply: the order of a plan's factors means nothing."""
    return CellKey(key.link, key.way, tuple(sorted((name, level) for name, level in key.levels if level)))


def _judged(
    pairs: Sequence[_Pair],
    measure: Measure,
    unit: str,
    threshold: float,
    deviations: Mapping[CellKey, tuple[float, float]],
) -> list[CellComparison]:
    """Every pair with its verdict; the family of Holm's adjustment is all pairs that have a difference to test."""
    sides = [_sides(pair, measure, unit, deviations.get(pair.key)) for pair in pairs]
    tested = {place: found for place, found in enumerate(differences(sides)) if found is not None}
    verdicts = dict(
        zip(
            tested,
            contrasts(
                list(tested.values()),
                [sides[place].sizes for place in tested],
                threshold_ratio=threshold,
                higher_is_better=measure.higher_is_better,
            ),
            strict=True,
        )
    )
    return [
        _compared(pair, side, verdicts.get(place), measure, "run" if pair.key in deviations else unit)
        for place, (pair, side) in enumerate(zip(pairs, sides, strict=True))
    ]


def _sides(pair: _Pair, measure: Measure, unit: str, known: tuple[float, float] | None) -> Sides:
    if _has_zero(pair, measure):
        return Sides((), ())  # zero has no ratio, and leaving it out would hide the worst trial
    ours, theirs = (_logarithms(cells, measure, unit) for cells in (pair.reference, pair.candidate))
    if unit == "replicate" and known and ours and theirs:
        return Sides((_mean(ours),), (_mean(theirs),), known)  # one run each, as far apart as runs are
    return Sides(tuple(ours), tuple(theirs))


def _has_zero(pair: _Pair, measure: Measure) -> bool:
    return any(value <= 0 for cell in (*pair.reference, *pair.candidate) for value in cell.values.get(measure.name, ()))


def _compared(pair: _Pair, sides: Sides, contrast: Contrast | None, measure: Measure, unit: str) -> CellComparison:
    means = tuple(math.exp(_mean(side)) if side else None for side in (sides.reference, sides.candidate))
    word, reason = (contrast.word, "") if contrast else _without_ratio(pair, measure)
    return CellComparison(
        _as_written(pair),
        word,
        reason,
        contrast,
        means[0],
        means[1],
        sides.sizes,
        rank_p_value(sides.reference, sides.candidate) if contrast else None,
        unit,
    )


def _as_written(pair: _Pair) -> CellKey:
    """The key with its levels in the order of the reference's plan, for a reader."""
    return replace(pair.key, levels=tuple((name, level) for name, level in pair.reference[0].key.levels if level))


def _without_ratio(pair: _Pair, measure: Measure) -> tuple[str, str]:
    """The verdict where one side has nothing to compare: what was carried and is no longer is worse."""
    if _has_zero(pair, measure):
        return INCONCLUSIVE, f"a {measure.name} of zero has no ratio; look at the trials"
    could, can = _statuses(pair.reference), _statuses(pair.candidate)
    if could.get("valid") and _only(can, "impossible"):
        return WORSE, "was measured, and is impossible now"
    if _only(could, "impossible") and can.get("valid"):
        return BETTER, "was impossible, and is measured now"
    if could.get("valid") and can.get("valid"):
        return INCONCLUSIVE, "one value a side shows no spread"
    return INCONCLUSIVE, f"trials of the reference: {_counted(could)}; of the candidate: {_counted(can)}"


def _statuses(cells: Iterable[CellValues]) -> dict[str, int]:
    total: dict[str, int] = {}
    for cell in cells:
        for status, count in cell.statuses.items():
            total[status] = total.get(status, 0) + count
    return {status: count for status, count in total.items() if count}


def _only(statuses: Mapping[str, int], status: str) -> bool:
    return set(statuses) == {status}


def _counted(statuses: Mapping[str, int]) -> str:
    return ", ".join(f"{count} {status}" for status, count in statuses.items()) or "none"


def _logarithms(cells: Iterable[CellValues], measure: Measure, unit: str) -> list[float]:
    """The independent values of a side: each run's mean, or the one run's values."""
    runs = [[math.log(value) for value in cell.values.get(measure.name, ())] for cell in cells]
    if unit == "run":
        return [_mean(values) for values in runs if values]
    return [value for values in runs for value in values]


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)


def _deviations(runs: Sequence[RunSummary], measure: Measure) -> dict[CellKey, tuple[float, float]]:
    """How far the means of runs scatter: (standard deviation of logarithms, degrees of freedom) for each cell."""
    found = {}
    for key, cells in _by_key(runs).items():
        positive = [cell for cell in cells if all(value > 0 for value in cell.values.get(measure.name, ()))]
        means = _logarithms(positive, measure, "run")
        if len(means) >= 2:
            found[key] = (float(np.std(means, ddof=1)), float(len(means) - 1))
    return found

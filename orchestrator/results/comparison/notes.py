"""What a reader must know of the runs of a comparison: what a spread rests on, and what is not alike."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from orchestrator.results.comparison import environment as surroundings
from orchestrator.results.comparison.run_summary import RunSummary

SAID_MOST = 6
_WHAT = "what differs from run to run (a boot, an interrupt's place, a port's hash)"


def spread_notes(
    reference: Sequence[RunSummary],
    candidate: Sequence[RunSummary],
    spread_from: Sequence[RunSummary],
    known: tuple[int, int],
) -> Iterable[str]:
    """What the spread rests on. `known` is (cells whose spread the stored runs know, cells that are compared)."""
    with_spread, cells = known
    one_each = len(reference) + len(candidate) == 2
    if one_each and with_spread:
        stored = f"Each side is one run; how far runs differ is taken from {len(spread_from)} stored runs"
        yield (
            f"{stored}."
            if with_spread == cells
            else (
                f"{stored} in {with_spread} of {cells} cells; {_WHAT} is unknown in the other {cells - with_spread}, "
                "which are compared by their replicates: another run may not agree."
            )
        )
    elif one_each:
        yield (
            f"Each side is one run, so {_WHAT} is unknown: another run may not agree. Several runs a side, or "
            "--spread-from, would say."
        )
    elif min(len(reference), len(candidate)) < 2:
        yield "One side is one run: the spread of the other side's runs stands for both."
    if spread_from:
        yield from _stored_runs(candidate, spread_from, with_spread, one_each=one_each)


def _stored_runs(
    candidate: Sequence[RunSummary], spread_from: Sequence[RunSummary], with_spread: int, *, one_each: bool
) -> Iterable[str]:
    if not one_each:
        yield "The stored runs are not used: the runs of this comparison say themselves how far runs differ."
        return
    if not with_spread:
        yield "The stored runs say of no cell how far its runs differ: a spread needs two runs with valid trials of it."
        return
    unlike = dict.fromkeys(
        one.what for run in spread_from for one in surroundings.differences(run.conditions, candidate[0].conditions)
    )
    if unlike:
        yield f"The stored runs did not measure the same thing: {', '.join(list(unlike)[:SAID_MOST])}."


def notes_on_runs(reference: Sequence[RunSummary], candidate: Sequence[RunSummary]) -> Iterable[str]:
    """Which side's runs differ among themselves, and in what."""
    for name, side in (("reference", reference), ("candidate", candidate)):
        changed = sorted(
            {
                one.what
                for run in side[1:]
                for one in (
                    *surroundings.differences(side[0].environment, run.environment),
                    *surroundings.differences(side[0].conditions, run.conditions),
                )
            }
        )
        if changed:
            yield f"The runs of the {name} are not alike among themselves: {', '.join(changed[:SAID_MOST])}."

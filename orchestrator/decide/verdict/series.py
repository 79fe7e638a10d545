"""What a trial's series of intervals shows: stalls, a trend, two levels. Pure.

A mean hides all three, so they are said beside it. The hosts sum a series up while it runs (metrics/steadiness.py): a
record holds the sums, and the intervals themselves stand in lines of their own in the journal.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from orchestrator.decide.shapes.flows import FlowResult
from orchestrator.metrics.steadiness import Steadiness, Summary

LEAST_EXPECTED_UNITS = 10  # datagrams or segments due in an empty stretch; with fewer, it is chance


@dataclass(frozen=True)
class Stalls:
    """Time without anything received: the longest piece and all of it, seconds."""

    longest_s: float
    total_s: float


def seen_in(part: FlowResult) -> Summary | None:
    """How steady a receiver's half of a trial was; made from the series where an older run's record holds it whole."""
    if part.get("steadiness"):
        return part["steadiness"]
    series = part.get("series") or ()
    if len(series) < 2:
        return None
    return summed_up([row[1] for row in series], float(series[1][0]) - float(series[0][0]))


def summed_up(octets: Sequence[float], interval_s: float) -> Summary:
    """The sums of a whole series of received octets."""
    steadiness = Steadiness(len(octets), interval_s)
    for place, received in enumerate(octets):
        steadiness.take(place, received)
    return steadiness.summary()


def stalls(seen: Summary, unit_bytes: float) -> Stalls:
    """Empty stretches; `unit_bytes` is one datagram's or segment's payload.

    A stretch counts where enough was due in it, by the mean of the whole: one interval of a fast link, several of a
    slow one, or of one that stood still for most of the time.
    """
    due = seen["octets"] / seen["intervals"] / unit_bytes if seen["intervals"] else 0.0
    holes = [found for found in seen["empty"] if found["intervals"] / found["stretches"] * due >= LEAST_EXPECTED_UNITS]
    return Stalls(
        max((found["longest"] for found in holes), default=0) * seen["interval_s"],
        sum(found["intervals"] for found in holes) * seen["interval_s"],
    )


def trend(seen: Summary) -> tuple[float, float] | None:
    """(first third's mean, last third's mean) when they differ by more than the series' own scatter explains."""
    early, late = seen["early"], seen["late"]
    if early is None or late is None:
        return None
    first, last = early["mean"], late["mean"]
    scatter = max(early["deviation"], late["deviation"])
    step = abs(last - first)
    if max(first, last) and step > 0.1 * max(first, last) and step > 3 * scatter:
        return first, last
    return None


def two_levels(seen: Summary) -> tuple[float, float] | None:
    """(low mean, high mean) when the rate keeps to two levels, each for at least a fifth of the time."""
    return (seen["levels"][0], seen["levels"][1]) if seen["levels"] else None

"""How much faster one clock runs than another, from one-way delays between them alone, and taking it out of them.

Two clocks that differ by 50 ppm let a delay that never changes seem to grow by 0.5 ms in 10 s: more than a switched
network varies. The least delays tell: they lie on a line with the slope of the skew. The line is the one under all
points that leaves the least room above it, which runs along the lower hull (Moon, Skelly, Towsley, Estimation and
Removal of Clock Skew from Network Delay Measurements, INFOCOM 1999; from memory).
"""

from __future__ import annotations

from typing import List, Optional, Sequence, Tuple

MOST = 500e-6  # s per s that a clock may be off and still be disciplined (RFC 5905 s11.3): more is a queue that grows
_LEAST_POINTS = 10  # fewer least delays show their own scatter instead of a line

Point = Tuple[float, float]


def skew(least: Sequence[Point]) -> Optional[float]:
    """Seconds that the receiving clock gains per second, from (send time, delay) of the least delays, in time's order.

    None with fewer than ten points, and where the slope is more than a clock's.
    """
    if len(least) < _LEAST_POINTS:
        return None
    slope = _slope_at(_lower_hull(least), sum(at for at, _ in least) / len(least))
    return slope if abs(slope) <= MOST else None


def without(times: Sequence[float], delays: Sequence[float], gained: float) -> List[float]:
    """The delays as a clock that gains nothing would have shown them, up to one constant."""
    return [delay - gained * (at - times[0]) for at, delay in zip(times, delays)]


def _lower_hull(points: Sequence[Point]) -> List[Point]:
    hull: List[Point] = []
    for point in points:
        while len(hull) > 1 and _turns_down(hull[-2], hull[-1], point):
            hull.pop()
        hull.append(point)
    return hull


def _turns_down(first: Point, middle: Point, last: Point) -> bool:
    """Whether the middle one lies on the line from the first to the last, or above it."""
    return (middle[1] - first[1]) * (last[0] - first[0]) >= (last[1] - first[1]) * (middle[0] - first[0])


def _slope_at(hull: Sequence[Point], at: float) -> float:
    """Of the hull's edge over an instant: among lines under all points, that one's sum of distances is least."""
    for (from_t, from_delay), (to_t, to_delay) in zip(hull, hull[1:]):
        if from_t <= at <= to_t:
            return (to_delay - from_delay) / (to_t - from_t)
    return 0.0

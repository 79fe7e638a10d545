"""Several comparisons at once: the chance of one false alarm in the whole family is kept at the level of one test."""

from __future__ import annotations

from collections.abc import Sequence


def holm(p_values: Sequence[float]) -> list[float]:
    """Holm's adjusted p values (Scandinavian Journal of Statistics 6, 1979) in the order of the input.

    Sorted ascending, the k-th of m is multiplied by m - k + 1; then the running maximum, at most 1.
    """
    count = len(p_values)
    adjusted = [0.0] * count
    greatest = 0.0
    for rank, place in enumerate(sorted(range(count), key=lambda index: p_values[index])):
        greatest = max(greatest, min(1.0, (count - rank) * p_values[place]))
        adjusted[place] = greatest
    return adjusted

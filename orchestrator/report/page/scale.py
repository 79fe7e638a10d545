"""The heat of the matrix: which of the page's nine steps a figure takes. Pure.

The steps go from light to dark in lightness alone doing the work, so they keep their order for every kind of colour
vision and in print; the figure itself stands in each cell.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

STEPS = 9
# Below this spread the figures are alike: a full scale would turn noise into drama.
_ALIKE = 0.02


@dataclass(frozen=True)
class Scale:
    """From the lowest to the highest figure of a matrix."""

    min: float
    max: float

    @property
    def alike(self) -> bool:
        """Whether the figures are too close together to be told apart by colour."""
        return self.max <= 0 or (self.max - self.min) / self.max < _ALIKE

    def step(self, value: float) -> int:
        """The step from 0 to STEPS - 1."""
        if self.alike:
            return STEPS // 2
        share = (value - self.min) / (self.max - self.min)
        return min(STEPS - 1, max(0, int(share * STEPS)))


def scale_of(values: Sequence[float]) -> Scale:
    """The scale of some figures."""
    return Scale(min(values), max(values)) if values else Scale(0.0, 0.0)

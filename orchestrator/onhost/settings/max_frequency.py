"""The clock above which the cores do not go."""

from __future__ import annotations

from orchestrator.onhost.settings.clock_limits import ClockLimit


class MaxFrequency(ClockLimit):
    """Takes the minimum along where that would be above it."""

    name = "max-frequency"
    doc = "The clock above which the governor does not go; every policy of the host."
    example = "1.5GHz"
    limit = "greatest"
    after = ("governor",)

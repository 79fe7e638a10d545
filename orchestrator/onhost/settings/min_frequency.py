"""The clock below which the cores do not go."""

from __future__ import annotations

from orchestrator.onhost.settings.clock_limits import ClockLimit


class MinFrequency(ClockLimit):
    """Applied after the maximum, which may have to rise first."""

    name = "min-frequency"
    doc = "The clock below which the governor does not go; every policy of the host."
    limit = "least"
    after = ("max-frequency", "governor")

"""What a trial can come to: the statuses in the order in which they are told, each with its meaning. Pure."""

from __future__ import annotations

VALID, SUSPECT, IMPOSSIBLE, FAILED, SKIPPED = "valid", "suspect", "impossible", "failed", "skipped"
MEANINGS: dict[str, str] = {
    VALID: "measured, and every condition that its cell claims was read back before and after",
    SUSPECT: "measured, but a condition that its cell claims did not hold; in no figure",
    IMPOSSIBLE: "host, link or path cannot do this cell, and why is known",
    FAILED: "it did not come to a measurement, through no property of its cell that is known",
    SKIPPED: "not begun: the run was stopped, its budget was spent, or a host was lost twice on the same setting",
}
STATUSES: tuple[str, ...] = tuple(MEANINGS)
NOT_VALID: tuple[str, ...] = STATUSES[1:]

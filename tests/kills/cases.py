"""Whom to kill when: drawn from a seed, so that a case can be played again."""

from __future__ import annotations

from dataclasses import dataclass

from orchestrator.planning.order import SplitMix

LINES = 27  # of the journal of the tiny run, and one more: the end without a kill
RUN_S = 3.5  # about as long as the tiny run takes
VICTIMS = ("controller", "helper", "session", "watchdog", "guard", "twin", "power", "power and controller")


@dataclass(frozen=True)
class Case:
    """One run and one kill. `line` 0: after `after_s` instead, wherever the run is by then."""

    number: int
    victim: str
    host: str  # whose processes; the controller has none
    line: int
    before: bool
    after_s: float
    resumes: bool  # a run that is left unfinished is resumed instead of recovered

    def __str__(self) -> str:
        at_line = f"{'before' if self.before else 'after'} line {self.line}"
        when = at_line if self.line else f"after {self.after_s:.2f} s"
        then = "resumed" if self.resumes else "recovered"
        return f"case {self.number}: {self.victim} on {self.host} killed {when}, then {then}"


def case(number: int, seed: int) -> Case:
    """Every second case at a line of the journal, line after line; the others at any time."""
    dice = SplitMix(seed * 1_000_003 + number)
    at_line = number % 2 == 0
    return Case(
        number,
        VICTIMS[dice.below(len(VICTIMS))],
        ("dome", "hall")[dice.below(2)],
        line=1 + number // 2 % LINES if at_line else 0,
        before=dice.below(2) == 0,
        after_s=dice.below(1000) / 1000 * RUN_S,
        resumes=dice.below(3) == 0,
    )

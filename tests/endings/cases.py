"""How a suite is ended: drawn from a seed, so that a case can be played again."""

from __future__ import annotations

import signal
from dataclasses import dataclass

from orchestrator.planning.order import SplitMix
from tests.endings.machines import NARROW_MTU
from tests.spine.bench import plan_text

POINTS = 50  # of one plan: lines of its journal and files of its report, about
WAYS = ("complete", "interrupt", "interrupt twice", "terminate", "disk full", "killed", "unreachable", "busy")
# What a plan's run comes to: 0 for frames and directions, 1 where frames cannot pass
KINDS = {"frames": {"mtu": [9000]}, "directions": {"direction": ["transmit"]}, "narrow": {"mtu": [NARROW_MTU]}}


@dataclass(frozen=True)
class Accident:
    """What happens at the n-th point of a command, and `after_s` later where it is a signal."""

    way: str = "complete"
    point: int = 0
    after_s: float = 0.0
    host: str = ""

    @property
    def number(self) -> int:
        """The signal, 0 for none."""
        return {"interrupt": signal.SIGINT, "interrupt twice": signal.SIGINT, "terminate": signal.SIGTERM}.get(
            self.way, 0
        )

    def __str__(self) -> str:
        return f"{self.way} {self.host} at point {self.point} + {self.after_s:g} s"


@dataclass(frozen=True)
class Case:
    """A suite of `kinds`, an accident while it runs, perhaps another while it is resumed, perhaps a recovery first."""

    number: int
    kinds: tuple[str, ...]
    first: Accident
    second: Accident
    recovers: bool

    def __str__(self) -> str:
        recovers = ", recovered" if self.recovers else ""
        return f"case {self.number}: {' '.join(self.kinds)}; {self.first}{recovers}; resumed: {self.second}"

    def plans(self) -> dict[str, str]:
        """File name -> text; some with a name that is bound."""
        trial = {"length": "300ms", "warmup": "50ms", "settle": "0s", "replicates": 1}
        return {
            f"{place}-{kind}.yaml": plan_text(
                plan=f"{kind}-{place}",
                factors=KINDS[kind],
                trial=trial,
                lease="5s",
                patience="1s",
                purpose="$why" if place % 2 else "",
            )
            for place, kind in enumerate(self.kinds)
        }


def case(number: int, seed: int) -> Case:
    """Every way of ending comes as often as any other."""
    dice = SplitMix(seed * 1_000_003 + number)
    names = list(KINDS)
    kinds = tuple(names[dice.below(len(names))] for _ in range(1 + dice.below(4)))
    first = _accident(dice, WAYS[number % len(WAYS)], len(kinds))
    second = _accident(dice, WAYS[dice.below(len(WAYS))], len(kinds)) if dice.below(4) == 0 else Accident()
    return Case(number, kinds, first, second, recovers=dice.below(2) == 0)


def _accident(dice: SplitMix, way: str, plans: int) -> Accident:
    after_s = dice.below(100) / 400 if dice.below(2) else 0.0
    return Accident(way, 1 + dice.below(POINTS * plans), after_s, ("dome", "hall")[dice.below(2)])

"""Who changes what when: drawn from a seed, so that a case can be played again."""

from __future__ import annotations

from dataclasses import dataclass

from orchestrator.planning.order import SplitMix

HOSTS = ("dome", "hall")
MOMENTS = ("before apply", "after apply", "path", "warm-up", "window", "after traffic")
SETTINGS = ("mtu", "offload", "governor", "probing", "memory", "address", "link")
DIRECTIONS = ("transmit", "receive", "bidirectional")
POLICIES = ("reapply", "stop")


@dataclass(frozen=True)
class Case:
    """One run and one change. `comes_back`: the change is taken back after a moment, by whoever made it."""

    number: int
    setting: str
    moment: str
    host: str
    transport: str
    direction: str
    policy: str
    comes_back: bool
    foreign: int  # which of the values that are nobody's else

    def __str__(self) -> str:
        back = ", taken back" if self.comes_back else ""
        return (
            f"case {self.number}: {self.setting} of {self.host} changed {self.moment}{back}; {self.transport} "
            f"{self.direction}, changed_outside: {self.policy}"
        )


def case(number: int, seed: int) -> Case:
    """Every setting at every moment in turn; the rest by chance."""
    dice = SplitMix(seed * 1_000_003 + number)
    setting = SETTINGS[number % len(SETTINGS)]
    moment = MOMENTS[(number // len(SETTINGS) + number) % len(MOMENTS)]
    # nothing of the plan sets an address or switches a link on, so that nobody could apply it again
    comes_back = dice.below(2) == 0 or (setting in ("address", "link") and dice.below(4) > 0)
    return Case(
        number,
        setting,
        moment,
        HOSTS[dice.below(2)],
        ("tcp", "udp")[dice.below(2)],
        DIRECTIONS[dice.below(3)],
        POLICIES[dice.below(2)],
        comes_back,
        dice.below(1000),
    )

"""Which error where: drawn from a seed, so that a case can be played again."""

from __future__ import annotations

import itertools
import random
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from orchestrator.onhost.service import jobs
from tests.injections_real.errors import ERRORS, OF_A_HOST, OF_THE_WORLD, ON_HOSTS
from tests.injections_real.places import Place, of_controller, of_loop, of_verb, of_watchdog

# "watchdog": the controller is killed while a host is changed, and the host restores itself; "paused": it is stopped
# for longer than the lease; "narrow": a switch port between the ends carries no large frames.
SCENARIOS = (
    "run",
    "session lost",
    "watchdog killed",
    "watchdog",
    "paused",
    "recover",
    "resume",
    "survey",
    "in band",
    "narrow",
)
WATCHDOG = "the watchdog's process"  # there is a verb of the helper called watchdog
ANYTHING = frozenset({0, 1, 3, 4, 5, 6, -9})
MEASURES = ("traffic", "path", "external", "neighbours")  # what fails there may cost a trial and no more
Visits = Mapping[str, Counter[Place]]


@dataclass(frozen=True)
class Case:
    """One error at one visit of one place in one scenario; `lasting`: at every later visit, too."""

    number: int
    target: str  # controller | WATCHDOG | loop | a verb of the helper
    scenario: str
    place: Place
    error: str
    visit: int
    lasting: bool = False

    @property
    def ours(self) -> bool:
        """Nobody but we can have raised it there."""
        if self.target == "controller":
            return self.error not in OF_THE_WORLD
        return self.target not in (WATCHDOG, "loop", "watch") and self.error not in OF_A_HOST

    @property
    def allowed(self) -> frozenset[int]:
        """The exit codes that it may come to."""
        if not self.ours or self.scenario == "watchdog":
            return ANYTHING
        if self.target.split(".")[0] in MEASURES:
            return frozenset({1, 4, 5})
        return frozenset({4, 5})

    def __str__(self) -> str:
        return (
            f"case {self.number}: {self.scenario}: {self.error} at {self.place}, visit {self.visit}"
            f"{' and all later' * self.lasting}"
        )


def targets() -> dict[str, list[Place]]:
    """What errors are put into: the controller's files, the helper's verbs, its loop, the watchdog."""
    return {
        "controller": of_controller(),
        WATCHDOG: of_watchdog(),
        "loop": of_loop(),
        **{verb: of_verb(verb) for verb in jobs.VERBS},
    }


def cases(seed: int, visits: Visits) -> Iterator[Case]:
    """For ever: turn about the controller and the host's side, of which every target comes before any comes again."""
    dice = random.Random(seed)
    known = targets()
    come_to = {
        name: [place for place in places if any(place in found for found in visits.values())]
        for name, places in known.items()
    }
    on_hosts: list[str] = []
    for number in itertools.count():
        if not on_hosts:
            on_hosts = [name for name, places in come_to.items() if places and name != "controller"]
            on_hosts += ["loop", WATCHDOG]
            dice.shuffle(on_hosts)
        target = "controller" if number % 2 == 0 or not on_hosts else on_hosts.pop()
        modules = sorted({place.module for place in come_to[target]})
        module = dice.choice(modules)
        place = dice.choice([place for place in come_to[target] if place.module == module])
        scenario = dice.choice([name for name, found in visits.items() if place in found])
        errors = [
            error
            for error in (ERRORS if target == "controller" else ON_HOSTS)
            if error != "CancelledError" or place.asynchronous
        ]
        visit = dice.randint(1, min(visits[scenario][place], 30))
        yield Case(number, target, scenario, place, dice.choice(errors), visit, dice.random() < 0.15)

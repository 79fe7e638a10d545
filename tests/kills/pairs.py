"""Many pairs of hosts in one lab, each with a desk of its own: runs that mostly wait, side by side."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from orchestrator.lab.lab import Lab
from orchestrator.lab.places import Place
from orchestrator.lab.scenario import Scenario, lab_host
from orchestrator.lab.switch import Switch
from tests.kills.desk import Desk

MOST_PAIRS = 40  # the lab numbers its hosts from 11 to 99


class Pair:
    """Two hosts of a lab, as a desk uses a whole one; it is neither made nor stopped by its desk."""

    def __init__(self, lab: Lab, names: tuple[str, str]) -> None:
        """`names` are the two hosts'."""
        self._lab = lab
        self.names = names
        self.hosts: dict[str, Place] = {name: lab.hosts[name] for name in names}
        self.switch: Switch = lab.switch
        self.ssh_config = lab.ssh_config

    def make(self) -> None:
        """It is there already."""

    def stop(self) -> None:
        """The lab ends as a whole."""

    def start(self, *words: Any, **options: Any) -> Any:
        """In the controller's place."""
        return self._lab.start(*words, **options)

    def run(self, *words: Any, **options: Any) -> Any:
        """In the controller's place."""
        return self._lab.run(*words, **options)


@contextmanager
def desks(count: int, folder: Path) -> Iterator[list[Desk]]:
    """So many pairs, each with its desk and a folder of its own."""
    assert count <= MOST_PAIRS
    names = [(f"dome{number}", f"hall{number}") for number in range(count)]
    hosts = [lab_host(name, 11 + place) for place, name in enumerate(name for pair in names for name in pair)]
    with ExitStack() as stack:
        lab = stack.enter_context(Lab(Scenario(tuple(hosts)), server="openssh", timeout_s=300.0))
        made = []
        for pair in names:
            own = folder / pair[0]
            own.mkdir()
            made.append(stack.enter_context(Desk(own, Pair(lab, pair))))
        yield made

"""Simulated hosts that outlive the command that uses them: each is a file, read before and written after every verb."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from tests.sim.fake_host import FakeHost
from tests.sim.fake_session import Chance, FakeWorld
from tests.sim.results import path_results, traffic_results

Json = dict[str, Any]
NAMES = ("dome", "hall")
NARROW_MTU = 8000  # frames of this size do not pass
FOUND = {("mtu", "eth1"): 1500}


class StoredHost(FakeHost):
    """A simulated host whose values and record lie in a file."""

    def __init__(self, name: str, number: int, folder: Path) -> None:
        super().__init__(name, number, FOUND)
        self.file = folder / f"{name}.json"
        if not self.file.exists():
            self.store()

    def load(self) -> None:
        stored = json.loads(self.file.read_text())
        self.values = {("mtu", name): mtu for name, mtu in stored["mtu"].items()}
        self.record, self.watchdog = stored["record"], stored["watchdog"]

    def store(self) -> None:
        mtus = {name: mtu for (_, name), mtu in self.values.items()}
        self.file.write_text(json.dumps({"mtu": mtus, "record": self.record, "watchdog": self.watchdog}))

    def add_interface(self, name: str) -> None:
        """Another one beside eth1, as found."""
        self.values[("mtu", name)] = FOUND[("mtu", "eth1")]
        self.store()

    def do(self, verb: str, args: Json, now_s: float) -> Json:
        self.load()
        try:
            return super().do(verb, args, now_s)
        finally:
            self.store()

    def is_as_found(self) -> bool:
        """What an independent eye sees."""
        self.load()
        return set(self.values.values()) == set(FOUND.values())


def machines(folder: Path) -> dict[str, StoredHost]:
    """The hosts whose files lie here; as found when there are none yet."""
    return {name: StoredHost(name, number, folder) for number, name in enumerate(NAMES, 1)}


def world(folder: Path) -> FakeWorld:
    """The hosts and the line to them, without faults of its own."""
    made: dict[str, FakeHost] = dict(machines(folder))
    return FakeWorld(made, Chance(1, {}, calm_after_s=0), _path, traffic_results)


def _path(first: Json, second: Json) -> tuple[Json, Json]:
    return path_results(first, second, 1500 if first["mtu"] == NARROW_MTU else 9000)

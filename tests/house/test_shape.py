"""The house from further away: which room may look at which, how full a folder is, how much has no type."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from tests.testing import untyped
from tests.testing.source import HOUSE, files, imports, name_of

SAID_ALIKE = {"words", "faults", "__version__"}  # what every room on the controller may have
STORED = {"stored", "run_files"}
COMPUTING = {"planning", "wire", "metrics"}
# The arrows of the guide: each room, and the rooms that it may import. None points upwards.
ARROWS = {
    "words": {"faults"},
    "wire": set(),
    "metrics": {"wire"},
    "onhost": {"wire", "metrics"},
    "planning": {"wire", *SAID_ALIKE},
    "decide": {*COMPUTING, "stored", *SAID_ALIKE},
    "act": {*COMPUTING, "decide", "onhost", *STORED, *SAID_ALIKE},
    "results": {*COMPUTING, "decide", *STORED, *SAID_ALIKE},
    "report": {*COMPUTING, "decide", "results", *STORED, *SAID_ALIKE},
    "lab": {"onhost", *SAID_ALIKE},
    "cli": {*COMPUTING, "decide", "onhost", "act", "results", "report", "lab", *STORED, *SAID_ALIKE},
}
# Optional rooms that stand on all others.
ABOVE = {"page", "archive", "queue"}
MOST_FILES = {"onhost": 11, "report": 24, "results": 24, "decide": 24}  # in the folder itself
MOST_IN_ANY_FOLDER = 40
ONE_FILE_EACH = {HOUSE / "onhost" / "settings"}  # a setting is found by its name


def room_of(path: Path) -> str:
    return path.relative_to(HOUSE).parts[0]


def looked_at(path: Path) -> set[str]:
    """The rooms, or top modules, of ours that a file imports."""
    parts = [module.split(".") for module in imports(path)]
    return {names[1] for names in parts if names[0] == "orchestrator" and len(names) > 1} - {room_of(path)}


@pytest.mark.parametrize("room", ARROWS)
def test_no_arrow_between_rooms_points_upwards(room: str) -> None:
    wrong = {
        f"{name_of(path)}: {other}" for path in files(room) for other in looked_at(path) if other not in ARROWS[room]
    }
    assert wrong == set()


def test_every_room_has_its_arrows() -> None:
    rooms = {path.relative_to(HOUSE).parts[0] for path in files() if path.parent != HOUSE}
    assert rooms <= set(ARROWS) | ABOVE
    assert set(ARROWS) <= rooms
    for room, may in ARROWS.items():
        assert not {other for other in may if room in ARROWS.get(other, set())}, f"{room} is on both sides of an arrow"


def test_a_folder_is_seen_at_a_glance() -> None:
    counts = Counter(path.parent for path in files())
    assert {room: counts[HOUSE / room] for room, most in MOST_FILES.items() if counts[HOUSE / room] > most} == {}
    crowded = {folder for folder, count in counts.items() if count > MOST_IN_ANY_FOLDER}
    assert crowded <= ONE_FILE_EACH


# All of the package at the time of this line; it may only fall, and ends below what is wanted.
MOST_ANY = 402


def test_what_has_no_type_grows_nowhere() -> None:
    """By room and in all. A file that is split or moved takes its own along, so files are listed and not held to it."""
    now, then = Counter[str](), Counter[str]()
    for counts, by_room in ((untyped.found(), now), (untyped.listed(), then)):
        for name, count in counts.items():
            by_room[name.split("/")[1]] += count
    assert now.total() <= MOST_ANY
    assert {room: count for room, count in now.items() if count > then[room]} == {}, (
        "give it a type; or, where it has only moved: python -m tests.testing.untyped"
    )


def test_any_is_counted_wherever_it_stands(tmp_path: Path) -> None:
    (tmp_path / "a.py").write_text("from typing import Any\nimport typing\nx: dict[str, Any] = {}\ny: typing.Any = 1\n")
    assert untyped.anys(tmp_path / "a.py") == 2

"""Plays one case and says what was wrong with the answer."""

from __future__ import annotations

import random
import tempfile
from dataclasses import dataclass
from pathlib import Path

from tests.refusals.desk import Desk
from tests.refusals.kinds import KINDS, Kind


@dataclass(frozen=True)
class Played:
    """One case: the kind, what the run said, and every promise that did not hold."""

    kind: str
    number: int
    said: str
    problems: tuple[str, ...]


def play(kind: Kind, number: int, seed: int, *, twin: bool = True) -> Played:
    """The broken bench and its healthy twin; the same number and seed give the same bench."""
    dice = random.Random(f"{seed}/{number}/{kind.name}")
    with tempfile.TemporaryDirectory(prefix="refuse-") as folder:
        desk = Desk(dice, Path(folder), second_end=kind.second_end, third_host=kind.third_host)
        with desk.standing():
            said, problems = _broken(desk, kind)
            problems += _twin(desk, kind) if twin else []
    return Played(kind.name, number, said, tuple(problems))


def _broken(desk: Desk, kind: Kind) -> tuple[str, list[str]]:
    expected = kind.spoil(desk)
    before = desk.state_at_rest()
    done, rows = desk.rehearse(**expected.plan)
    said = done.stderr + done.stdout
    flat = " ".join(said.split())
    problems = []
    if done.returncode != expected.code:
        problems.append(f"exit {done.returncode}, not {expected.code}: {said[-1500:]}")
    problems += [f"does not say {word!r}: {said[-1500:]}" for word in expected.words if word not in flat]
    problems += [f"says {word!r}: {said[-1500:]}" for word in expected.never if word in flat]
    if expected.status and {row["status"] for row in rows} != {expected.status}:
        problems.append(f"its trials are {[row['status'] for row in rows]}, not {expected.status}")
    refusal = next((line for line in said.splitlines() if all(word in line for word in expected.words)), "")
    if expected.code == 3 and not refusal.partition(" - ")[2]:
        problems.append(f"no next step: {said[-1500:]}")
    after = desk.state()
    problems += [f"{name} was changed: {was} -> {after[name]}" for name, was in before.items() if was != after[name]]
    return said, problems


def _twin(desk: Desk, kind: Kind) -> list[str]:
    """The healthy twin is measured; a trial may be doubted on a busy machine, never refused."""
    done, rows = desk.rehearse(**kind.heal(desk))
    statuses = {row["status"] for row in rows}
    if done.returncode in (0, 1) and statuses and statuses <= {"valid", "suspect"}:
        return []
    return [f"its healthy twin ends with {done.returncode} {sorted(statuses)}: {done.stderr[-1500:]}"]


def kinds(*, slow: bool) -> list[Kind]:
    """Every kind; those that wait for a minute only where they are asked for."""
    return [kind for kind in KINDS.values() if slow or not kind.slow]

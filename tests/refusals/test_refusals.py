"""What is known at the start is refused at the start, with the right culprit and next step, on real benches.

A sample of `bash tests/proofs.sh refusals`, which plays every kind with its healthy twin.
"""

from __future__ import annotations

import random

import pytest

from tests.refusals.kinds import KINDS
from tests.refusals.referee import kinds, play

pytestmark = pytest.mark.lab
SEED = 20261201


@pytest.mark.parametrize(
    "name",
    [
        "mtu-too-small-for-ipv6",
        "bridge-port-as-end",
        "bridge-whose-port-is-too-small",
        "two-interfaces-in-one-network",
        "link-local-addresses-only",
        "address-that-no-end-has",
    ],
)
def test_a_broken_bench_is_told_as_what_it_is(name: str) -> None:
    played = play(KINDS[name], 0, SEED, twin=False)
    assert not played.problems, played.problems


def test_the_healthy_twin_of_a_broken_bench_is_measured() -> None:
    kind = random.Random(SEED).choice(kinds(slow=False))
    played = play(kind, 1, SEED)
    assert not played.problems, (kind.name, played.problems)


def test_there_are_a_dozen_kinds_of_broken_benches() -> None:
    assert len(kinds(slow=False)) >= 12

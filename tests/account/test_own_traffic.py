"""Our own traffic is never called cross traffic, and other people's is: held against a referee that counts frames."""

from __future__ import annotations

import random
from collections.abc import Iterator

import pytest

from orchestrator.lab.lab import Lab
from tests.account.bed import FOUR_HOSTS, Bed, Case, drawn

pytestmark = pytest.mark.lab
CROWD_DOUBTS = {"cross_traffic_some", "cross_traffic_heavy"}


@pytest.fixture(scope="module")
def bed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bed]:
    with Lab(FOUR_HOSTS) as lab:
        yield Bed(lab, tmp_path_factory.mktemp("bed"))


@pytest.mark.parametrize(
    "case",
    [
        Case(loss=1000, direction="bidirectional"),
        Case(loss=200, lossy="hall", transport="udp"),
        Case(links=2, alone=True),
        Case(cross=0.05, loss=200),
    ],
    ids=lambda case: case.kind,
)
def test_every_octet_on_the_interface_is_told_whose_it_is(bed: Bed, case: Case) -> None:
    found = bed.judged(case)
    assert len(found) == (8 if case.alone else 2)  # a row for each end of each link: one alone, the other, both
    for seen in found:
        assert seen.error <= seen.allowed, seen
        if not case.cross:
            assert seen.status == "valid", seen
            assert not CROWD_DOUBTS & {*seen.doubts.split()}, seen
    if case.cross:
        assert CROWD_DOUBTS & {*seen.doubts.split()}, seen


@pytest.mark.parametrize("seed", [1, 2])
def test_so_it_is_whatever_the_circumstances(bed: Bed, seed: int) -> None:
    for seen in bed.judged(drawn(random.Random(seed))):
        assert seen.error <= seen.allowed, seen

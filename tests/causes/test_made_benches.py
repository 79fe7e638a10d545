"""The bottleneck of it, on benches made so on purpose. A sample; `bash tests/proofs.sh causes` is the long form."""

from __future__ import annotations

import random
from collections.abc import Iterator

import pytest

from orchestrator.lab.cpu_group import place_for_groups
from orchestrator.lab.lab import Lab
from tests.causes.bed import TWO_BOARDS, Bed
from tests.causes.situations import DRAWS

pytestmark = [pytest.mark.lab, pytest.mark.alone]
SAMPLE = ("plan-udp", "sender-quota", "receive-window", "loss-tcp", "hole")


@pytest.fixture(scope="module")
def bed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bed]:
    with Lab(TWO_BOARDS) as lab:
        yield Bed(lab, tmp_path_factory.mktemp("causes"))


@pytest.mark.parametrize("name", SAMPLE)
def test_the_first_answer_is_what_was_done_to_the_bench(bed: Bed, name: str) -> None:
    if name == "sender-quota" and place_for_groups() is None:
        pytest.skip("no control groups with a CPU quota here")
    made = DRAWS[name](random.Random(7))
    for answer in bed.answers(made, 1):
        assert answer.kind == "right", f"{made}: {answer.code}: {answer.sentence}"

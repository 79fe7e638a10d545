"""Each code of the closed list has a sample that raises it, or a test that meets it."""

from __future__ import annotations

from pathlib import Path

import pytest

from orchestrator.onhost.refusal import Refusal
from orchestrator.words.host_codes import CODES
from tests.onhost.refusal_samples import SAMPLES, TESTS


def test_every_code_has_a_sample_or_a_test() -> None:
    assert sorted(set(CODES) - set(SAMPLES) - set(TESTS)) == []
    assert sorted((set(SAMPLES) | set(TESTS)) - set(CODES)) == []
    assert sorted(set(SAMPLES) & set(TESTS)) == []


@pytest.mark.parametrize("code", sorted(SAMPLES))
def test_the_sample_raises_its_code(code: str, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(Refusal) as refused:
        SAMPLES[code](monkeypatch)
    assert refused.value.code == code
    assert refused.value.message


@pytest.mark.parametrize("code", sorted(TESTS))
def test_the_test_that_is_named_meets_the_code(code: str) -> None:
    assert f'"{code}"' in (Path(__file__).parents[1] / TESTS[code]).read_text()

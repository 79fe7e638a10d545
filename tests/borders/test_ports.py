"""Strangers on every port that a trial or a path proof opens end nothing, and are counted."""

from __future__ import annotations

import pytest

from tests.borders.ports import forged_path_proof, forged_trial

pytestmark = pytest.mark.lab  # what is forged takes root


def test_a_trial_under_forged_datagrams_and_connections_is_measured() -> None:
    counted, problems = forged_trial(7, 1)
    assert problems == []
    assert sum(counted.values()) > 200
    assert {kind.split(",")[0] for kind in counted} == {"datagram", "connection"}


def test_a_path_is_proven_under_forged_datagrams() -> None:
    counted, problems = forged_path_proof(7)
    assert problems == []
    assert sum(counted.values()) > 20

"""A fresh bench for each test."""

from __future__ import annotations

from pathlib import Path

import pytest

from orchestrator.lab.lab import Lab
from tests.spine.bench import Bench


@pytest.fixture
def bench(lab: Lab, tmp_path: Path) -> Bench:
    return Bench(lab, tmp_path)

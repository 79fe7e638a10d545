"""A server that stalls, closes, floods or paints at one step: each ends in words, in time and within bounds."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from tests.act.hostile_play import play


@pytest.mark.parametrize(
    ("command", "step"),
    [
        ("trust", "raw: version then garbage"),
        ("trust", "auth: disconnect"),
        ("survey", "channel: paint"),
        ("survey", "helper: painted errors"),
        ("run", "helper: close at a verb"),
        ("recover", "helper: mutated answers"),
    ],
)
def test_a_hostile_server_ends_in_words(tmp_path: Path, command: str, step: str) -> None:
    assert asyncio.run(play(tmp_path, command, step, seed=5)) == []

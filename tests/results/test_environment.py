"""What two runs must share to be compared, and what they are compared for."""

from __future__ import annotations

from typing import Any

from orchestrator.results.comparison.environment import conditions


def run_with(*settings: dict[str, Any]) -> dict[str, Any]:
    return {"cells": [{"key": "direction=transmit", "settings": list(settings), "traffic": {"transport": "tcp"}}]}


def use(setting: str, level: Any, factor: str) -> dict[str, Any]:
    return {"host": "dome", "selector": "", "setting": setting, "level": level, "factor": factor}


def test_a_kernel_that_each_run_held_is_the_question_and_no_obstacle() -> None:
    old, new = (run_with(use("kernel", {"level": release}, "hold-1")) for release in ("6.1.0-dome", "6.12.9-dome"))
    assert conditions(old, ()) == conditions(new, ())


def test_every_other_held_level_and_a_kernel_that_is_a_factor_must_be_alike() -> None:
    for name, factor in (("governor", "hold-1"), ("kernel", "kernel")):
        one, other = (run_with(use(name, level, factor)) for level in ("a", "b"))
        assert conditions(one, ()) != conditions(other, ())

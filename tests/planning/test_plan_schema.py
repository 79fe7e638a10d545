"""The schema that editors read: committed, true to the code, and accepting what the loader accepts."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from orchestrator.onhost.settings import CATALOGUE
from orchestrator.planning import cells, load, schedule
from orchestrator.planning.reader import read
from orchestrator.planning.schema import plan_schema
from tests.planning.test_plan_load import FIVE_MISTAKES, WHOLE

PLANS = Path(__file__).parents[2] / "plans"
SHIPPED = sorted(PLANS.rglob("*.yaml"))
BINDS = {"board": "dome.obs.example"}


def validator() -> jsonschema.Draft202012Validator:
    """Of the schema as the code makes it."""
    schema = plan_schema(CATALOGUE)
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def wrong(text: str) -> list[str]:
    """Where an editor would underline."""
    names = {name: f"${name}" for name in ("board", "hall")}  # an editor sees the names, not what is bound to them
    return [error.json_path for error in validator().iter_errors(read(text, binds=names).data)]


def test_the_committed_schema_is_the_one_that_the_code_makes() -> None:
    committed = json.loads((PLANS / "plan.schema.json").read_text())
    assert committed == plan_schema(CATALOGUE), "write it again: linktrial schema > plans/plan.schema.json"


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.name)
def test_a_shipped_plan_loads_and_can_be_scheduled(path: Path) -> None:
    plan = load(path.read_text(), name=str(path), binds=BINDS, catalogue=CATALOGUE)
    assert schedule(plan, cells(plan))
    assert plan.purpose


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.name)
def test_a_shipped_plan_names_its_schema_and_satisfies_it(path: Path) -> None:
    first = path.read_text().splitlines()[0]
    prefix = "# yaml-language-server: $schema="
    assert first.startswith(prefix)
    assert (path.parent / first.removeprefix(prefix)).resolve() == PLANS / "plan.schema.json"
    assert wrong(path.read_text()) == []


def test_the_plans_that_ship_are_those_that_are_promised() -> None:
    assert {path.relative_to(PLANS).as_posix() for path in SHIPPED} == {
        "mtu-and-direction.yaml",
        "two-boards.yaml",
        "two-ports-at-once.yaml",
        "what-matters.yaml",
        "kernels-and-boot-parameters.yaml",
        "kernel-regression/throughput.yaml",
        "kernel-regression/datagrams.yaml",
        "kernel-regression/clock-policy.yaml",
    }


def test_what_the_loader_accepts_the_schema_accepts() -> None:
    assert wrong(WHOLE) == []


def test_what_is_wrong_by_form_is_underlined() -> None:
    found = wrong(FIVE_MISTAKES)
    assert "$.hosts.dome" in found
    assert "$.links.uplink.rate" in found


def described(node: Any, path: str = "$") -> list[str]:
    """The properties that say nothing about themselves."""
    missing = []
    if isinstance(node, dict):
        for name, part in node.get("properties", {}).items():
            if "description" not in part and "$ref" not in part:
                missing.append(f"{path}.{name}")
        for key, part in node.items():
            missing += described(part, f"{path}.{key}")
    return missing


def test_every_property_says_what_it_is() -> None:
    assert described(plan_schema(CATALOGUE)) == []


def test_every_setting_and_traffic_factor_is_offered_for_completion() -> None:
    offered = plan_schema(CATALOGUE)["properties"]["factors"]["properties"]
    assert set(CATALOGUE) <= set(offered)
    assert {"transport", "direction", "streams", "intended_load"} <= set(offered)

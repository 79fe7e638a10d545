"""Levels that would be commands to a shell: from a plan through cells and the wire into a file, unchanged."""

from __future__ import annotations

from pathlib import Path

import pytest

from orchestrator.onhost.settings import CATALOGUE
from orchestrator.planning import PlanProblems, cells, load
from tests.onhost.helper_process import HelperProcess, file_setting
from tests.spine.bench import plan_text

CORES = (
    "$(touch /tmp/owned)",
    "`id`",
    "; rm -rf /",
    "' or '1",
    "'",
    '"',
    "\\",
    "|cat",
    "&&",
    "*",
    "../../etc/passwd",
    "%s%n",
    "${HOME}",
    "~root",
    "!!",
    "#",
    "a b",
    "$'\\n'",
    "<(id)",
    ">/tmp/owned",
    "(){ :;}; id",
    "*/*",
    "{a,b}",
    "--help",
)
HOSTILE = [f"{before}{core}{after}" for before in ("", "-", "a;") for core in CORES for after in ("", "$", "é")]
REFUSED = ["$name", "${HOME}", "a\nb", " a", "a ", "\x00", "\x1b[2J", "a\u2028", "", "x" * 5000, "{level}\n"]


def test_two_hundred_hostile_levels_go_from_the_plan_to_the_host_unchanged(tmp_path: Path):
    file, place = file_setting(tmp_path)
    with HelperProcess(tmp_path) as helper:
        token = helper.ask("lease.acquire", {"run_id": "r1", "holder": "ann", "lease_s": 600})["token"]
        helper.ask("prepare", {"token": token, "interfaces": [], "places": [place]})
        for value in HOSTILE:
            level = planned(value.replace("$", "$$"), place["level"])  # as a plan writes a dollar sign
            (use,) = helper.ask("apply", {"token": token, "uses": [{**place, "level": level}]})["uses"]
            assert use["ok"], use
            assert file.read_text() == value
        helper.ask("restore", {"token": token})
        helper.ask("lease.release", {"token": token})
    assert file.read_text() == "old"
    assert not Path("/tmp/owned").exists()
    assert len(set(HOSTILE)) > 200


@pytest.mark.parametrize("value", REFUSED, ids=lambda value: repr(value)[:12])
def test_a_level_that_no_line_of_text_can_be_is_refused_where_it_stands(value: str, tmp_path: Path):
    with pytest.raises(PlanProblems) as refused:
        planned(value, file_setting(tmp_path)[1]["level"])
    assert all(one.line > 1 for one in refused.value.problems)


def planned(value: str, command: dict[str, object]) -> dict[str, object]:
    """The level as the run would send it, when a plan names this value; PlanProblems when it may not."""
    setting = {
        "setting": "command",
        "at": "dome",
        "read": command["read"],
        "write": command["write"],
        "levels": [value],
    }
    plan = load(plan_text(factors={"dial": setting}), catalogue=CATALOGUE)
    (cell,) = cells(plan)
    (use,) = cell.settings
    assert isinstance(use.level, dict)
    return use.level

"""`linktrial check`, `schema` and `settings`, as a user and as a program see them."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from orchestrator.onhost.settings import CATALOGUE

PLANS = Path(__file__).parents[2] / "plans"
SHIPPED = str(PLANS / "mtu-and-direction.yaml")
HEAVY = ("pandas", "asyncssh", "scipy", "altair", "numpy", "vl_convert", "rich", "asyncio")

FIVE_MISTAKES = """\
plan: dome-to-hall
hosts:
  dome: {ssh: dome.obs.example, privlege: sudo}
  hall: {ssh: hall.obs.example}
links:
  uplink: {under_test: dome eth1, far: hal eth1, rate: 2500}
factors:
  mtuu: [1500, 9000]
  direction: [transmit, both]
"""


def linktrial(*words: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """The command in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "orchestrator.cli", *words],
        cwd=cwd,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def modules_of(*words: str) -> set[str]:
    """The modules that a command has imported when it is done."""
    code = (
        "import sys\nfrom orchestrator.cli.main import main\n"
        f"sys.argv = ['linktrial', *{list(words)!r}]\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        "print('MODULES', *sys.modules)\n"
    )
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True)
    return set(ended.stdout.rpartition("MODULES ")[2].split())


def test_a_plan_is_shown_with_cells_schedule_hosts_and_cautions_on_standard_output() -> None:
    ended = linktrial("check", SHIPPED)
    assert (ended.returncode, ended.stderr) == (0, "")
    for said in (
        "Cells   18 from 2 mtu x 2 transport x 3 direction x 2 intended_load",
        "Trials  95 = 18 cells x 5 replicates and 5 control trials of cell 1",
        "Schedule",
        "What is done to each host",
        "privilege sudo",
        "sends at most",
        "No host was contacted.",
    ):
        assert said in ended.stdout


def test_five_mistakes_print_five_located_errors_and_exit_2(tmp_path: Path) -> None:
    (tmp_path / "night.yaml").write_text(FIVE_MISTAKES)
    ended = linktrial("check", "night.yaml", cwd=tmp_path)
    assert (ended.returncode, ended.stdout) == (2, "")
    places = [line.split(": ")[0] for line in ended.stderr.splitlines() if line.startswith("night.yaml:")]
    assert places == ["night.yaml:3:33", "night.yaml:6:40", "night.yaml:6:56", "night.yaml:8:3", "night.yaml:9:25"]
    assert "5 problems in the plan; no host was contacted" in ended.stderr
    assert "Traceback" not in ended.stderr


def test_problems_are_data_for_programs_that_ask_for_it(tmp_path: Path) -> None:
    (tmp_path / "night.yaml").write_text(FIVE_MISTAKES)
    ended = linktrial("check", "night.yaml", "--json", cwd=tmp_path)
    assert ended.returncode == 2
    found = json.loads(ended.stdout)
    assert [(one["line"], one["code"]) for one in found["problems"]] == [
        (3, "unknown-key"),
        (6, "unknown-host"),
        (6, "unit-missing"),
        (8, "unknown-factor"),
        (9, "bad-level"),
    ]
    assert found["plans"] == []


def test_a_plan_is_data_for_programs_that_ask_for_it() -> None:
    found = json.loads(linktrial("check", SHIPPED, "--json").stdout)
    plan = found["plans"][0]
    assert (len(plan["cells"]), len(plan["trials"]), found["problems"]) == (18, 95, [])
    assert plan["hosts"][0]["settings"][0]["levels"] == [1500, 9000]
    assert plan["estimate"]["total_s"] > 90 * 12


def test_a_folder_is_a_suite_and_its_time_is_summed() -> None:
    ended = linktrial("check", str(PLANS / "kernel-regression"))
    assert ended.returncode == 0
    assert "3 plans, 120 trials, about" in ended.stdout


def test_the_problems_of_all_files_are_told_in_one_go(tmp_path: Path) -> None:
    (tmp_path / "a.yaml").write_text("plan: A\n")
    (tmp_path / "b.yaml").write_bytes(b"plan: \xff\n")
    ended = linktrial("check", ".", cwd=tmp_path)
    assert ended.returncode == 2
    assert "a.yaml:1:7: " in ended.stderr
    assert "b.yaml:1:7: byte 0xff is not UTF-8 text" in ended.stderr


def test_one_plan_serves_two_boards_by_bind() -> None:
    boards = str(PLANS / "two-boards.yaml")
    for board in ("dome.obs.example", "spare.obs.example"):
        ended = linktrial("check", boards, "--bind", f"board={board}")
        assert f"ssh {board}" in ended.stdout
    open_name = linktrial("check", boards)
    assert (open_name.returncode, "two-boards.yaml:9:15: nothing is bound to $board" in open_name.stderr) == (2, True)
    misspelt = linktrial("check", boards, "--bind", "board=x", "--bind", "bord=y")
    assert (misspelt.returncode, "did you mean 'board'?" in misspelt.stderr) == (2, True)


@pytest.mark.parametrize(
    "words",
    [
        ("check",),
        ("check", "nowhere.yaml"),
        ("check", "/"),
        ("check", "--no-such-option"),
        ("check", SHIPPED, "--bind", "x"),
        ("check", "/dev/zero"),
        ("chekc",),
    ],
)
def test_a_wrong_command_line_exits_2_without_a_traceback(words: tuple[str, ...], tmp_path: Path) -> None:
    ended = linktrial(*words, cwd=tmp_path)
    assert ended.returncode == 2
    assert ended.stderr.strip()
    assert "Traceback" not in ended.stderr


@pytest.mark.parametrize("words", [("--help",), ("check", "--help"), ("check", SHIPPED), ("schema",), ("settings",)])
def test_commands_that_contact_nobody_import_nothing_heavy(words: tuple[str, ...]) -> None:
    assert modules_of(*words) & set(HEAVY) == set()


def test_help_imports_no_room_at_all() -> None:
    assert {name for name in modules_of("--help") if name.startswith("orchestrator.")} <= {
        "orchestrator.cli",
        "orchestrator.cli.main",
        "orchestrator.words",
        "orchestrator.words.exit_codes",
        "orchestrator.faults",
    }


def test_the_schema_printed_is_the_one_committed() -> None:
    ended = linktrial("schema")
    assert ended.returncode == 0
    assert ended.stdout == (PLANS / "plan.schema.json").read_text()


def test_every_setting_is_listed_with_what_a_user_must_know() -> None:
    text = linktrial("settings").stdout
    for name, info in CATALOGUE.items():
        assert f"\n{name}  (" in text
        assert info.example.split()[0] in text
    for said in ("needs root", "gone after a reboot", "levels: ", "example: ", "transport", "UDP only"):
        assert said in text


def test_the_settings_are_data_for_programs_that_ask_for_it() -> None:
    found = json.loads(linktrial("settings", "--json").stdout)
    assert {one["name"] for one in found["settings"]} >= set(CATALOGUE)
    for one in found["settings"]:
        assert {"unit", "domain", "privilege", "survives_reboot", "example", "doc"} <= set(one)
        assert one["doc"]
        assert one["example"]


def test_no_setting_has_the_name_of_a_traffic_factor() -> None:
    found = json.loads(linktrial("settings", "--json").stdout)
    assert not {one["name"] for one in found["settings"]} & {one["name"] for one in found["traffic_factors"]}


def test_what_the_replicates_can_resolve_is_unknown_before_the_first_run(tmp_path: Path) -> None:
    said = linktrial("check", SHIPPED, cwd=tmp_path).stdout
    assert "Noise   unknown: no earlier run of this plan in runs/" in said
    assert json.loads(linktrial("check", SHIPPED, "--json", cwd=tmp_path).stdout)["plans"][0]["noise"] is None


def test_what_the_replicates_can_resolve_is_told_from_an_earlier_run(tmp_path: Path) -> None:
    run = tmp_path / "runs" / "mtu-and-direction-20260301T210000Z-4f2a"
    run.mkdir(parents=True)
    (run / "run.json").write_text('{"schema": 1, "plan_name": "mtu-and-direction"}')
    (run / "cells.csv").write_text(
        "cell,n_valid,goodput_mean_bit_s,goodput_deviation_bit_s\n1,5,1000000000,20000000\n2,5,2000000000,40000000\n"
    )
    said = " ".join(linktrial("check", SHIPPED, cwd=tmp_path).stdout.split())
    assert f"2.0 % between replicates in runs/{run.name} (median of 2 figures)" in said
    assert "with 5 replicates a mean is known to ±2.5 %" in said  # 2 % x 2.776 / sqrt(5)
    named = json.loads(linktrial("check", SHIPPED, "--json", "--noise", str(run)).stdout)["plans"][0]["noise"]
    assert named["ratio"] == pytest.approx(0.02)
    assert named["resolution"]["alone_ratio"] < named["resolution"]["family_ratio"]

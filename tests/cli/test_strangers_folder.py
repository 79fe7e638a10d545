"""A stranger's folder has nothing run and nobody restored by its own word, until a person says so by name."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from orchestrator.act import run_folder
from orchestrator.act.journal import Journal
from orchestrator.act.made_here import made_here, note_made
from orchestrator.act.recovering import Recovered
from orchestrator.act.run_folder import make_folder
from orchestrator.cli import one_run, recover, resume, run
from orchestrator.cli.plans import load_plans
from orchestrator.decide.compose import compose
from orchestrator.decide.state import Place
from orchestrator.faults import PlanError

PLAN = """plan: night
hosts:
  dome: {ssh: dome, privilege: sudo, power_cycle: {command: [plug-switch, cycle, dome], wait: 60s}}
  hall: {ssh: hall, privilege: root}
links:
  uplink: {under_test: dome e0, far: hall e0, rate: 1Gbit/s}
factors:
  mtu: [1500, 9000]
  fan: {setting: command, at: hall, read: [fan, get], write: [fan, set, "{level}"], levels: [slow, fast]}
"""
HARMLESS = PLAN.replace(", power_cycle: {command: [plug-switch, cycle, dome], wait: 60s}", "").replace(
    '  fan: {setting: command, at: hall, read: [fan, get], write: [fan, set, "{level}"], levels: [slow, fast]}\n', ""
)


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))


@pytest.fixture
def driven(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """The folders of the runs that were set going; none is really."""
    found: list[Path] = []
    monkeypatch.setattr(one_run, "drive", lambda state, loaded, folder, *_, **__: found.append(folder) or 0)
    return found


def folder_of(tmp_path: Path, text: str = PLAN, **other: object) -> Path:
    """A run's folder as somebody else's linktrial would leave it; `other` replaces parts of the journal's setup."""
    folder = make_folder(tmp_path / "runs", "night-1", text)
    loaded = load_plans([folder], {})[0]
    setup = {**compose(loaded.plan, run_id="night-1", holder="somebody").as_dict(), **other}
    with Journal(folder / "journal.jsonl") as journal:
        journal.append("setup", json.loads(json.dumps(setup)))
    (folder / "run.json").write_text(json.dumps({"schema": 1, "run_id": "night-1", "binds": {}, "exit": None}))
    return folder


def suite_of(tmp_path: Path) -> Path:
    """A suite's folder as somebody else's linktrial would leave it before its only run begins."""
    suite = tmp_path / "suites" / "tuesday"
    (suite / "plans").mkdir(parents=True)
    (suite / "plans" / "night.yaml").write_text(PLAN)
    entry = {"plan": "night", "run": "", "exit": None, "file": "night.yaml", "binds": {}, "why": ""}
    (suite / "suite.json").write_text(json.dumps({"schema": 1, "suite": "tuesday", "rehearse": False, "runs": [entry]}))
    return suite


def ran(command: object, *words: object) -> Result:
    return CliRunner().invoke(command, [str(word) for word in words], standalone_mode=False)  # type: ignore[arg-type]


@pytest.mark.parametrize("command", [resume.command, run.command])
def test_programs_of_a_strangers_folder_are_shown_and_not_run(tmp_path: Path, driven: list[Path], command: object):
    answer = ran(command, folder_of(tmp_path))
    assert isinstance(answer.exception, PlanError)
    assert answer.exception.code == "not_made_here"
    assert "--obey night-1" in answer.exception.next_step
    for line in (
        "on this machine: plug-switch cycle dome",
        "on hall, as root: fan get",
        "on hall, as root: fan set '{level}'",
    ):
        assert line in answer.output
    assert driven == []


@pytest.mark.parametrize("command", [resume.command, run.command])
def test_they_run_once_a_person_says_so_by_name(tmp_path: Path, driven: list[Path], command: object):
    folder = folder_of(tmp_path)
    assert isinstance(ran(command, folder, "--obey", "night-2").exception, PlanError)
    answer = ran(command, folder, "--obey", "night-1", *(["--out", tmp_path / "x"] if command is run.command else []))
    assert answer.exception is None
    assert len(driven) == 1


def test_a_folder_that_this_user_made_is_gone_on_with_unasked(tmp_path: Path, driven: list[Path]) -> None:
    folder = folder_of(tmp_path)
    note_made("night-1", PLAN, {})
    assert ran(resume.command, folder).exception is None
    assert driven == [folder]


def test_a_folder_of_ones_own_is_run_again_with_another_binding_unasked(tmp_path: Path, driven: list[Path]) -> None:
    text = PLAN.replace("{ssh: hall,", "{ssh: $far,")
    folder = make_folder(tmp_path / "runs", "night-1", text)
    (folder / "run.json").write_text(json.dumps({"schema": 1, "run_id": "night-1", "binds": {"far": "hall"}}))
    note_made("night-1", text, {"far": "hall"})
    assert ran(run.command, folder, "--bind", "far=other", "--out", tmp_path / "x").exception is None
    assert len(driven) == 1


def test_a_plan_changed_after_the_folder_was_made_is_a_strangers(tmp_path: Path, driven: list[Path]) -> None:
    folder = folder_of(tmp_path)
    note_made("night-1", PLAN, {})
    (folder / "plan.yaml").write_text(PLAN.replace("plug-switch, cycle", "plug-switch, off"))
    assert isinstance(ran(resume.command, folder).exception, PlanError)
    assert driven == []


def test_a_strangers_folder_without_programs_needs_no_word(tmp_path: Path, driven: list[Path]) -> None:
    assert ran(resume.command, folder_of(tmp_path, HARMLESS)).exception is None
    assert len(driven) == 1


@pytest.mark.parametrize("made", [True, False])
@pytest.mark.parametrize(
    "other",
    [
        {"power": [{"host": "dome", "command": ["touch", "/tmp/pwned"], "wait_s": 1.0}]},
        {"hosts": ["dome", "hall", "victim"]},
        {"lease_s": 86400.0},
        {"changed_outside": "stop"},
    ],
)
def test_a_journal_that_is_not_its_plans_is_shown_and_never_obeyed(
    tmp_path: Path, driven: list[Path], made: bool, other: dict[str, object]
) -> None:
    folder = folder_of(tmp_path, HARMLESS, **other)
    if made:
        note_made("night-1", HARMLESS, {})
    answer = ran(resume.command, folder, "--obey", "night-1")
    assert isinstance(answer.exception, PlanError)
    assert answer.exception.code == "journal_is_not_the_plans"
    assert f"{next(iter(other))}: " in answer.output
    assert driven == []


def test_a_run_marks_its_folder_as_made_here(tmp_path: Path, driven: list[Path]) -> None:
    (tmp_path / "plan.yaml").write_text(PLAN)
    assert ran(run.command, tmp_path / "plan.yaml", "--out", tmp_path / "runs").exception is None
    [folder] = driven
    loaded = load_plans([folder], {})[0]
    assert made_here(folder.name, loaded.text, loaded.binds)


@pytest.mark.parametrize("command", [resume.command, run.command])
def test_a_strangers_suite_is_obeyed_by_its_own_name(tmp_path: Path, driven: list[Path], command: object):
    """Not by that of the folder its plans lie in, which every suite has."""
    suite, name = suite_of(tmp_path), "run" if command is run.command else "resume"
    out = ["--out", tmp_path / "x"] if command is run.command else []
    for word in ([], ["--obey", "plans"], ["--obey", "night.yaml"], ["--obey", "night"]):
        refused = ran(command, suite, *word, *out)
        told = f"{refused.output} {getattr(refused.exception, 'next_step', '')}"
        assert f"linktrial {name} {suite} --obey tuesday" in " ".join(told.split()), word
        assert driven == []
    ran(command, suite, "--obey", "tuesday", *out)
    assert len(driven) == 1


def test_one_plan_of_a_strangers_suite_is_obeyed_by_the_suites_name(tmp_path: Path, driven: list[Path]) -> None:
    plan = suite_of(tmp_path) / "plans" / "night.yaml"
    assert ran(run.command, plan, "--obey", "plans", "--out", tmp_path / "x").exception.code == "not_made_here"
    assert ran(run.command, plan, "--obey", "tuesday", "--out", tmp_path / "x").exception is None
    assert len(driven) == 1


def test_what_only_a_strangers_journal_knows_of_hosts_restores_nobody(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = folder_of(tmp_path, HARMLESS)
    state = run_folder.state_of(folder)
    place = Place("mtu", "e0")
    for host in state.hosts.values():
        host.facts = {"interfaces": [{"name": "e0", "index": 2}], "boot_id": "b"}
        host.places[place], host.before[place], host.ours[place] = place._asdict(), 4000, [9000]
        host.changed = True
    monkeypatch.setattr(run_folder, "state_of", lambda _: state)
    known: list[object] = []

    async def noted(name: str, _: object, run_id: str, known_places: object, **__: object) -> object:
        known.append(known_places)
        return Recovered(name)

    monkeypatch.setattr("orchestrator.act.recovering.recover_host", noted)
    answer = ran(recover.command, folder)
    assert known == [[], []]
    assert "was not made by your linktrial" in answer.output
    assert "mtu e0 to 4000" in answer.output
    assert answer.return_value == 3
    known.clear()
    ran(recover.command, folder, "--obey", "night-1")
    assert all(known)

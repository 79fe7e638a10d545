"""A run is known as made here only by this user, under its own name, with the very plan and bindings of the run."""

import pytest

from orchestrator.act.made_here import made_here, note_made, state_folder


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))


def test_a_run_made_here_is_known():
    assert note_made("night-1", "plan: a\n", {"hall": "h"})
    assert made_here("night-1", "plan: a\n", {"hall": "h"})


@pytest.mark.parametrize(
    "other",
    [
        ("night-2", "plan: a\n", {"hall": "h"}),
        ("night-1", "plan: b\n", {"hall": "h"}),
        ("night-1", "plan: a\n", {"hall": "evil"}),
        ("night-1", "plan: a\n", {}),
        ("..", "plan: a\n", {}),
        ("", "", {}),
        ("a/../night-1", "plan: a\n", {"hall": "h"}),
    ],
)
def test_another_name_plan_or_binding_is_not_ours(other):
    note_made("night-1", "plan: a\n", {"hall": "h"})
    assert not made_here(*other)


def test_a_mark_copied_from_another_run_or_user_is_worth_nothing(tmp_path, monkeypatch):
    note_made("night-1", "plan: a\n", {})
    marks = state_folder() / "made"
    (marks / "night-2").write_bytes((marks / "night-1").read_bytes())
    assert not made_here("night-2", "plan: a\n", {})
    theirs = (marks / "night-1").read_bytes()
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "another"))
    note_made("other", "x", {})
    (state_folder() / "made" / "night-1").write_bytes(theirs)
    assert not made_here("night-1", "plan: a\n", {})


def test_key_and_marks_are_for_their_owner_only():
    note_made("night-1", "plan: a\n", {})
    for name in ("key", "made/night-1"):
        assert (state_folder() / name).stat().st_mode & 0o777 == 0o600


def test_a_home_that_cannot_be_written_costs_the_mark_and_nothing_else(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "file"))
    assert not note_made("night-1", "plan: a\n", {})
    assert not made_here("night-1", "plan: a\n", {})

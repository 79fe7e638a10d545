"""Whatever a stranger put into a run's folder, nothing outside it is read or written, and nothing waits."""

import errno
import os
import socket
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.faults import PlanError
from orchestrator.run_files import Folder

SECRET = b"the victim's own words\n"


@pytest.fixture
def victim(tmp_path: Path) -> Path:
    path = tmp_path / "victim"
    path.write_bytes(SECRET)
    return path


@pytest.fixture
def folder(tmp_path: Path) -> Folder:
    (tmp_path / "run").mkdir()
    return Folder(tmp_path / "run")


def link(folder, name, victim):
    (folder.path / name).symlink_to(victim)


def hard_link(folder, name, victim):
    os.link(victim, folder.path / name)


def dangling(folder, name, victim):
    (folder.path / name).symlink_to(victim.parent / "not-there-yet")


def pipe(folder, name, _):
    os.mkfifo(folder.path / name)


def device(folder, name, _):
    (folder.path / name).symlink_to("/dev/zero")


def a_socket(folder, name, _):
    with socket.socket(socket.AF_UNIX) as made:
        made.bind(str(folder.path / name))


def a_folder(folder, name, _):
    (folder.path / name).mkdir()


TRICKS = [link, dangling, pipe, device, a_socket, a_folder]


@pytest.mark.timeout(10)
@pytest.mark.parametrize("trick", TRICKS)
def test_what_is_no_regular_file_is_not_read_and_is_told_at_once(folder, victim, trick):
    trick(folder, "log.txt", victim)
    assert not folder.has("log.txt")
    with pytest.raises(PlanError) as found:
        folder.read("log.txt")
    assert "log.txt" in found.value.message


@pytest.mark.timeout(10)
@pytest.mark.parametrize("trick", [*TRICKS, hard_link])
def test_nothing_is_appended_through_what_is_no_file_of_our_own(folder, victim, trick):
    trick(folder, "log.txt", victim)
    with pytest.raises(PlanError):
        folder.append("log.txt", b"more")
    assert victim.read_bytes() == SECRET
    assert not (victim.parent / "not-there-yet").exists()


@pytest.mark.timeout(10)
@pytest.mark.parametrize("trick", [*TRICKS, hard_link])
def test_writing_replaces_whatever_has_the_name_and_follows_nothing(folder, victim, trick):
    trick(folder, "report.html", victim)
    if trick is a_folder:
        with pytest.raises(PlanError):
            folder.write("report.html", "new")
    else:
        folder.write("report.html", "new")
        assert folder.read("report.html") == b"new"
        assert not (folder.path / "report.html").is_symlink()
    assert victim.read_bytes() == SECRET
    assert not (victim.parent / "not-there-yet").exists()
    assert [name for name in folder.names() if name.startswith(".")] == []


def test_a_folder_inside_that_is_a_link_is_not_entered(folder, tmp_path):
    (tmp_path / "elsewhere").mkdir()
    (folder.path / "charts").symlink_to(tmp_path / "elsewhere")
    for attempt in (
        lambda: folder.inner("charts").make(),
        lambda: folder.inner("charts").write("a.svg", "x"),
        lambda: folder.inner("charts").names(),
    ):
        with pytest.raises(PlanError):
            attempt()
    assert list((tmp_path / "elsewhere").iterdir()) == []


def test_the_folder_that_the_user_names_may_be_a_link(folder, tmp_path):
    (tmp_path / "latest").symlink_to(folder.path)
    Folder(tmp_path / "latest").write("a", "b")
    assert folder.text("a") == "b"


def test_what_is_larger_than_allowed_is_not_read(folder):
    with (folder.path / "trials.csv").open("wb") as file:
        file.truncate(1 << 40)
    with pytest.raises(PlanError) as found:
        folder.read("trials.csv")
    assert found.value.code == "run_file_large"


@settings(max_examples=200)
@given(
    name=st.sampled_from(["..", ".", "", "a/b", "/etc/passwd", "../x", "a\0b"])
    | st.text(max_size=20).map("../".__add__)
)
def test_no_name_leaves_the_folder(tmp_path_factory, name):
    folder = Folder(tmp_path_factory.getbasetemp())
    for attempt in (
        folder.read,
        folder.open_append,
        lambda name: folder.write(name, b"x"),
        folder.remove,
        folder.inner,
    ):
        with pytest.raises(PlanError):
            attempt(name)


def test_a_private_file_is_for_its_owner_only(folder):
    folder.write("plan.yaml", "x", private=True, flush=True)
    os.close(folder.open_append("journal.jsonl"))
    for name in ("plan.yaml", "journal.jsonl"):
        assert (folder.path / name).stat().st_mode & 0o777 == 0o600


def test_a_reader_sees_the_old_content_or_the_new(folder):
    folder.write("run.json", "old")
    with folder.open_read("run.json") as file:
        folder.write("run.json", "new")
        assert file.read() == b"old"
    assert folder.text("run.json") == "new"


@pytest.mark.parametrize("change", ["write", "rename", "remove"])
def test_a_folder_in_a_files_place_is_named_and_stays(folder, change):
    """A stranger may give it a name that only we use, such as that of a table which grows."""
    name = ".series.csv.gz.new"
    (folder.path / name).mkdir()
    (folder.path / "other").write_text("x")
    changes = {
        "write": lambda: folder.write(name, "x"),
        "rename": lambda: folder.rename("other", name),
        "remove": lambda: folder.remove(name),
    }
    with pytest.raises(PlanError, match=r"\.series\.csv\.gz\.new is not a regular file"):
        changes[change]()
    assert folder.names() == [name, "other"]


def test_what_the_machine_refuses_names_the_file_and_not_what_it_is_called_meanwhile(folder, monkeypatch):
    def refused(*_, **__):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), ".run.json.123")

    monkeypatch.setattr(os, "replace", refused)
    for change in (lambda: folder.write("run.json", "{}"), lambda: folder.rename("a", "run.json")):
        with pytest.raises(PermissionError) as told:
            change()
        assert told.value.filename == str(folder.path / "run.json")
    assert folder.names() == []

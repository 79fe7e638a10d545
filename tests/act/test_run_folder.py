"""What a run's folder must hold after the controller's power was cut: the plan that it is recovered and resumed by."""

from __future__ import annotations

import os
import pwd
from pathlib import Path

import pytest

from orchestrator.act.run_folder import make_folder, owner_text


class FlushedNames:
    """Which files and folders had been flushed to the disk when each file got its name."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.flushed: set[int] = set()
        self.whole_when_named: dict[str, bool] = {}
        self.folders_after: set[int] = set()
        real_fsync, real_replace = os.fsync, os.replace

        def fsync(handle: int) -> None:
            real_fsync(handle)
            self.flushed.add(os.fstat(handle).st_ino)
            self.folders_after.add(os.fstat(handle).st_ino)

        def replace(name: str, target: str, *, src_dir_fd: int, dst_dir_fd: int) -> None:
            self.whole_when_named[target] = os.stat(name, dir_fd=src_dir_fd).st_ino in self.flushed
            self.folders_after.clear()
            real_replace(name, target, src_dir_fd=src_dir_fd, dst_dir_fd=dst_dir_fd)

        monkeypatch.setattr(os, "fsync", fsync)
        monkeypatch.setattr(os, "replace", replace)


def test_the_plan_is_on_the_disk_before_any_host_is_contacted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file system may write the name first: after a cut of power the plan would be there, and be empty."""
    seen = FlushedNames(monkeypatch)
    folder = make_folder(tmp_path / "runs", "r1", "plan: 1\n")
    assert seen.whole_when_named == {"plan.yaml": True}
    assert folder.stat().st_ino in seen.folders_after, "its name is to be found, too"
    assert folder.parent.stat().st_ino in seen.flushed, "and the folder's"


def test_we_are_named_by_the_login_name_of_the_account_database_and_not_by_the_environment(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    name = pwd.getpwuid(os.getuid()).pw_name
    monkeypatch.delenv("USER", raising=False)
    monkeypatch.delenv("SUDO_UID", raising=False)
    assert owner_text(tmp_path).startswith(f"{name}@{os.uname().nodename}, process {os.getpid()}, folder {tmp_path}")
    monkeypatch.setattr(os, "getuid", lambda: 0)
    monkeypatch.setenv("SUDO_UID", "2999999")
    assert owner_text(tmp_path).startswith("2999999@"), "behind sudo it is the person; without an account, its number"

"""Leaving a login session's control group: read from texts as kernels and session managers write them.

The texts follow cgroups(7) and what systemd-logind names its units (session-N.scope, user-UID.slice, user@UID.service).
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from orchestrator.onhost.system.cgroup import groups_of_session, leave_and_remove_groups, mount_of

V2 = "0::/user.slice/user-1000.slice/session-3.scope\n"
V1 = (
    "12:pids:/user.slice/user-0.slice/session-1.scope\n1:name=systemd:/user.slice/user-0.slice/session-1.scope\n"
    "0::/user.slice/user-0.slice/session-1.scope\n3:cpuset:/\n"
)
MOUNTS = (
    "proc /proc proc rw 0 0\ncgroup2 /sys/fs/cgroup/unified cgroup2 rw,nosuid 0 0\n"
    "cgroup /sys/fs/cgroup/systemd cgroup rw,xattr,name=systemd 0 0\n"
    "cgroup /sys/fs/cgroup/cpu,cpuacct cgroup rw,cpu,cpuacct 0 0\n"
    "cgroup /sys/fs/cgroup/pids cgroup rw,pids 0 0\n"
)


@pytest.mark.parametrize(
    ("text", "found"),
    [
        (V2, [""]),
        (V1, ["pids", "name=systemd", ""]),
        ("0::/system.slice/ssh.service\n", []),
        ("0::/\n", []),
        ("0::/linktrial-77\n", []),
        ("0::/user.slice/user-1000.slice/user@1000.service/app.slice/x\n", [""]),
        ("", []),
    ],
)
def test_a_session_is_known_by_its_name(text: str, found: list[str]) -> None:
    assert [controllers for controllers, _ in groups_of_session(text)] == found


@pytest.mark.parametrize(
    ("controllers", "place"),
    [
        ("", "/sys/fs/cgroup/unified"),
        ("name=systemd", "/sys/fs/cgroup/systemd"),
        ("cpu,cpuacct", "/sys/fs/cgroup/cpu,cpuacct"),
        ("pids", "/sys/fs/cgroup/pids"),
        ("memory", ""),
    ],
)
def test_each_hierarchy_is_found_where_it_is_mounted(controllers: str, place: str) -> None:
    assert mount_of(controllers, MOUNTS) == place


def test_a_name_with_a_space_in_it_is_no_end_of_the_line() -> None:
    """The kernel writes a space in a mount point as backslash 040 (proc_mounts(5))."""
    assert mount_of("", "cgroup2 /a\\040b cgroup2 rw 0 0\n") == "/a b"


def test_whoever_removes_its_own_group_goes_up_first(tmp_path: Path) -> None:
    """As the kernel has it: a group goes once nothing is in it. Plain folders here, which have no such rule."""
    folders = [tmp_path / name / "linktrial-7" for name in ("pids", "unified")]
    for folder in folders:
        folder.mkdir(parents=True)
    leave_and_remove_groups(",".join(map(str, folders)))
    for folder in folders:
        assert not folder.exists()
        assert (folder.parent / "cgroup.procs").read_text() == str(os.getpid())
    leave_and_remove_groups("")

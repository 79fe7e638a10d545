"""Leaving the control group of a login session: a session manager may kill everything in it at logout. On Linux.

A host of the BSD family runs bsd/system/cgroup.py in its place.
"""

from __future__ import annotations

import contextlib
import os
import re

_SESSION = re.compile(r"/(session-[^/]+\.scope|user-\d+\.slice|user@\d+\.service)(/|$)")


def groups_of_session(text: str) -> list[tuple[str, str]]:
    """From the text of /proc/self/cgroup, the (controllers, path) of hierarchies where we are in a login session."""
    fields = [line.split(":", 2) for line in text.splitlines() if line.count(":") >= 2]
    return [(names, path) for _, names, path in fields if _SESSION.search(path)]


def mount_of(controllers: str, mounts: str) -> str:
    """Where a hierarchy is mounted, from the text of /proc/self/mounts; "" when it is not.

    `controllers` as in /proc/self/cgroup: "" is version 2, "name=systemd" the session manager's own of version 1.
    """
    for line in mounts.splitlines():
        _, place, kind, options = line.split()[:4]
        place = re.sub(r"\\([0-7]{3})", lambda found: chr(int(found[1], 8)), place)  # proc_mounts(5) writes spaces so
        if kind == "cgroup2" and controllers == "":
            return place
        if kind == "cgroup" and controllers and set(controllers.split(",")) <= set(options.split(",")):
            return place
    return ""


def leave_session_group() -> str:
    """Move this process into groups of its own, wherever it is in a session's; the folders made, by commas.

    Raises OSError where that is not allowed. Returns "" when there was nothing to leave.
    """
    made = []
    with open("/proc/self/mounts", encoding="utf-8") as handle:
        mounts = handle.read()
    for controllers, _ in groups_of_session(_own_groups()):
        place = mount_of(controllers, mounts)
        if place:
            folder = os.path.join(place, f"linktrial-{os.getpid()}")
            os.makedirs(folder, exist_ok=True)
            made.append(folder)
            with open(os.path.join(folder, "cgroup.procs"), "w", encoding="ascii") as handle:
                handle.write(str(os.getpid()))
    return ",".join(made)


def in_session_group() -> bool:
    """Whether this process would be among those that a session manager ends at logout."""
    return bool(groups_of_session(_own_groups()))


def remove_groups(folders: str) -> None:
    """Remove the folders that `leave_session_group` made; they must be empty of processes."""
    for folder in filter(None, folders.split(",")):
        with contextlib.suppress(OSError):
            os.rmdir(folder)


def leave_and_remove_groups(folders: str) -> None:
    """The same for folders that this process, and no other, is still in: it goes up to the group above them."""
    for folder in filter(None, folders.split(",")):
        with contextlib.suppress(OSError), open(
            os.path.join(os.path.dirname(folder), "cgroup.procs"), "w", encoding="ascii"
        ) as handle:
            handle.write(str(os.getpid()))
    remove_groups(folders)


def _own_groups() -> str:
    with open("/proc/self/cgroup", encoding="utf-8") as handle:
        return handle.read()

"""Restarting this host, for a run that holds it and has changed what it starts with."""

from __future__ import annotations

import os
import shutil
import subprocess
from typing import TypedDict

from orchestrator.onhost.catalogue import setting_of
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety import lease
from orchestrator.onhost.safety.record import Record, boot_id, boottime_ns
from orchestrator.onhost.settings.kernel import Kernel
from orchestrator.onhost.settings.this_host import this_host

# A moment for the answer to leave; then the host's own way down, which ends its programs and writes its disks.
_GO_DOWN = 'sleep 1; exec "$0" "$@"'
# A container may have the machine's own network, and is still not the machine (linux/proc_ns.h, PROC_PID_INIT_INO).
_PID_NAMESPACE, _FIRST_PID_NAMESPACE = "/proc/self/ns/pid", 0xEFFFFFFC
_PATH = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"


class Restarting(TypedDict):
    """Of the start that ends."""

    boot_id: str


def restart(record: Record, token: int, kernel: Kernel | None = None) -> Restarting:
    """Have this host restart in a second; {boot_id} of the start that ends.

    Refusal "cannot" unless this process is root on a machine of its own, never one that shares its kernel with
    another, and the run has looked at a setting that takes a restart.
    """
    kernel = kernel or this_host()
    with record.locked():
        state = lease.require(record.load(), token, now_ns=boottime_ns(), boot=boot_id())
        if not any(setting_of(one["setting"]).restarts(one["level"]) for one in state["before"]):
            raise Refusal("cannot", "no setting of this run takes a restart of this host")
        problem = cannot_restart(kernel)
        if problem:
            raise Refusal("cannot", problem)
        record.save({**state, "restarting": True})  # from here on the watchdog goes when it is asked to
    os.sync()
    command = ["systemctl", "reboot"] if os.path.isdir("/run/systemd/system") else ["reboot"]
    subprocess.Popen(
        ["/bin/sh", "-c", _GO_DOWN, *command],
        start_new_session=True,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={"PATH": _PATH},
        cwd="/",
    )
    return {"boot_id": boot_id()}


def cannot_restart(kernel: Kernel) -> str:
    """Why this host must not or cannot be restarted by us; empty when it can."""
    if not kernel.is_root():
        return "a restart needs root, and this host is measured as it stands"
    if not kernel.owns_machine():
        return "this host is only a network namespace of a machine, which others use too: it is not restarted"
    if os.stat(_PID_NAMESPACE).st_ino != _FIRST_PID_NAMESPACE:
        return "this host is a container of a machine, which others use too: it is not restarted"
    if shutil.which("reboot", path=_PATH) is None:
        return "this host has no program reboot"
    return ""

"""A lab leaves nothing behind, whatever ended it."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from orchestrator.lab.lab import Lab, LabError
from orchestrator.lab.scenario import Scenario, lab_host

_HOLD_A_LAB = """
import os, sys, time
from orchestrator.lab.lab import Lab
lab = Lab(server="openssh").make()
program = lab.hosts["dome"].start(["sleep", "1000"])
print(lab.controller.pid, lab.hosts["dome"].pid, flush=True)
time.sleep(1000)
"""


def _traces() -> set[str]:
    """Namespaces held and mounts: whatever of a lab could be seen from the machine (control groups: test_board.py)."""
    spaces = {_space(link) for link in Path("/proc").glob("[0-9]*/ns/net")}
    mounts = {
        f"mount {line.split()[1]}" for line in Path("/proc/self/mounts").read_text().splitlines() if "linktrial" in line
    }
    return spaces | mounts


def _space(link: Path) -> str:
    try:
        return str(link.readlink())
    except OSError:  # the process has just ended
        return ""


def _own_spaces(lab: Lab) -> set[str]:
    return {_space(Path(f"/proc/{place.pid}/ns/net")) for place in (lab.controller, lab.switch, *lab.hosts.values())}


@pytest.mark.lab
def test_when_stop_returns_every_process_namespace_and_mount_is_gone() -> None:
    before = {trace for trace in _traces() if not trace.startswith("net:")}
    lab = Lab(server="openssh").make()
    spaces = _own_spaces(lab)
    stubborn = lab.hosts["dome"].start(
        ["sh", "-c", "trap '' TERM HUP INT; echo ready; while :; do sleep 1; done"], stdout=subprocess.PIPE
    )
    assert stubborn.stdout
    stubborn.stdout.readline()
    assert spaces <= _traces()
    lab.stop()
    after = _traces()
    assert not spaces & after
    assert {trace for trace in after if not trace.startswith("net:")} == before
    assert stubborn.wait(timeout=5) != 0
    stubborn.stdout.close()


@pytest.mark.lab
def test_a_killed_controller_takes_its_lab_along() -> None:
    with subprocess.Popen([sys.executable, "-c", _HOLD_A_LAB], stdout=subprocess.PIPE, text=True) as holder:
        assert holder.stdout
        pids = [int(word) for word in holder.stdout.readline().split()]
        spaces = {_space(Path(f"/proc/{pid}/ns/net")) for pid in pids}
        holder.send_signal(signal.SIGKILL)
    _eventually(lambda: not spaces & _traces())


@pytest.mark.lab
def test_a_lab_that_cannot_be_made_says_why_and_leaves_nothing() -> None:
    twice = Scenario(hosts=(lab_host("dome", 11), lab_host("dome", 12)))
    before = {trace for trace in _traces() if not trace.startswith("net:")}
    with pytest.raises(LabError, match="port-dome"):
        Lab(twice, server="openssh").make()
    assert {trace for trace in _traces() if not trace.startswith("net:")} == before


def _eventually(true: Callable[[], bool], timeout_s: float = 10.0) -> None:
    until = time.monotonic() + timeout_s
    while not true():
        assert time.monotonic() < until, "still there"
        time.sleep(0.02)

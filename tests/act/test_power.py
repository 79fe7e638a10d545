"""The command that switches a host's power: arguments as given, no shell, bounded, and its failure is told."""

from __future__ import annotations

import asyncio
import sys
import time
from pathlib import Path

import pytest

from orchestrator.act.power import switch_power
from orchestrator.decide.setup import PowerSwitch
from orchestrator.faults import HostError


def switch(*command: str, timeout_s: float = 30.0) -> None:
    asyncio.run(switch_power(PowerSwitch("dome", command, 60.0), timeout_s))


def test_arguments_reach_the_command_as_they_stand(tmp_path: Path) -> None:
    said = tmp_path / "said"
    hostile = ["$(touch /tmp/never)", "a b", "; reboot", "`id`", "*", "--off"]
    switch(sys.executable, "-c", "import sys; open(sys.argv[1], 'w').write(repr(sys.argv[2:]))", str(said), *hostile)
    assert said.read_text() == repr(hostile)


def test_a_command_that_fails_is_told_with_its_last_words() -> None:
    with pytest.raises(HostError, match=r"dome: the command .* ended with 3: no such plug") as caught:
        switch(sys.executable, "-c", "print('no such plug'); raise SystemExit(3)")
    assert caught.value.code == "power_cycle"
    assert "start dome" in (caught.value.next_step or "")


def test_a_command_that_is_not_there_is_told() -> None:
    with pytest.raises(HostError, match=r"/nowhere/plug, cannot be run: No such file"):
        switch("/nowhere/plug", "off")


def test_a_command_that_hangs_is_killed_with_what_it_started(tmp_path: Path) -> None:
    number = tmp_path / "pid"
    child = (
        "import subprocess, sys, time\np = subprocess.Popen(['sleep', '600'])\n"
        "open(sys.argv[1], 'w').write(str(p.pid))\ntime.sleep(600)"
    )
    with pytest.raises(HostError, match=r"had not ended after 2 s and was killed"):
        switch(sys.executable, "-c", child, str(number), timeout_s=2.0)
    pid = int(number.read_text())
    until = time.monotonic() + 10
    while _runs(pid) and time.monotonic() < until:
        time.sleep(0.05)
    assert not _runs(pid)


def _runs(pid: int) -> bool:
    try:
        return "Z" not in Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except OSError:
        return False


def test_its_input_is_empty() -> None:
    switch(sys.executable, "-c", "import sys; raise SystemExit(sys.stdin.read() != '')")

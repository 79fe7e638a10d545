"""A program run in a lab's place behaves like a plain child of the caller."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from pathlib import Path

import pytest

from orchestrator.lab.lab import Lab


@pytest.mark.lab
def test_exit_status_input_output_and_working_folder_are_the_programs_own(
    lab: Lab, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    done = lab.run(["sh", "-c", "pwd; cat; exit 7"], input=b"\x00\xff", capture_output=True)
    assert (done.returncode, done.stdout) == (7, f"{tmp_path}\n".encode() + b"\x00\xff")
    assert lab.run(["no-such-program"], capture_output=True).returncode == 127


@pytest.mark.lab
@pytest.mark.parametrize("whole_group", [False, True], ids=["to the process", "to its group, as a terminal does it"])
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_reaches_the_program_once(lab: Lab, number: signal.Signals, whole_group: bool) -> None:
    count = (
        "import signal, sys, time; got = []; signal.signal(int(sys.argv[1]), lambda *_: got.append(1))\n"
        "print('ready', flush=True); until = time.monotonic() + 10\n"
        "while not got and time.monotonic() < until: time.sleep(0.01)\n"
        "time.sleep(0.2); print(len(got))"
    )
    with lab.start(
        ["python3", "-c", count, str(int(number))], stdout=subprocess.PIPE, text=True, start_new_session=True
    ) as program:
        assert program.stdout
        program.stdout.readline()
        (os.killpg if whole_group else os.kill)(program.pid, number)
        assert program.stdout.readline() == "1\n"


@pytest.mark.lab
def test_a_program_killed_by_a_signal_looks_killed(lab: Lab) -> None:
    assert lab.run(["sh", "-c", "kill -TERM $$"]).returncode == -signal.SIGTERM
    assert lab.run(["sh", "-c", "kill -KILL $$"]).returncode == -signal.SIGKILL


@pytest.mark.lab
def test_kill_reaches_the_program(lab: Lab) -> None:
    with lab.hosts["dome"].start(
        ["sh", "-c", "echo $$; exec sleep 1000"], stdout=subprocess.PIPE, text=True
    ) as program:
        assert program.stdout
        inside = program.stdout.readline().strip()
        assert lab.hosts["dome"].path(f"/proc/{inside}").exists()
        program.kill()
        program.wait()
        assert program.stdout.read() == ""  # the pipe's last writer has ended
    until = time.monotonic() + 5
    while lab.hosts["dome"].path(f"/proc/{inside}").exists():
        assert time.monotonic() < until


@pytest.mark.lab
def test_files_of_a_place_can_be_read_and_written_from_outside(lab: Lab) -> None:
    lab.hosts["dome"].path("/sys/class/net/eth1/mtu").write_text("4000")
    assert lab.hosts["dome"].output(["cat", "/sys/class/net/eth1/mtu"]) == "4000\n"
    assert lab.controller.path(lab.ssh_config).read_text().startswith("Host dome")
    assert not Path(lab.ssh_config).exists()

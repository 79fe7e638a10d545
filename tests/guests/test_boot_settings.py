"""Levels that take a restart, on guests that really boot: kernels of two series, their parameters, and the way back."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from orchestrator.lab.guests.boot_choice import CHOICE_ONCE
from orchestrator.lab.guests.machines import Machines
from orchestrator.words.exit_codes import Exit
from tests.guests.runs import as_found, linktrial, plan, rows, run

pytestmark = [pytest.mark.guests, pytest.mark.proof, pytest.mark.timeout(900)]
FILES = (
    "/boot/choice",
    "/boot/choice-once",
    "/boot/lines",
    "/etc/rc.local",
    "/etc/cron.d",
    "/etc/systemd/system",
    "/var/lib/linktrial-at-start",
)
CONDITIONS = {"setting_changed", "rebooted", "speed_changed", "carrier_lost"}
_MATRIX = """\
factors:
  kernel: {{levels: [{old}, {new}], file: /boot/choice-once}}
  parameter: {{setting: boot-lines, file: /boot/lines, effect: command-line, levels: [[], ["mitigations=off"]]}}
  mtu: [1500, 9000]
  direction: [transmit, receive]
trial: {{length: 1s, warmup: 0s, settle: 0s, replicates: 1}}
accept: [suspect]
lease: 60s
"""
_SHORT = """\
patience: 240s
factors:
  kernel: {{levels: [{old}, {new}], file: /boot/choice-once, at: dome}}
  direction: [transmit]
trial: {{length: 1s, warmup: 0s, settle: 0s, replicates: 1}}
order: {{shuffle: false}}
lease: 20s
"""


def releases(machines: Machines) -> tuple[str, str]:
    """(the release that runs, the other installed one)."""
    dome = machines["dome"]
    old = dome.output("uname -r").strip()
    installed = [line.removeprefix("/boot/vmlinuz-") for line in dome.output("ls /boot/vmlinuz-*").split()]
    return old, next(one for one in installed if one != old)


def boot_state(machines: Machines, name: str) -> str:
    """Every file that a boot setting may touch, with modes, owners and checksums; and the kernel that runs."""
    return machines[name].output(
        f"for path in {' '.join(FILES)}; do [ ! -e $path ] || find $path -printf '%p %m %U %G %l\\n' -type f "
        f"-exec sha256sum {{}} +; done | sort; uname -r; cat /proc/cmdline; ls -A /run/linktrial* 2>/dev/null || true"
    )


@pytest.fixture(scope="module")
def found(observatory: Machines) -> dict[str, str]:
    return {name: boot_state(observatory, name) for name in ("dome", "hall")}


def events(folder: Path, kind: str) -> list[dict[str, Any]]:
    """Events, or intents, of one kind in a run's journal, as far as it is written."""
    journal = folder / "journal.jsonl"
    lines = [line for line in journal.read_text().splitlines() if f'"{kind}"' in line] if journal.exists() else []
    bodies = [json.loads(line)["body"] for line in lines if line.endswith("}")]
    return [body for body in bodies if kind in (body.get("event"), body.get("command"))]


def test_a_matrix_of_frames_parameters_kernels_and_ways_runs_unattended_and_leaves_the_guests_as_found(
    observatory: Machines, found: dict[str, str], tmp_path: Path
) -> None:
    old, new = releases(observatory)
    starts = {name: observatory[name].boots for name in found}
    text = plan(_MATRIX.format(old=old, new=new), "boots")
    (tmp_path / "check.yaml").write_text(text)
    said = linktrial_check(observatory, tmp_path / "check.yaml")
    done, folder = run(observatory, tmp_path, text, timeout_s=800)
    assert done.returncode == 0, done.stderr[-3000:]
    made = rows(folder)
    measured = [row for row in made if row["role"] == "measure"]
    assert len(measured) == 16
    for row in made:  # two guests on two emulated cores: their traffic may stand still, their conditions must hold
        assert row["status"] in ("valid", "suspect"), row
        assert not CONDITIONS & set(row["doubts"].replace(",", " ").replace(";", " ").split()), row
    # four starts, of which one is as the guests were found, and the way back
    most = {name: observatory[name].boots - starts[name] for name in starts}
    assert set(most.values()) <= {4}, most
    assert "restarted 5 times at most" in said
    assert as_found(folder) == {"dome": True, "hall": True}
    assert {name: boot_state(observatory, name) for name in found} == found
    seen = {(row["kernel"], row["parameter"], row["mtu"], row["direction"]) for row in measured}
    assert seen == {
        (kernel, parameter, mtu, way)
        for kernel in (old, new)
        for parameter in ("none", "mitigations=off")
        for mtu in ("1500", "9000")
        for way in ("transmit", "receive")
    }
    for trial in events(folder, "Conducted"):
        record = trial["record"]
        for uses in record["settings"].values():
            for use in uses:
                assert use["ok"], use
                if use["setting"] == "kernel":
                    assert use["seen"] == record["levels"]["kernel"]


def linktrial_check(machines: Machines, file: Path) -> str:
    """What `check` says of a plan."""
    done = machines.run(
        [sys.executable, "-P", "-m", "orchestrator.cli", "check", str(file)],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    return " ".join(done.stdout.split())


# --- whatever dies, and when --------------------------------------------------------------------------------------
def written(machines: Machines, folder: Path) -> bool:
    return bool(events(folder, "Restart"))


def asked(machines: Machines, folder: Path) -> bool:
    return bool(events(folder, "RestartAsked"))


def back(machines: Machines, folder: Path) -> bool:
    return any(event["outcome"] == "rebooted" for event in events(folder, "Rejoined"))


MOMENTS: dict[str, Callable[[Machines, Path], bool]] = {
    "the file is written": written,
    "it goes down": asked,
    "it is back": back,
}


def start_run(machines: Machines, tmp_path: Path, rest: str) -> tuple[subprocess.Popen[bytes], Path]:
    (tmp_path / "plan.yaml").write_text(plan(rest, "cut"))
    out = tmp_path / "runs"
    with (tmp_path / "said").open("wb") as talk:
        running = machines.lab.start(
            [
                sys.executable,
                "-P",
                "-m",
                "orchestrator.cli",
                "run",
                str(tmp_path / "plan.yaml"),
                "--out",
                str(out),
                "--ssh-config",
                machines.ssh_config,
            ],
            stdout=talk,
            stderr=subprocess.STDOUT,
        )
    until = time.monotonic() + 60
    while not list(out.glob("*/journal.jsonl")):
        assert running.poll() is None, (tmp_path / "said").read_text()
        assert time.monotonic() < until
        time.sleep(0.05)
    (folder,) = out.iterdir()
    return running, folder


def wait_for(moment: str, machines: Machines, running: subprocess.Popen[bytes], folder: Path, tmp_path: Path) -> None:
    until = time.monotonic() + 200
    while not MOMENTS[moment](machines, folder):
        assert running.poll() is None, (tmp_path / "said").read_text()
        assert time.monotonic() < until, (tmp_path / "said").read_text()
        time.sleep(0.02)


@pytest.mark.parametrize("moment", MOMENTS)
def test_the_controller_is_killed_and_the_guest_ends_with_its_own_boot_file_without_it(
    observatory: Machines, found: dict[str, str], tmp_path: Path, moment: str
) -> None:
    old, new = releases(observatory)
    running, folder = start_run(observatory, tmp_path, _SHORT.format(old=old, new=new))
    try:
        wait_for(moment, observatory, running, folder, tmp_path)
    finally:
        running.kill()
        running.wait()
    time.sleep(25)  # the lease runs out; a guest that goes down is up again
    observatory["dome"].wait_until_up()
    until = time.monotonic() + 60
    while observatory["dome"].run(f"test -e {CHOICE_ONCE} -o -e /var/lib/linktrial-at-start").returncode == 0:
        assert time.monotonic() < until, "the boot file was not restore without a controller"
        time.sleep(1)
    recovered = linktrial(observatory, "recover", str(folder), timeout_s=200)
    assert recovered.returncode == 0, recovered.stderr
    assert {name: boot_state(observatory, name) for name in found} == found, recovered.stdout


@pytest.mark.parametrize("moment", MOMENTS)
def test_the_power_is_cut_and_the_run_still_ends_complete(
    observatory: Machines, found: dict[str, str], tmp_path: Path, moment: str
) -> None:
    old, new = releases(observatory)
    running, folder = start_run(observatory, tmp_path, _SHORT.format(old=old, new=new))
    try:
        wait_for(moment, observatory, running, folder, tmp_path)
        observatory["dome"].power_cycle()
        code = running.wait(400)
    finally:
        running.kill()
        running.wait()
    assert code == Exit.COMPLETE, (tmp_path / "said").read_text()
    assert {row["status"] for row in rows(folder)} == {"valid"}
    assert {name: boot_state(observatory, name) for name in found} == found


@contextlib.contextmanager
def at_start(machines: Machines, release: str, what: str) -> Iterator[None]:
    """On dome, whenever this kernel has started and before anything of ours runs there: `what`, a line of shell."""
    dome = machines["dome"]
    script = f'#!/bin/sh\nif [ "$(uname -r)" = {release} ]; then {what}; fi\n'
    dome.run("cat >/etc/rc.local; chmod 755 /etc/rc.local; sync", input=script)
    try:
        yield
    finally:
        dome.output("rm /etc/rc.local; sync")


def with_switch(machines: Machines, text: str) -> str:
    """The plan with dome's own switch on the wall."""
    command = json.dumps(machines.power_command("dome"))
    return text.replace("{ssh: dome, ", f"{{power_cycle: {{command: {command}, wait: 120s}}, ssh: dome, ")


def test_a_kernel_that_panics_costs_its_cell_and_the_guest_comes_up_with_the_old_one(
    observatory: Machines, found: dict[str, str], tmp_path: Path
) -> None:
    old, new = releases(observatory)
    starts = observatory["dome"].boots
    with at_start(observatory, new, "echo 1 >/proc/sys/kernel/sysrq; echo c >/proc/sysrq-trigger"):
        done, folder = run(observatory, tmp_path, plan(_SHORT.format(old=old, new=new), "panic"), timeout_s=800)
        assert done.returncode == Exit.SOME_NOT_VALID, done.stderr[-2000:]
    statuses = {row["kernel"]: row["status"] for row in rows(folder) if row["role"] == "measure"}
    assert statuses == {old: "valid", new: "skipped"}
    assert observatory["dome"].boots == starts + 4, "twice into the panic, twice out of it"
    assert as_found(folder) == {"dome": True, "hall": True}
    assert {name: boot_state(observatory, name) for name in found} == found


def test_a_guest_that_boots_without_network_is_switched_once_and_then_is_for_a_person(
    observatory: Machines, found: dict[str, str], tmp_path: Path
) -> None:
    old, new = releases(observatory)
    text = with_switch(observatory, plan(_SHORT.format(old=old, new=new), "mute")).replace("240s", "40s")
    with at_start(observatory, new, "ip link set dev eth0 down"):
        done, folder = run(observatory, tmp_path, text, timeout_s=800)
        assert done.returncode in (Exit.NOT_AS_FOUND, Exit.STOPPED_EARLY), done.stderr[-2000:]
        assert len(events(folder, "PowerCycled")) == 1
        assert "look at its power, console and control network" in done.stdout + done.stderr
        observatory["dome"].power_cycle()  # the person
        observatory["dome"].wait_until_up(boots=observatory["dome"].boots)
        recovered = linktrial(observatory, "recover", str(folder), timeout_s=200)
        assert recovered.returncode == 0, recovered.stderr
    assert {name: boot_state(observatory, name) for name in found} == found


def test_two_runs_that_held_another_kernel_each_are_compared_and_the_kernel_is_named_first(
    observatory: Machines, found: dict[str, str], tmp_path: Path
) -> None:
    held = """\
hold: [{setting: kernel, at: dome, level: $kernel, file: /boot/choice-once}]
factors: {direction: [transmit]}
trial: {length: 1s, warmup: 0s, settle: 0s, replicates: 2}
accept: [suspect]
"""
    folders = []
    for place, release in enumerate(releases(observatory)):
        (tmp_path / str(place)).mkdir()
        done, folder = run(
            observatory, tmp_path / str(place), plan(held, "held"), "--bind", f"kernel={release}", timeout_s=400
        )
        assert done.returncode == 0, done.stderr[-2000:]
        folders.append(str(folder))
    old, new = releases(observatory)
    compared = subprocess.run(
        [sys.executable, "-P", "-m", "orchestrator.cli", "compare", folders[0], "--with", folders[1]],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    lines = compared.stdout.split("not the same on both sides:\n", 1)[1].splitlines()
    assert lines[0].strip() == f"dome: kernel: {old} in the reference, {new} in the candidate"
    assert not any("hall: kernel" in line for line in lines)
    assert {name: boot_state(observatory, name) for name in found} == found

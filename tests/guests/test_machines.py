"""Guests boot what their own disk asks for, keep their disk, lose what was not written, run a plan, end with their lab.

The basics of the lab of guests itself, on two of them started once for all of it.
"""

from __future__ import annotations

import subprocess
import time
from pathlib import Path

import pytest

from orchestrator.lab.guests.machines import Machines
from orchestrator.words.exit_codes import Exit
from tests.guests.runs import UPLINK_RATE_BIT_S, as_found, plan, rows, run

pytestmark = [pytest.mark.guests, pytest.mark.timeout(290)]
_MATRIX = """\
factors:
  mtu: [1500, 9000]
  transport: [tcp, udp]
  direction: [transmit, receive]
leave_out:
  - {transport: udp, direction: receive}
trial: {length: 1s, warmup: 500ms, settle: 200ms, replicates: 1}
"""


def test_both_guests_answer_on_their_own_disks_under_the_first_kernel_of_the_recipe(observatory: Machines) -> None:
    for name, machine in observatory.machines.items():
        release, hostname = machine.output("uname -r; hostname").split()
        assert hostname == name
        assert release == machine.starts[-1].release
        assert release.startswith("6.1.")
    assert observatory["dome"].output("ping -c 5 -i 0.2 -W 5 198.18.0.12")  # ends well when any was answered
    boot_ids = {machine.output("cat /proc/sys/kernel/random/boot_id") for machine in observatory.machines.values()}
    assert len(boot_ids) == 2  # two machines, not two views of one


def test_a_cable_that_is_pulled_takes_the_carrier_and_brings_it_back(observatory: Machines) -> None:
    dome, carrier = observatory["dome"], "cat /sys/class/net/eth1/carrier"
    dome.unplug()
    assert dome.output(carrier).strip() == "0"
    dome.plug()
    assert dome.output(carrier).strip() == "1"


def test_a_kernel_chosen_for_once_boots_once_with_the_lines_of_the_boot_file(observatory: Machines) -> None:
    dome = observatory["dome"]
    old, new = (
        line.removeprefix("/boot/vmlinuz-")
        for line in sorted(dome.output("ls /boot/vmlinuz-*").split(), key=lambda name: "6.12." in name)
    )
    dome.output(f"echo {new} >/boot/choice-once; echo audit=0 >>/boot/lines; echo kept >/root/note")
    dome.reboot()
    assert dome.output("uname -r").strip() == new
    assert dome.output("cat /proc/cmdline").split()[-1] == "audit=0"
    assert dome.output("cat /root/note").strip() == "kept"
    starts = dome.boots
    dome.output("(sleep 0.5; echo c >/proc/sysrq-trigger) >/dev/null 2>&1 &")  # a panic comes back with the old one
    dome.wait_until_up(boots=starts + 1)
    assert dome.output("uname -r").strip() == old


def test_a_power_cut_loses_only_what_was_not_written_down(observatory: Machines) -> None:
    hall = observatory["hall"]
    hall.output("echo safe >/root/a; sync; echo gone >/root/b")
    done = observatory.run(observatory.power_command("hall"), capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    hall.wait_until_up()
    assert hall.output("cat /root/a").strip() == "safe"
    assert hall.run("cat /root/b").returncode != 0


def test_a_wish_that_the_power_switch_does_not_know_is_refused_with_the_known_ones(observatory: Machines) -> None:
    done = observatory.run(observatory.power_command("attic"), capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "dome, hall" in done.stderr


def test_frame_size_by_direction_by_transport_runs_on_two_guests_and_leaves_them_as_found(
    observatory: Machines, tmp_path: Path
) -> None:
    before = [machine.output("ip -o link show dev eth1") for machine in observatory.machines.values()]
    done, folder = run(observatory, tmp_path, plan(_MATRIX))
    assert done.returncode == Exit.COMPLETE, done.stderr[-3000:]
    assert as_found(folder) == {"dome": True, "hall": True}
    measured = rows(folder)
    assert len(measured) == 6
    for row in measured:
        # the ceiling is rate x payload / (MTU + 38 bytes of Ethernet, IEEE 802.3); how near it emulation comes is no
        # promise, but nothing may ever be above it
        assert 0.3 * UPLINK_RATE_BIT_S < float(row["goodput_bit_s"]) < UPLINK_RATE_BIT_S, row
        assert float(row["fill"]) <= 1.003, row
    assert [machine.output("ip -o link show dev eth1") for machine in observatory.machines.values()] == before


def test_nothing_of_a_lab_of_guests_is_left_when_it_ends(observatory: Machines) -> None:
    folder = observatory["dome"].disk.image.parent
    disks = [f"file={machine.disk.image}" for machine in observatory.machines.values()]
    assert _processes_with(disks) == 2 * 2  # each with the process that entered the switch's place for it
    observatory.stop()
    assert not folder.exists()
    until = time.monotonic() + 10
    while _processes_with(disks) and time.monotonic() < until:
        time.sleep(0.05)
    assert _processes_with(disks) == 0


def _processes_with(words: list[str]) -> int:
    listing = subprocess.run(["ps", "-eww", "-o", "args"], capture_output=True, text=True, check=True).stdout
    return sum(any(word in line for word in words) for line in listing.splitlines())

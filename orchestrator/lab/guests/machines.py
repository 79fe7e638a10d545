"""Class Machines: QEMU guests on a lab's two networks, beside other lab hosts if wanted, reached over real SSH."""

from __future__ import annotations

import contextlib
import fcntl
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from types import TracebackType
from typing import IO, Any

from orchestrator.lab.guests import own_files, power
from orchestrator.lab.guests.build import BUILDERS
from orchestrator.lab.guests.cache import cache_folder, image_of, is_built
from orchestrator.lab.guests.disk import READERS
from orchestrator.lab.guests.machine import BOOT_TIMEOUT_S, Machine
from orchestrator.lab.guests.missing import GuestError, missing_programs
from orchestrator.lab.guests.scenario import OBSERVATORY, Guest
from orchestrator.lab.lab import Lab
from orchestrator.lab.scenario import LabHost, Scenario
from orchestrator.lab.wiring import CONTROL, UPLINK, batch, control_port, queue_of_port

_EMULATOR = {"qemu-system-x86_64": "qemu-system-x86", "ip": "iproute2", "ssh": "openssh-client", "cp": "coreutils"}
_LONGEST_FRAMES_BYTES = 9216  # an emulated card's maximum MTU; the bridge between the taps takes what they take


def why_no_machines_here(guests: Sequence[Guest] = OBSERVATORY) -> str:
    """Empty text when guests can be tried here, else what is missing."""
    if os.geteuid() != 0:
        return "guests need root, for network devices and for building their disk"
    built = all(is_built(guest.recipe) for guest in guests)
    missing = missing_programs({**_EMULATOR, **READERS, **({} if built else BUILDERS)})
    if not missing and not Path("/dev/net/tun").exists():
        return "/dev/net/tun is missing: no network devices can be made for guests"
    return missing


class Machines:
    """`with Machines() as machines: machines.run(["linktrial", "run", PLAN, "--ssh-config", machines.ssh_config])`.

    Every guest has a disk of its own that survives its reboots and is gone with the lab. All of it ends with the
    program that made it.
    """

    def __init__(
        self,
        guests: Sequence[Guest] = OBSERVATORY,
        *,
        rate_bit_s: int | None = None,
        hosts: Sequence[LabHost] = (),
        say: Callable[[str], None] = lambda _: None,
    ) -> None:
        """`hosts` are made of namespaces as in every lab; `rate_bit_s` is the line rate of the switch's ports."""
        self.guests = tuple(guests)
        self.lab = Lab(
            Scenario(hosts=tuple(hosts), uplink_rate_bit_s=rate_bit_s, switch_mtu_bytes=_LONGEST_FRAMES_BYTES),
            server="asyncssh",
        )
        self.machines: dict[str, Machine] = {}
        self._rate_bit_s = rate_bit_s
        self._say = say
        self._folder: Path | None = None
        self._folder_lock: IO[str] | None = None
        self._doorman: power.Doorman | None = None

    @property
    def ssh_config(self) -> str:
        """For `ssh -F` and `--ssh-config`, in the controller's place."""
        return self.lab.ssh_config

    def make(self) -> Machines:
        """Build what is not in the cache, start all guests at once, wait for their SSH; GuestError says what fails."""
        missing = why_no_machines_here(self.guests)
        if missing:
            raise GuestError(missing)
        images = {guest.recipe: image_of(guest.recipe, self._say) for guest in self.guests}
        self.lab.make()
        try:
            folder = self._make_folder()
            keys = own_files.let_in(self.lab, self.guests)
            self._plug_in()
            for guest in self.guests:
                image = images[guest.recipe]
                machine = Machine(guest, image, folder, self.lab.switch, self.lab.controller, self.ssh_config)
                own_files.copy_disk(image.disk, machine.disk.image)
                own_files.write(machine.disk, guest, image.releases[guest.kernel], *keys[guest.name])
                self.machines[guest.name] = machine
            self._doorman = power.Doorman(folder, self.machines)
            for machine in self.machines.values():
                machine.power_on()
            for machine in self.machines.values():
                machine.wait_until_up(timeout_s=BOOT_TIMEOUT_S * max(1, len(self.guests) // 2))
        except BaseException:
            self.stop()
            raise
        return self

    def stop(self) -> None:
        """Take the power away from all, and everything else along."""
        if self._doorman is not None:
            self._doorman.close()
        for machine in self.machines.values():
            machine.cut_power()
        self.lab.stop()
        if self._folder is not None:
            shutil.rmtree(self._folder, ignore_errors=True)
        if self._folder_lock is not None:
            self._folder_lock.close()

    def __enter__(self) -> Machines:
        return self.make()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def __getitem__(self, name: str) -> Machine:
        return self.machines[name]

    def run(self, argv: Sequence[str], **options: Any) -> subprocess.CompletedProcess[Any]:
        """subprocess.run in the controller's place."""
        return self.lab.run(argv, **options)

    @property
    def plan_hosts(self) -> dict[str, dict[str, str]]:
        """The `hosts:` of a plan for these guests and the lab's other hosts."""
        return {**self.lab.plan_hosts, **{name: {"ssh": name, "privilege": "root"} for name in self.machines}}

    def power_command(self, name: str, wish: str = "cycle") -> list[str]:
        """A command for a plan's `power_cycle`, to be run in the controller's place; `wish`: on, off, cycle."""
        return [sys.executable, "-P", "-m", "orchestrator.lab.guests.power", str(self._folder), name, wish]

    def _make_folder(self) -> Path:
        """A folder for disks and consoles; those of labs that were killed are removed."""
        running = cache_folder() / "running"
        running.mkdir(parents=True, exist_ok=True)
        for old in running.iterdir():
            with contextlib.suppress(OSError), (old / "held").open() as held:
                fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)  # its maker is gone
                shutil.rmtree(old, ignore_errors=True)
        self._folder = Path(tempfile.mkdtemp(dir=running))
        self._folder_lock = (self._folder / "held").open("w")
        fcntl.flock(self._folder_lock, fcntl.LOCK_EX)
        return self._folder

    def _plug_in(self) -> None:
        """A port of the switch for every card; taps that stay while the guest is off."""
        lines, ports = [], []
        for guest in self.guests:
            ports.append((control_port(guest.name), CONTROL, 1, 1500))
            ports += [
                (guest.port(number), UPLINK, card.queues, _LONGEST_FRAMES_BYTES)
                for number, card in enumerate(guest.cards)
            ]
        for name, bridge, queues, mtu_bytes in ports:
            several = " multi_queue" if queues > 1 else ""
            lines += [
                f"tuntap add dev {name} mode tap{several}",
                f"link set dev {name} mtu {mtu_bytes}",
                f"link set dev {name} master {bridge} up",
            ]
        batch("ip", lines, in_network_of=self.lab.switch.pid)
        batch(
            "tc",
            [queue_of_port(name, self._rate_bit_s) for name, bridge, _, _ in ports if bridge == UPLINK],
            in_network_of=self.lab.switch.pid,
        )

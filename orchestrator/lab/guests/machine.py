"""A guest as its lab holds it: power, resets followed by the boot its own disk asks for, commands over SSH."""

from __future__ import annotations

import contextlib
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from orchestrator.lab.guests import boot_choice, machine_run
from orchestrator.lab.guests.boot_choice import Boot
from orchestrator.lab.guests.cache import Image
from orchestrator.lab.guests.disk import Disk
from orchestrator.lab.guests.missing import GuestError
from orchestrator.lab.guests.scenario import Guest
from orchestrator.lab.places import Place

READY = "linktrial-guest: ready"  # inside/start says so on the console once SSH answers
BOOT_TIMEOUT_S = 90.0  # starts took 6 to 13 s, with systemd 26 s; two at once on two busy cores take twice that
_LOOK_EVERY_S = 0.05
_SOON_S = 20.0  # a guest that resets itself sooner after its start than this ...
_RESETS_IN_A_ROW = 8  # ... this often is left off: nobody watches a loop of panics end


class Machine:
    """One guest's supervisor. Thread-safe: power may be taken away while a reset is being followed."""

    def __init__(
        self, guest: Guest, image: Image, folder: Path, switch: Place, controller: Place, ssh_config: str
    ) -> None:
        """Off at first; its disk is already in `folder`."""
        self.guest = guest
        self.name = guest.name
        self.disk = Disk(folder / f"{guest.name}.ext4")
        self.starts: list[Boot] = []
        self._image = image
        self._folder = folder
        self._switch = switch
        self._controller = controller
        self._ssh_config = ssh_config
        self._run: machine_run.MachineRun | None = None
        self._words = ""
        self._shared: list[str] = []  # `ssh` options of the connection that all commands go over
        self._started_at = 0.0
        self._resets_in_a_row = 0
        self._lock = threading.RLock()

    @property
    def boots(self) -> int:
        """How often it was started, by power or by its own reset."""
        return len(self.starts)

    @property
    def running(self) -> bool:
        """Whether the power is on."""
        return self._run is not None

    def power_on(self) -> None:
        """Start it as its boot files say; nothing when it is on."""
        with self._lock:
            if self._run is None:
                self._resets_in_a_row = 0
                self._start()

    def cut_power(self) -> None:
        """As if the plug were pulled: what the guest had not written to its disk is lost. Nothing when it is off."""
        with self._lock:
            run, self._run = self._run, None  # so that its end is not taken for the guest's own
        if run is not None:
            run.cut()

    def power_cycle(self) -> None:
        """Off and on."""
        self.cut_power()
        self.power_on()

    def unplug(self, card: int = 0) -> None:
        """The measured card loses its carrier."""
        self._running().set_cable(card, plugged=False)

    def plug(self, card: int = 0) -> None:
        """The measured card has its carrier back."""
        self._running().set_cable(card, plugged=True)

    def wait_until_up(self, *, boots: int = 0, timeout_s: float = BOOT_TIMEOUT_S) -> None:
        """Until SSH answers after at least `boots` starts; GuestError with the console's last lines when it does not.

        For a guest that is about to reboot give `boots=machine.boots + 1`, taken before.
        """
        until = time.monotonic() + timeout_s
        while self.boots < boots or READY not in self.console():
            if self._words:
                raise GuestError(f"{self.name}: QEMU ended: {self._words}")
            if time.monotonic() > until:
                raise GuestError(
                    f"{self.name} did not come up within {timeout_s:g} s (start {self.boots}); its "
                    f"console ends: {' / '.join(self.console().splitlines()[-6:])}"
                )
            time.sleep(_LOOK_EVERY_S)

    def wait_until_off(self, timeout_s: float = 30.0) -> None:
        """Until it has switched itself off."""
        until = time.monotonic() + timeout_s
        while self.running:
            if time.monotonic() > until:
                raise GuestError(f"{self.name} did not switch itself off within {timeout_s:g} s")
            time.sleep(_LOOK_EVERY_S)

    def console(self) -> str:
        """What its console has shown since its last start."""
        file = self._console_file(self.boots)
        return file.read_text(errors="replace") if file.exists() else ""

    def run(self, command: str, **options: Any) -> subprocess.CompletedProcess[Any]:
        """subprocess.run of one line for root's shell there, over SSH."""
        options = {"capture_output": True, "text": True, "check": False, "timeout": 60, **options}
        return self._controller.exec([*self._ssh(), self.name, command], **options)

    def output(self, command: str) -> str:
        """What a line for root's shell there prints; GuestError with its words when it fails."""
        done = self.run(command)
        if done.returncode != 0:
            raise GuestError(f"{self.name}: {command}: exit {done.returncode}: {done.stderr.strip()}")
        return str(done.stdout)

    @contextlib.contextmanager
    def one_connection(self) -> Iterator[None]:
        """Send all commands of this block over one SSH connection: in emulation a new one costs half a second."""
        with tempfile.TemporaryDirectory(prefix="guest-") as folder:
            path = ["-S", f"{folder}/ssh"]
            self._controller.exec(
                [*self._ssh(), *path, "-M", "-N", "-f", self.name],
                check=True,
                timeout=60,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
            self._shared = path
            try:
                yield
            finally:
                self._shared = []
                self._controller.exec(
                    [*self._ssh(), *path, "-O", "exit", self.name], capture_output=True, check=False, timeout=60
                )

    def reboot(self, timeout_s: float = BOOT_TIMEOUT_S) -> None:
        """A clean reboot from inside, and until it is up again."""
        before = self.boots
        self.run("reboot")
        self.wait_until_up(boots=before + 1, timeout_s=timeout_s)

    def _ssh(self) -> list[str]:
        return ["ssh", "-F", self._ssh_config, "-o", "BatchMode=yes", "-o", "ConnectTimeout=20", *self._shared]

    def _running(self) -> machine_run.MachineRun:
        if self._run is None:
            raise GuestError(f"{self.name} is off")
        return self._run

    def _console_file(self, start: int) -> Path:
        return self._folder / f"{self.name}.console.{start}"

    def _start(self) -> None:
        boot = boot_choice.choose(self.disk)
        console = self._console_file(self.boots + 1)
        argv = machine_run.arguments(self.guest, self._image, boot, self.disk.image, console)
        self._words, self._started_at = "", time.monotonic()
        self._run = machine_run.MachineRun(self._switch, argv, self._has_ended)
        self.starts.append(boot)

    def _has_ended(self, end: machine_run.End, words: str) -> None:
        """From the run's own thread: start it again when the guest has reset itself."""
        with self._lock:
            if self._run is None:  # its power was cut
                return
            self._run = None
            if end == "cut":
                self._words = words or "without a word"
            elif end == "reset":
                soon = time.monotonic() - self._started_at < _SOON_S
                self._resets_in_a_row = self._resets_in_a_row + 1 if soon else 0
                if self._resets_in_a_row < _RESETS_IN_A_ROW:
                    self._start()
                else:
                    self._words = f"it was left off after {_RESETS_IN_A_ROW} resets in a row"

"""One life of a guest: a QEMU process from a start to its end, and why it ended.

Events come over QEMU's machine protocol on the process's own standard input and output (QMP specification): with
`-no-reboot` QEMU exits alike on reboot and power-off, and only the event SHUTDOWN says which it was.
"""

from __future__ import annotations

import contextlib
import json
import subprocess
import tempfile
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Literal

from orchestrator.lab.guests.boot_choice import Boot
from orchestrator.lab.guests.cache import Image
from orchestrator.lab.guests.scenario import Guest
from orchestrator.lab.places import Place
from orchestrator.lab.wiring import control_port

End = Literal["reset", "off", "cut"]
_REASONS: dict[str, End] = {"guest-reset": "reset", "guest-shutdown": "off"}


def arguments(guest: Guest, image: Image, boot: Boot, disk: Path, console: Path) -> list[str]:
    """QEMU's whole command line. Software emulation always: a /dev/kvm that exists may hang (tried)."""
    kernel = ["-kernel", str(image.boot / f"vmlinuz-{boot.release}"), "-append", boot.command_line]
    initial = image.boot / f"initrd.img-{boot.release}"
    if initial.exists():
        kernel += ["-initrd", str(initial)]
    control = f"tap,id=control,ifname={control_port(guest.name)},script=no,downscript=no"
    cards = [
        word
        for number, card in enumerate(guest.cards)
        for word in card.arguments(number, guest.port(number), guest.mac(number))
    ]
    return [
        "qemu-system-x86_64",
        "-name",
        guest.name,
        "-nodefaults",
        "-no-user-config",
        "-no-reboot",
        "-accel",
        "tcg,tb-size=64",  # MB; without a bound QEMU takes 100 to 200 MB more and is no faster
        "-machine",
        "q35",
        "-m",
        str(guest.memory_mb),
        "-smp",
        str(guest.cores),
        "-display",
        "none",
        "-chardev",
        f"file,id=console,path={console}",
        "-serial",
        "chardev:console",
        "-chardev",
        "stdio,id=events,signal=off",
        "-mon",
        "chardev=events,mode=control",
        *kernel,
        "-drive",
        f"if=none,id=disk,format=raw,file={disk}",
        "-device",
        f"nvme,drive=disk,serial={guest.name}",
        "-netdev",
        control,
        "-device",
        f"virtio-net-pci,netdev=control,mac={guest.host.control_mac},romfile=",
        *cards,
    ]


class MachineRun:
    """A running QEMU. `ended` is called once, from a thread of its own, when the process and its disk are let go."""

    def __init__(self, place: Place, argv: Sequence[str], ended: Callable[[End, str], None]) -> None:
        """Start it in a place (the switch, whose taps it opens)."""
        self._words = tempfile.TemporaryFile()  # noqa: SIM115 - closed when it has been read at the end
        self._process = place.start(argv, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=self._words)
        self._ended = ended
        self._sending = threading.Lock()
        self._tell("qmp_capabilities")
        self._thread = threading.Thread(target=self._follow, name="guest", daemon=True)
        self._thread.start()

    def cut(self) -> None:
        """Take the power away: kill it (SIGKILL) and wait until it is gone."""
        self._process.kill()
        self.wait()

    def wait(self, timeout_s: float = 30.0) -> None:
        """Until it is gone."""
        if threading.current_thread() is not self._thread:
            self._thread.join(timeout_s)

    def set_cable(self, card: int, *, plugged: bool) -> None:
        """Give one of its cards a carrier or take it away."""
        self._tell("set_link", name=f"card{card}", up=plugged)

    def _tell(self, command: str, **arguments: object) -> None:
        assert self._process.stdin  # noqa: S101 - for the type checker: it was started with a pipe
        message = {"execute": command, **({"arguments": arguments} if arguments else {})}
        with self._sending, contextlib.suppress(BrokenPipeError, ValueError):  # it has ended; following it tells why
            self._process.stdin.write(json.dumps(message).encode() + b"\n")
            self._process.stdin.flush()

    def _follow(self) -> None:
        """Read events until QEMU has closed its end, which it does by ending."""
        end: End = "cut"
        assert self._process.stdout  # noqa: S101 - for the type checker: it was started with a pipe
        for line in self._process.stdout:
            message = json.loads(line)
            if message.get("event") == "SHUTDOWN":
                end = _REASONS.get(message["data"]["reason"], "cut")
        self._process.wait()
        self._process.stdout.close()
        with self._sending, contextlib.suppress(BrokenPipeError):  # of what was still to be sent
            if self._process.stdin:
                self._process.stdin.close()
        self._words.seek(0)
        words = self._words.read().decode(errors="replace").strip()
        self._words.close()
        self._ended(end, words)

"""Which kernel a guest boots, read from files on its own disk before every start, as a boot loader would.

/boot/choice        the release (`uname -r`) that boots
/boot/choice-once   a release that boots once; deleted before that kernel starts
/boot/lines         parameters added to the kernel's command line
Blank lines and lines that begin with a hash are no content in any of them.
"""

from __future__ import annotations

from dataclasses import dataclass

from orchestrator.lab.guests.disk import Disk

CHOICE, CHOICE_ONCE, LINES = "/boot/choice", "/boot/choice-once", "/boot/lines"
_KERNEL_PREFIX = "vmlinuz-"
# panic=1: a kernel that panics restarts after a second; net.ifnames=0: names as inside/network expects them
_ALWAYS = "root=/dev/nvme0n1 rw console=ttyS0 panic=1 net.ifnames=0"


@dataclass(frozen=True)
class Boot:
    """One start: a kernel, its command line, and what the boot loader has to say about the choice."""

    release: str
    command_line: str
    said: str


def content(text: bytes | None) -> list[str]:
    """The lines of a boot file that count."""
    lines = (text or b"").decode(errors="replace").splitlines()
    return [line.strip() for line in lines if line.strip() and not line.lstrip().startswith("#")]


def choose(disk: Disk) -> Boot:
    """Read the choice; a one-shot choice is used up by this. Never fails for what a guest has written."""
    disk.replay_journal()
    installed = [name.removeprefix(_KERNEL_PREFIX) for name in disk.names("/boot") if name.startswith(_KERNEL_PREFIX)]
    wanted, source = content(disk.read(CHOICE)), CHOICE
    once = disk.read(CHOICE_ONCE)
    if once is not None:
        disk.remove(CHOICE_ONCE)
        if content(once):
            wanted, source = content(once), CHOICE_ONCE
    release = wanted[0] if wanted else ""
    said = f"{source}: {release or 'empty'}"
    if release not in installed:
        release, said = installed[0], f"{said}, which is not installed: {installed[0]} instead"
    return Boot(release, " ".join([_ALWAYS, *content(disk.read(LINES))]), said)

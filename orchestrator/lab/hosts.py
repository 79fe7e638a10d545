"""The inside of a lab host: its first process and what that process mounts.

Everything a host could change of the machine itself is taken away: its own /run, /tmp, /proc, /sys, accounts and
name; every other file system read-only; of the kernel's variables only those of its own network namespace writable.
The file /run/linktrial-lab marks the host for code that must refuse what no namespace owns.
"""

from __future__ import annotations

import os
import signal
from pathlib import Path

from orchestrator.lab import namespaces
from orchestrator.lab.scenario import Account, LabHost

MARKER = "/run/linktrial-lab"
HOMES = "/run/home"
_OWN_FOLDERS = {"/run": "0755", "/tmp": "1777", "/var/tmp": "1777", "/dev/shm": "1777"}  # noqa: S108 - own file systems
_NETWORK_VARIABLES, _NETWORK_DEVICES = "/proc/sys/net", "/sys/devices/virtual/net"
_MACHINE_WIDE = ("/proc/sys", "/proc/irq", "/proc/sysrq-trigger", "/proc/bus", "/proc/fs")
CPU_FOLDER = "/sys/devices/system/cpu"
_WRITABLE = frozenset({*_OWN_FOLDERS, "/proc", _NETWORK_VARIABLES, _NETWORK_DEVICES, CPU_FOLDER, "/dev/pts"})


def own_kernel_views() -> None:
    """/proc and /sys as this place's own namespaces show them, the machine's control groups still in view."""
    groups = os.open("/sys/fs/cgroup", os.O_PATH)
    namespaces.mount("proc", "/proc", "proc", namespaces.NO_SETUID | namespaces.NO_DEVICES | namespaces.NO_EXEC)
    namespaces.mount("sysfs", "/sys", "sysfs", namespaces.NO_SETUID | namespaces.NO_DEVICES | namespaces.NO_EXEC)
    namespaces.bind(f"/proc/self/fd/{groups}", "/sys/fs/cgroup")
    os.close(groups)


def own_folders(host: LabHost) -> None:
    """Empty /run, /tmp ..., homes and accounts."""
    accounts = (Account("root", 0, login_shell=host.root_shell), *host.accounts)
    for folder, mode in _OWN_FOLDERS.items():
        namespaces.mount_tmpfs(folder, mode)
    Path(MARKER).write_text(f"{host.name}\n")
    for account in accounts:
        home = Path(HOMES, account.name)
        home.mkdir(parents=True)
        if os.geteuid() == 0 and account.number:
            os.chown(home, account.number, account.number)
    Path("/run/sshd").mkdir()  # where OpenSSH's server locks its unprivileged part in
    _own_account_files(host, accounts)


def leave_the_machine_alone() -> None:
    """Make everything read-only that is not this host's own. Against accidents: root could mount it back."""
    for view in (_NETWORK_DEVICES, *_MACHINE_WIDE, _NETWORK_VARIABLES):  # nested ones after what they lie in
        if Path(view).exists():
            namespaces.bind(view, view)
    namespaces.make_read_only_except(_WRITABLE)
    namespaces.drop_machine_wide_capabilities()


def accept_keys(host: LabHost, public_key: str) -> None:
    """Let the controller's key into every account of this host."""
    folder = Path("/run/lab-keys")
    folder.mkdir(exist_ok=True)
    for account in (Account("root", 0), *host.accounts):
        (folder / account.name).write_text(public_key)


def sleep_until_killed() -> None:
    """What the first process of a place does at the end: be there, and reap whatever is orphaned."""
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # the kernel then reaps by itself
    while True:
        signal.pause()


def _own_account_files(host: LabHost, accounts: tuple[Account, ...]) -> None:
    """Our own passwd, shadow, hosts and sudoers laid over the machine's; the machine's other accounts stay known."""
    replaced = {account.name for account in accounts}
    kept = [line for line in Path("/etc/passwd").read_text().splitlines() if line.split(":")[0] not in replaced]
    ours = [f"{one.name}:x:{one.number}:{one.number}:lab:{HOMES}/{one.name}:{one.login_shell}" for one in accounts]
    sudo = [f"{one.name} ALL=(ALL:ALL) NOPASSWD: ALL" for one in accounts if one.sudo or one.number == 0]
    _lay_over("/etc/passwd", [*ours, *kept], 0o644)
    _lay_over("/etc/hosts", [f"127.0.0.1 localhost {host.name}", f"::1 localhost {host.name}"], 0o644)
    _lay_over("/etc/shadow", [f"{one.name}:*:19000:0:99999:7:::" for one in accounts], 0o600)
    _lay_over("/etc/sudoers", ["Defaults env_reset", *sudo], 0o440)


def _lay_over(path: str, lines: list[str], mode: int) -> None:
    if not Path(path).exists():
        return
    own = Path("/run/lab-etc", Path(path).name)
    own.parent.mkdir(exist_ok=True)
    own.write_text("\n".join(lines) + "\n")
    own.chmod(mode)
    namespaces.bind(str(own), path)

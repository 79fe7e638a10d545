"""What makes a host run our script at its next start: whichever of four ways it has. Installed, found, removed."""

from __future__ import annotations

import contextlib
import glob
import os
from typing import Callable, List, NamedTuple, Tuple

from orchestrator.onhost.at_start.boot_files import content_of, read_file, sync_folder, with_content, write_file

_UNIT = """\
[Unit]
Description=Restored what a linktrial trial changed for one start
DefaultDependencies=no
After=local-fs.target
Before=basic.target ssh.service sshd.service
ConditionPathExists={script}

[Service]
Type=oneshot
TimeoutStartSec=120
ExecStart=/bin/sh {script}
"""
_SYSTEMD = "/etc/systemd/system"
_UNIT_NAME = "linktrial-at-start.service"
_WANTS = "basic.target.wants"


class Hook(NamedTuple):
    """One way to be run at the next start; `root` is put before every path, for tests."""

    name: str
    is_there: Callable[[str], bool]
    install: Callable[[str, str], None]
    remove: Callable[[str, str], None]


def hook_of(root: str = "") -> Hook | None:
    """The way that this host has, or None."""
    return next((hook for hook in _HOOKS if hook.is_there(root)), None)


def remove_all(script: str, root: str = "") -> None:
    """Remove what any of the ways has left; harmless where there is nothing."""
    for hook in _HOOKS:
        hook.remove(script, root)


def removal_lines() -> List[str]:
    """The same in shell, for the script itself; `$self` is the script."""
    return [
        f"rm -f {_SYSTEMD}/{_WANTS}/{_UNIT_NAME} {_SYSTEMD}/{_UNIT_NAME} {_CRON_FILE} {_LOCAL_D}",
        f"rmdir {_SYSTEMD}/{_WANTS} 2>/dev/null",
        f"rc=$(readlink -f {_RC_LOCAL})  # a shell may be reading it: another file takes its place",
        'if [ -f "$rc" ] && grep -qF "$self" "$rc"; then',
        '  cp -p "$rc" "$rc.linktrial-new" && sed "\\|$self|d" "$rc" >"$rc.linktrial-new" && sync &&',
        '    mv -f "$rc.linktrial-new" "$rc" || { rm -f "$rc.linktrial-new"; exit 1; }',
        "fi",
    ]


# --- systemd: a unit of ours --------------------------------------------------------------------------------------
def _has_systemd(root: str) -> bool:
    return os.path.isdir(f"{root}/run/systemd/system") and _is_the_systems("/run/systemd/system", root)


def _install_unit(script: str, root: str) -> None:
    wants = f"{root}{_SYSTEMD}/{_WANTS}"
    os.makedirs(wants, exist_ok=True)
    _write(f"{root}{_SYSTEMD}/{_UNIT_NAME}", _UNIT.format(script=script), 0o644)
    with contextlib.suppress(FileExistsError):
        os.symlink(f"../{_UNIT_NAME}", f"{wants}/{_UNIT_NAME}")
    sync_folder(f"{wants}/{_UNIT_NAME}")


def _remove_unit(script: str, root: str) -> None:  # noqa: ARG001 - as every way is asked
    _unlink(f"{root}{_SYSTEMD}/{_WANTS}/{_UNIT_NAME}")
    _unlink(f"{root}{_SYSTEMD}/{_UNIT_NAME}")
    with contextlib.suppress(OSError):
        os.rmdir(f"{root}{_SYSTEMD}/{_WANTS}")  # only when it is empty, as where we made it


# --- OpenRC: a script in local.d ----------------------------------------------------------------------------------
_LOCAL_D = "/etc/local.d/linktrial-at-start.start"


def _has_local_d(root: str) -> bool:
    """The folder is there on every OpenRC; its scripts are run only where the service `local` is in a runlevel."""
    return (
        os.path.isdir(f"{root}/etc/local.d")
        and os.path.isdir(f"{root}/run/openrc")
        and _is_the_systems("/etc/local.d", root)
        and _is_the_systems("/run/openrc", root)
        and bool(glob.glob(f"{root}/etc/runlevels/*/local"))
    )


def _install_local_d(script: str, root: str) -> None:
    _write(f"{root}{_LOCAL_D}", f"#!/bin/sh\nexec /bin/sh {script}\n", 0o755)


def _remove_local_d(script: str, root: str) -> None:  # noqa: ARG001
    _unlink(f"{root}{_LOCAL_D}")


# --- cron: an @reboot line ----------------------------------------------------------------------------------------
_CRON_FILE = "/etc/cron.d/linktrial-at-start"


def _has_cron(root: str) -> bool:
    return (
        os.path.isdir(f"{root}/etc/cron.d")
        and _is_the_systems("/etc/cron.d", root)
        and any(_runs(name, root) for name in ("cron", "crond"))
    )


def _install_cron(script: str, root: str) -> None:
    _write(f"{root}{_CRON_FILE}", f"@reboot root /bin/sh {script}\n", 0o644)


def _remove_cron(script: str, root: str) -> None:  # noqa: ARG001
    _unlink(f"{root}{_CRON_FILE}")


# --- an rc script that is there and is run ------------------------------------------------------------------------
_RC_LOCAL = "/etc/rc.local"


def _has_rc_local(root: str) -> bool:
    return os.access(f"{root}{_RC_LOCAL}", os.X_OK) and _is_the_systems(_RC_LOCAL, root)


def _install_rc_local(script: str, root: str) -> None:
    """Its second line, before any `exit`."""
    file = read_file(f"{root}{_RC_LOCAL}")
    text = content_of(file)
    if script.encode() in text:
        return
    first, rest = text.split(b"\n", 1) if text.startswith(b"#!") and b"\n" in text else (b"#!/bin/sh", text)
    line = f"[ ! -f {script} ] || /bin/sh {script} # linktrial, for one start".encode()
    write_file(f"{root}{_RC_LOCAL}", with_content(file, b"\n".join([first, line, rest])))


def _remove_rc_local(script: str, root: str) -> None:
    file = read_file(f"{root}{_RC_LOCAL}")
    lines = content_of(file).split(b"\n")
    kept = [line for line in lines if script.encode() not in line]
    if kept != lines:
        write_file(f"{root}{_RC_LOCAL}", with_content(file, b"\n".join(kept)))


_HOOKS: Tuple[Hook, ...] = (
    Hook("a systemd unit", _has_systemd, _install_unit, _remove_unit),
    Hook("a script in /etc/local.d", _has_local_d, _install_local_d, _remove_local_d),
    Hook("an @reboot line of cron", _has_cron, _install_cron, _remove_cron),
    Hook("a line in /etc/rc.local", _has_rc_local, _install_rc_local, _remove_rc_local),
)
NONE = (
    "nothing here runs a script at the next start (no systemd, OpenRC, running cron or executable /etc/rc.local), "
    "so nobody would take a boot change back"
)


def _runs(name: str, root: str) -> bool:
    """Whether root runs a program of this name; not busybox's, which does not read /etc/cron.d.

    Anybody may call a process so, and be believed: then the way back would be armed with nobody there to go it.
    """
    for entry in os.listdir(f"{root}/proc"):
        process = f"{root}/proc/{entry}"
        if entry.isdigit() and _content(f"{process}/comm").strip() == name and _is_roots(process):
            program = os.path.basename(_program(process))
            if program != "busybox" and (not program or program.startswith(name)):
                return True
    return False


def _is_roots(process: str) -> bool:
    """Whether all four user numbers are root's: the owner of the folder in /proc is root for other reasons, too."""
    users = [line.split()[1:] for line in _content(f"{process}/status").splitlines() if line.startswith("Uid:")]
    return users == [["0"] * 4]


def _is_the_systems(path: str, root: str) -> bool:
    """Whether only the owner of the whole system decides what a file or folder holds."""
    try:
        status, system = os.stat(f"{root}{path}"), os.stat(f"{root}/")
    except OSError:
        return False
    return status.st_uid == system.st_uid and not status.st_mode & 0o022


def _content(path: str) -> str:
    try:
        with open(path, encoding="utf-8", errors="replace") as handle:
            return handle.read(65536)
    except OSError:
        return ""


def _program(process: str) -> str:
    try:
        return os.readlink(f"{process}/exe").replace(" (deleted)", "")  # updated while it runs
    except OSError:
        return ""


def _write(path: str, text: str, mode: int) -> None:
    write_file(path, {**with_content(None, text.encode()), "mode": mode})


def _unlink(path: str) -> None:
    with contextlib.suppress(FileNotFoundError, NotADirectoryError):
        os.unlink(path)

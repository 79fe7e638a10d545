"""Linux namespaces and mounts through the C library, as unshare(2), setns(2), mount(2) and prctl(2) describe them.

Python has `os.unshare` and `os.setns` only from 3.12 on. Only the standard library, so that `enter.py` starts quickly.
"""

from __future__ import annotations

import ctypes
import os
import signal
import socket
import struct
from pathlib import Path

# <linux/sched.h>
NEW_MOUNT, NEW_UTS, NEW_IPC, NEW_USER, NEW_PID, NEW_NET = (
    0x00020000,
    0x04000000,
    0x08000000,
    0x10000000,
    0x20000000,
    0x40000000,
)
# <linux/mount.h>
READ_ONLY, NO_SETUID, NO_DEVICES, NO_EXEC, REMOUNT, BIND, RECURSIVE, PRIVATE = 1, 2, 4, 8, 32, 4096, 16384, 1 << 18
_FLAG_OF_OPTION = {
    "ro": READ_ONLY,
    "nosuid": NO_SETUID,
    "nodev": NO_DEVICES,
    "noexec": NO_EXEC,
    "noatime": 1024,
    "nodiratime": 2048,
    "relatime": 1 << 21,
}
_PR_SET_PDEATHSIG, _PR_SET_NAME, _PR_CAPBSET_DROP = 1, 15, 24  # <linux/prctl.h>
_SO_PASSCRED, _SCM_CREDENTIALS = 16, 2  # <asm-generic/socket.h>, <linux/socket.h>
# Capabilities over things that no namespace owns: a lab host must not load modules, set the machine's clock or
# reach its ports and log. <linux/capability.h>: SYS_MODULE, SYS_RAWIO, SYS_TIME, SYSLOG, WAKE_ALARM.
_MACHINE_WIDE_CAPABILITIES = (16, 17, 25, 34, 35)

_libc = ctypes.CDLL(None, use_errno=True)


def _checked(result: int, what: str) -> None:
    if result != 0:
        error = ctypes.get_errno()
        raise OSError(error, f"{what}: {os.strerror(error)}")


def unshare(flags: int) -> None:
    """Move this process (for NEW_PID: its children) into new namespaces."""
    _checked(_libc.unshare(flags), f"unshare(0x{flags:x})")


def setns(descriptor: int, kind: int) -> None:
    """Enter the namespace behind an open /proc/PID/ns file."""
    _checked(_libc.setns(descriptor, kind), f"setns(0x{kind:x})")


def mount(source: str, target: str, kind: str = "", flags: int = 0, options: str = "") -> None:
    """Make one mount; raises OSError naming the target."""
    _checked(
        _libc.mount(
            source.encode(), target.encode(), kind.encode() or None, ctypes.c_ulong(flags), options.encode() or None
        ),
        f"mount {target}",
    )


def mount_tmpfs(target: str, mode: str = "0755") -> None:
    """An empty file system in memory over `target`, gone with the mount namespace."""
    mount("tmpfs", target, "tmpfs", NO_SETUID | NO_DEVICES, f"mode={mode}")


def bind(source: str, target: str) -> None:
    """Show the file or folder `source` at `target` as well."""
    mount(source, target, flags=BIND | RECURSIVE)


def keep_mounts_to_ourselves() -> None:
    """Stop mounts from travelling between this mount namespace and the machine's."""
    mount("none", "/", flags=RECURSIVE | PRIVATE)


def make_read_only_except(writable: frozenset[str]) -> None:
    """Make every mount of this mount namespace read-only except those at the paths in `writable`.

    A flag that a more privileged namespace has set (nosuid, nodev ...) must be repeated, or the kernel refuses.
    """
    for line in Path("/proc/self/mountinfo").read_text().splitlines():
        fields = line.split()
        target, options = fields[4].encode().decode("unicode_escape"), fields[5].split(",")
        if target in writable or "ro" in options or not os.path.lexists(target):
            continue
        kept = sum(_FLAG_OF_OPTION.get(option, 0) for option in options)
        mount("none", target, flags=REMOUNT | BIND | READ_ONLY | kept)


def set_hostname(name: str) -> None:
    """Name this UTS namespace."""
    encoded = name.encode()
    _checked(_libc.sethostname(encoded, len(encoded)), "sethostname")


def die_with_parent() -> None:
    """Have the kernel kill this process (SIGKILL) when the thread that forked it ends."""
    _checked(_libc.prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0), "prctl(PR_SET_PDEATHSIG)")


def name_process(name: str) -> None:
    """What `ps` shows as this process's command; at most 15 bytes are kept."""
    _checked(_libc.prctl(_PR_SET_NAME, name.encode(), 0, 0, 0), "prctl(PR_SET_NAME)")


def drop_machine_wide_capabilities() -> None:
    """Programs started from here on cannot get the capabilities over what all namespaces share."""
    for capability in _MACHINE_WIDE_CAPABILITIES:
        _checked(_libc.prctl(_PR_CAPBSET_DROP, capability, 0, 0, 0), "prctl(PR_CAPBSET_DROP)")


def become_root_of_own_user_namespace() -> None:
    """As an ordinary user: a user namespace in which this user is root (user_namespaces(7)); OSError if forbidden."""
    user, group = os.geteuid(), os.getegid()
    unshare(NEW_USER)
    Path("/proc/self/setgroups").write_text("deny")
    Path("/proc/self/uid_map").write_text(f"0 {user} 1")
    Path("/proc/self/gid_map").write_text(f"0 {group} 1")


def in_user_namespace_of_our_own() -> bool:
    """Whether root is only root of a user namespace."""
    return Path("/proc/self/uid_map").read_text().split()[2] != str(2**32 - 1)


def message_pair() -> tuple[socket.socket, socket.socket]:
    """Two ends that keep message boundaries, tell the end of the other side, and know who sent (unix(7))."""
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    ours.setsockopt(socket.SOL_SOCKET, _SO_PASSCRED, 1)
    return ours, theirs


def receive_with_pid(end: socket.socket) -> tuple[bytes, int]:
    """The next message (b"" at the end) and its sender's process number as *this* PID namespace sees it."""
    message, ancillary, _, _ = end.recvmsg(1 << 16, socket.CMSG_SPACE(12))
    for level, kind, data in ancillary:
        if (level, kind) == (socket.SOL_SOCKET, _SCM_CREDENTIALS):
            return message, struct.unpack("3i", data[:12])[0]
    return message, 0

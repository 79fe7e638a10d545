"""Kernel files that decide how TCP sends and how fast the clock runs: nobody tells of them, so they are read again.

Whoever writes one by its path is told of by inotify(7) at once, as the kernel reports every write to a file; a write
through another mount of /proc or /sys is only seen by reading.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
from typing import Dict, List, Optional

from orchestrator.onhost.safety.told import Told, told

_SYSCTLS = (
    "net/core/rmem_max",
    "net/core/wmem_max",
    "net/ipv4/tcp_mem",
    "net/ipv4/tcp_rmem",
    "net/ipv4/tcp_wmem",
    "net/ipv4/tcp_congestion_control",
    "net/ipv4/tcp_mtu_probing",
    "net/ipv4/tcp_sack",
    "net/ipv4/tcp_timestamps",
    "net/ipv4/tcp_window_scaling",
    "net/ipv4/tcp_limit_output_bytes",
)
_POLICIES = "/sys/devices/system/cpu/cpufreq"
_POLICY_FILES = {
    "scaling_governor": "governor of {}",
    "scaling_min_freq": "{} min",
    "scaling_max_freq": "{} max",
}
_IN_MODIFY, _IN_CLOEXEC, _IN_NONBLOCK = 0x2, 0o2000000, 0o4000  # sys/inotify.h
_EVENTS_BYTES = 1 << 16


class KernelFiles:
    """The files as they were; wait for `fileno`, then `look`."""

    def __init__(self) -> None:
        self._called = _paths()
        self._descriptor = _told_of_writes(list(self._called))
        self._before = {path: text for path in self._called if (text := _text(path)) is not None}

    def fileno(self) -> int:
        """For a selector; -1 where the system tells of no writes."""
        return self._descriptor

    def clear(self) -> None:
        """Take what has been told, so that it is not told again."""
        with contextlib.suppress(OSError):
            os.read(self._descriptor, _EVENTS_BYTES)

    def look(self) -> List[Told]:
        """Those that read otherwise now."""
        now = {path: _text(path) for path in self._before}
        return [
            told(self._called[path], before, now[path]) for path, before in self._before.items() if now[path] != before
        ]

    def close(self) -> None:
        """Give the descriptor back."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1


def _paths() -> Dict[str, str]:
    """Path: how a person calls it."""
    found = {f"/proc/sys/{name}": name.replace("/", ".") for name in _SYSCTLS}
    with contextlib.suppress(OSError):
        for policy in sorted(os.listdir(_POLICIES)):
            if policy.startswith("policy"):
                found.update(
                    {f"{_POLICIES}/{policy}/{file}": called.format(policy) for file, called in _POLICY_FILES.items()}
                )
    return found


def _told_of_writes(paths: List[str]) -> int:
    """An inotify descriptor for the files; -1 where there is none."""
    try:
        library = ctypes.CDLL(None, use_errno=True)
        descriptor = int(library.inotify_init1(_IN_CLOEXEC | _IN_NONBLOCK))
        if descriptor >= 0:
            for path in paths:
                library.inotify_add_watch(descriptor, os.fsencode(path), _IN_MODIFY)
        return descriptor
    except (OSError, AttributeError):
        return -1


def _text(path: str) -> Optional[str]:
    try:
        with open(path, "rb") as handle:
            return " ".join(handle.read(4096).decode("utf-8", "replace").split())
    except OSError:
        return None

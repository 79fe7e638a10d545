"""Kernel threads that carry network work: with threaded receive, and under load, softirq time moves into them.

/proc/<pid>/schedstat: nanoseconds on a core, nanoseconds waiting for one, time slices
(Documentation/scheduler/sched-stats.rst).
"""

from __future__ import annotations

import os
from typing import Dict, List, Tuple

from orchestrator.onhost.watch.files import KeptFile, read_once


def network_threads(interface: str, proc_root: str = "/proc") -> List[Tuple[str, int]]:
    """(name, pid) of the interface's receive threads and of every core's softirq thread, as far as visible here."""
    found = []
    for entry in os.listdir(proc_root):
        if not entry.isdigit():
            continue
        name = read_once(os.path.join(proc_root, entry, "comm")).decode("utf-8", "replace").strip()
        if name.startswith(("ksoftirqd/", "napi/" + interface + "-")):
            found.append((name, int(entry)))
    return sorted(found)


class NetworkThreads:
    """The run times of these threads."""

    def __init__(self, interface: str, proc_root: str = "/proc") -> None:
        """Finds the threads once: they live as long as the interface is up."""
        self._files = {
            name: KeptFile(os.path.join(proc_root, str(pid), "schedstat"))
            for name, pid in network_threads(interface, proc_root)
        }

    def read_run_ns(self) -> Dict[str, int]:
        """Thread name -> nanoseconds it ran since it was made."""
        run_ns = {}
        for name, file in self._files.items():
            first = file.read().split(b" ", 1)[0]
            if first.isdigit():
                run_ns[name] = int(first)
        return run_ns

    def close(self) -> None:
        """Give all descriptors back."""
        for file in self._files.values():
            file.close()

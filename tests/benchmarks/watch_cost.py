"""What watching costs: processor time of a sample at 5 Hz, as a share of one core, with and without a CPU quota.

    python tests/benchmarks/watch_cost.py

Printed and never asserted. Each figure is the median of several runs with the least and the greatest; thread time is
counted by the kernel, so other work on the machine changes it only through caches and clocks. Under a quota of 10 % a
small board's share is simulated: the process is stopped most of the time, so that every sample meets cold caches.
"""

from __future__ import annotations

import contextlib
import os
import platform
import statistics
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

RUNS, SAMPLES, HZ = 7, 25, 5
QUOTA = 0.10


def main() -> None:
    """Print the table."""
    interface = sys.argv[1] if len(sys.argv) > 1 else "lo"
    print(
        f"watching {interface} at {HZ} Hz; {os.cpu_count()} cores, {platform.machine()}, "
        f"kernel {platform.release()}, Python {platform.python_version()}; {RUNS} runs of {SAMPLES} samples"
    )
    plain = [in_a_child(lambda: cost_share(interface)) for _ in range(RUNS)]
    show("without a quota", plain)
    with quota_group(QUOTA) as join:
        if join is None:
            print("under a quota: no control group can be made here")
            return
        limited = [in_a_child(lambda: (join(), cost_share(interface))[1]) for _ in range(RUNS)]
    show(f"under a quota of {QUOTA:.0%} of a core", limited)


def show(what: str, shares: list[float]) -> None:
    """One line of the table."""
    print(f"  {what:36} {statistics.median(shares):7.3%} of a core  ({min(shares):.3%} .. {max(shares):.3%})")


def cost_share(interface: str) -> float:
    """Processor seconds per second of watching, whole process: samples, the loop around them, and the waking up."""
    from orchestrator.onhost.watch import Watcher

    watcher = Watcher(interface, 1 / HZ)
    watcher.sample()
    began_s, used_s = time.monotonic(), time.process_time()
    for turn in range(SAMPLES):
        time.sleep(max(began_s + (turn + 1) / HZ - time.monotonic(), 0))
        watcher.sample()
    share = (time.process_time() - used_s) / (time.monotonic() - began_s)
    watcher.close()
    return share


def in_a_child(work: Callable[[], float]) -> float:
    """The figure from a process of its own, so that runs do not warm each other up."""
    readable, writable = os.pipe()
    child = os.fork()
    if child == 0:
        os.write(writable, repr(work()).encode())
        os._exit(0)
    os.close(writable)
    with os.fdopen(readable) as pipe:
        said = pipe.read()
    os.waitpid(child, 0)
    return float(said)


@contextlib.contextmanager
def quota_group(share: float) -> Iterator[Callable[[], None] | None]:
    """A control group with a CPU quota, version 1 or 2, whichever the machine lets us make; None when neither."""
    period_us = 100_000
    for base, files in (
        ("/sys/fs/cgroup/cpu", {"cpu.cfs_period_us": f"{period_us}", "cpu.cfs_quota_us": f"{int(share * period_us)}"}),
        ("/sys/fs/cgroup", {"cpu.max": f"{int(share * period_us)} {period_us}"}),
    ):
        folder = Path(base) / f"watch-cost-{os.getpid()}"
        try:
            folder.mkdir()
        except OSError:
            continue
        try:
            for name, text in files.items():
                (folder / name).write_text(text)
        except OSError:
            folder.rmdir()
            continue
        try:
            yield lambda where=folder: (where / "cgroup.procs").write_text(str(os.getpid()))  # type: ignore[misc]
        finally:
            folder.rmdir()
        return
    yield None


if __name__ == "__main__":
    main()

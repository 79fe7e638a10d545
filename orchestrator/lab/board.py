"""A slow board: a clock that can be set as on a real one, and a CPU quota that follows it.

The clock is simulated: the files under /sys/devices/system/cpu of that host are ours (`cpufreq/simulated` says so), and
what a lower clock would do is done by a smaller share of a core. A process under such a quota waits while its core
looks idle, which real boards do not do.
"""

from __future__ import annotations

import os
import time
from pathlib import Path

from orchestrator.lab import namespaces
from orchestrator.lab.cpu_group import CpuGroup
from orchestrator.lab.hosts import CPU_FOLDER

LEAST_KHZ, GREATEST_KHZ = 800_000, 2_000_000
GOVERNORS = ("performance", "powersave", "schedutil", "userspace")
FULL_SHARE_FILE = "/run/linktrial-board/share-at-greatest-clock"  # of one core; written from outside the lab
FULL_SHARE = 1.2  # so that the max clock leaves room above the uplink's rate, and the min does not reach it
_POLICY = Path(CPU_FOLDER, "cpufreq/policy0")
_LOOK_EVERY_S = 0.02
# A process is not stopped inside a system call, and pays for a long one with a long wait: emptying a receive window of
# 8 MB in one call at a fifth of a core stalls everything for 0.1 s, which no real board does.
_MOST_RECEIVE_BYTES = 2 << 20


def lay_out_clock_files() -> None:
    """Put the board's own CPU files over the machine's; which cores there are stays visible."""
    cpu = Path(CPU_FOLDER)
    lists = {name: (cpu / name).read_text() for name in ("online", "possible", "present")}
    cores = sorted(path.name for path in cpu.glob("cpu[0-9]*"))
    namespaces.mount_tmpfs(CPU_FOLDER)
    for name, text in lists.items():
        (cpu / name).write_text(text)
    _POLICY.mkdir(parents=True)
    for core in cores:
        (cpu / core).mkdir()
        (cpu / core / "cpufreq").symlink_to("../cpufreq/policy0")
    numbers = " ".join(core.removeprefix("cpu") for core in cores)
    files = {
        "affected_cpus": numbers,
        "related_cpus": numbers,
        "scaling_driver": "simulated",
        "scaling_available_governors": " ".join(GOVERNORS),
        "scaling_governor": "schedutil",
        "scaling_setspeed": "<unsupported>",
        "cpuinfo_min_freq": LEAST_KHZ,
        "cpuinfo_max_freq": GREATEST_KHZ,
        "scaling_min_freq": LEAST_KHZ,
        "scaling_max_freq": GREATEST_KHZ,
        "scaling_cur_freq": GREATEST_KHZ,
    }
    for name, value in files.items():
        (_POLICY / name).write_text(f"{value}\n")
    (cpu / "cpufreq/simulated").write_text("a share of a core stands for this clock\n")
    share = Path(FULL_SHARE_FILE)
    share.parent.mkdir()
    share.write_text(f"{FULL_SHARE}\n")


def limit_receive_window() -> None:
    """Give TCP a receive window that fits a small board; runs in the board's network namespace."""
    variable = Path("/proc/sys/net/ipv4/tcp_rmem")
    least, usual, _ = variable.read_text().split()
    variable.write_text(f"{least} {usual} {_MOST_RECEIVE_BYTES}")


def clock_khz(governor: str, min_khz: int, max_khz: int) -> int:
    """The clock that a governor chooses for a board under load."""
    return min_khz if governor == "powersave" else max_khz


def follow_the_clock(group: CpuGroup) -> None:
    """The board's own process: turns what is written to the clock files into a quota, for ever."""
    applied: tuple[int, float] | None = None
    while True:
        governor = _POLICY.joinpath("scaling_governor").read_text().strip()
        if not governor:  # somebody is between cutting the file short and writing it
            continue
        if governor not in GOVERNORS:  # a kernel refuses the write; a plain file can only be put right afterwards
            governor = "schedutil"
            _POLICY.joinpath("scaling_governor").write_text(f"{governor}\n")
        clock = clock_khz(governor, _number("scaling_min_freq", LEAST_KHZ), _number("scaling_max_freq", GREATEST_KHZ))
        share = float(Path(FULL_SHARE_FILE).read_text() or FULL_SHARE)
        if (clock, share) != applied:
            group.set_share(share * clock / GREATEST_KHZ)
            (_POLICY / "scaling_cur_freq").write_text(f"{clock}\n")
            applied = clock, share
        time.sleep(_LOOK_EVERY_S)


def start(group: CpuGroup) -> None:
    """Lay out the files, limit the window, start the board's process, and put this one under the quota."""
    lay_out_clock_files()
    limit_receive_window()
    if os.fork() == 0:
        try:
            namespaces.name_process("lab-board")
            follow_the_clock(group)
        finally:
            os._exit(1)
    group.enter()


def _number(file: str, otherwise: int) -> int:
    text = (_POLICY / file).read_text().strip()  # empty for a moment while somebody writes it
    return int(text) if text.isdigit() else otherwise

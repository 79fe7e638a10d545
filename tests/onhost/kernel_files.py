"""A /proc and a /sys of our own making: files in the kernel's formats, changed in place as the kernel changes them.

Formats as Linux documents them (Documentation/filesystems/proc.rst, networking/scaling.rst).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any


class KernelFiles:
    """Two cores that are online, 1 and 3, of four that are possible: numbers are never line numbers."""

    def __init__(self, folder: Path) -> None:
        self.proc, self.sys = folder / "proc", folder / "sys"
        # since boot, and differently on each core: only changes may count
        self.ticks = {1: [900, 10, 300, 5000, 20, 7, 400, 30, 50, 0], 3: [100, 0, 200, 9000, 0, 3, 8000, 60, 0, 0]}
        self.softirqs, self.interrupts = [10, 20, 30, 70_000], [90_000, 5]
        self.softnet = {1: [9, 4, 2], 3: [9, 1, 6]}
        self.write_proc()
        self.put("proc/self/cgroup", "0::/work\n")
        self.put("proc/self/mountinfo", f"40 30 0:38 / {folder}/cgroup rw - cgroup2 cgroup2 rw\n")
        self.periods(0, 0)

    @property
    def folder(self) -> Path:
        return self.proc.parent

    def put(self, name: str, text: str) -> None:
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)

    def run_for(self, core: int, **ticks: int) -> None:
        """Let a core spend ticks: user, nice, system, idle, iowait, irq, softirq, steal, guest."""
        names = ("user", "nice", "system", "idle", "iowait", "irq", "softirq", "steal", "guest", "guest_nice")
        for name, more in ticks.items():
            self.ticks[core][names.index(name)] += more
        self.write_proc()

    def write_proc(self) -> None:
        cores = "".join(f"cpu{core} {' '.join(map(str, ticks))}\n" for core, ticks in self.ticks.items())
        self.put("proc/stat", f"cpu  0 0 0 0 0 0 0 0 0 0\n{cores}intr 99 0 1 2\nctxt 7\nbtime 1\n")
        self.put(
            "proc/softirqs",
            "                    CPU0       CPU1       CPU2       CPU3\n"
            f"          HI:          1          2          3          4\n      NET_TX: 9 9 9 9\n"
            f"      NET_RX: {' '.join(map(str, self.softirqs))}\n",
        )
        self.put(
            "proc/interrupts",
            "            CPU1       CPU3\n"
            f"  17: {self.interrupts[0]} {self.interrupts[1]}   PCI-MSI 524288-edge      eth1-rx-0\n"
            "  18: 777 777   PCI-MSI 524289-edge      eth10-rx-0\n NMI: 5 5   Non-maskable interrupts\nERR: 0\n",
        )
        self.put(
            "proc/net/softnet_stat",
            "".join(
                f"{counts[0]:08x} {counts[1]:08x} {counts[2]:08x} "
                + "00000000 " * 9
                + f"{core:08x} 00000000 00000000\n"
                for core, counts in self.softnet.items()
            ),
        )

    def periods(self, total: int, throttled: int) -> None:
        self.put(
            "cgroup/work/cpu.stat", f"usage_usec 5\nnr_periods {total}\nnr_throttled {throttled}\nthrottled_usec 9\n"
        )

    def clock(self, policy: int, khz: int, cores: str = "1 3", max_khz: int = 2_400_000) -> None:
        base = f"sys/devices/system/cpu/cpufreq/policy{policy}"
        self.put(f"{base}/affected_cpus", cores + "\n")
        self.put(f"{base}/cpuinfo_max_freq", f"{max_khz}\n")
        self.put(f"{base}/scaling_cur_freq", f"{khz}\n")

    def thread(self, pid: int, name: str, ran_ns: int) -> None:
        self.put(f"proc/{pid}/comm", name + "\n")
        self.put(f"proc/{pid}/schedstat", f"{ran_ns} 77 5\n")

    def roots(self) -> dict[str, Any]:
        return {"proc_root": str(self.proc), "sys_root": str(self.sys)}

"""The somebody else: changes a lab host with ordinary programs, and says what it was and what it is."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

INTERFACE = "eth1"
GOVERNOR = "/sys/devices/system/cpu/cpufreq/policy0/scaling_governor"
MEMORY = "/proc/sys/net/ipv4/tcp_rmem"
PROBING = "/proc/sys/net/ipv4/tcp_mtu_probing"
OFFLOAD = "tx-tcp-segmentation"
OTHERS = {
    "mtu": ("4321", "3000", "1400"),
    "governor": ("powersave", "userspace"),
    "probing": ("0", "1", "2"),
    "memory": ("4096 65536 1048576", "8192 16384 3000000"),
}


@dataclass(frozen=True)
class Expected:
    """What has to be named: words of what changed, and its two values."""

    what: str
    before: str
    now: str


class Changer:
    """One change of one host."""

    def __init__(self, host: Any, setting: str, foreign: int) -> None:
        """`host` is the lab's; `foreign` chooses among values that are nobody's else."""
        self.host, self.setting = host, setting
        self._foreign = foreign
        self._undo: list[str] = []

    def change(self) -> Expected:
        """Do it; what a report has to say of it."""
        return getattr(self, f"_{self.setting}")()

    def undo(self) -> None:
        """Take it back."""
        self._sh(*self._undo)

    def _mtu(self) -> Expected:
        before = str(json.loads(self._sh("ip", "-j", "link", "show", "dev", INTERFACE))[0]["mtu"])
        now = self._other("mtu", before)
        self._undo = ["ip", "link", "set", INTERFACE, "mtu", before]
        self._sh("ip", "link", "set", INTERFACE, "mtu", now)
        return Expected(f"mtu of {INTERFACE}", before, now)

    def _offload(self) -> Expected:
        listed = self._sh("ethtool", "-k", INTERFACE).splitlines()
        before = next(line.split(":")[1].split()[0] for line in listed if line.strip().startswith(f"{OFFLOAD}:"))
        now = "off" if before == "on" else "on"
        self._undo = ["ethtool", "-K", INTERFACE, OFFLOAD, before]
        self._sh("ethtool", "-K", INTERFACE, OFFLOAD, now)
        return Expected(f"{OFFLOAD} of {INTERFACE}", before, now)

    def _governor(self) -> Expected:
        return self._file(GOVERNOR, "governor", "governor of policy0")

    def _memory(self) -> Expected:
        return self._file(MEMORY, "memory", "net.ipv4.tcp_rmem")

    def _probing(self) -> Expected:
        return self._file(PROBING, "probing", "net.ipv4.tcp_mtu_probing")

    def _address(self) -> Expected:
        about = json.loads(self._sh("ip", "-j", "-4", "address", "show", "dev", INTERFACE))[0]["addr_info"][0]
        text = f"{about['local']}/{about['prefixlen']}"
        self._undo = ["ip", "address", "add", text, "dev", INTERFACE]
        self._sh("ip", "address", "delete", text, "dev", INTERFACE)
        return Expected(f"address {about['local']} of {INTERFACE}", "there", "gone")

    def _link(self) -> Expected:
        self._undo = ["sh", "-c", f"ip link set {INTERFACE} up"]
        self._sh("ip", "link", "set", INTERFACE, "down")
        return Expected(f"{INTERFACE} switched on", "on", "off")

    def _file(self, path: str, kind: str, what: str) -> Expected:
        before = " ".join(self._sh("cat", path).split())
        return self._write(path, before, self._other(kind, before), what)

    def _write(self, path: str, before: str, now: str, what: str) -> Expected:
        self._undo = ["sh", "-c", f"echo '{before}' > {path}"]
        self._sh("sh", "-c", f"echo '{now}' > {path}")
        return Expected(what, before, now)

    def _other(self, kind: str, before: str) -> str:
        choice = [value for value in OTHERS[kind] if value != before]
        return choice[self._foreign % len(choice)]

    def _sh(self, *words: str) -> str:
        done = self.host.exec(list(words), capture_output=True, text=True)
        assert done.returncode == 0, (words, done.stdout, done.stderr)
        return str(done.stdout)

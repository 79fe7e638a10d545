"""The traffic pair against the plainest C around the same system calls: paired ratios with their intervals.

    python tests/benchmarks/traffic_pair.py [--pairs 15] [--window 0.5] [--rows tcp,udp] [--quota 20]

Needs root (namespaces; a control group for the rows under a quota) and a C compiler. On one veth pair, without a
switch; runs alternate, ours and C's, so that whatever else the machine does meets both. The figure of a row is the
median of the paired ratios; its interval is that of the median by the sign test, which assumes nothing about the
spread. Nothing here is asserted: goals are printed beside what was found. The last table is kept in traffic_pair.txt.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import shlex
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from math import comb
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "onhost" / "traffic"))

from two_ends import arguments, flow, part, run_pair, times  # noqa: E402 - found by the line above
from wire_lab import enter, in_own_namespace, inside, run  # noqa: E402 - as above

NEAR, FAR = "198.18.7.1", "198.18.7.2"
PORT = 21100
SEND_BYTES, RECEIVE_BYTES = 262144, 1048576
OFFLOADS = {
    "on": "tso on gso on gro off tx-udp-segmentation on",  # as a veth pair is made: super-frames pass untouched
    "off": "tso off gso on gro on tx-udp-segmentation off",  # every frame of the MTU's size, merged at the receiver
}


@dataclass
class Figures:
    """One run of one side."""

    bytes: float
    datagrams: float
    seconds: float
    send_cpu_s: float
    receive_cpu_s: float
    lost: float = 0.0

    @property
    def gbit_s(self) -> float:
        return 8e-9 * self.bytes / self.seconds

    @property
    def datagrams_s(self) -> float:
        return self.datagrams / self.seconds


@dataclass
class Row:
    """What is compared: two ways to run, and the ratio of a figure of theirs with its goal."""

    name: str
    goal: str
    ours: Callable[[], Figures]
    yardstick: Callable[[], Figures]
    figure: Callable[[Figures], float]
    unit: str
    notes: Callable[[list[Figures], list[Figures]], str] = field(default=lambda ours, c: "")


class Bench:
    """The veth pair, the compiled yardstick, and the two sides' runs."""

    def __init__(self, window_s: float, program: str, groups: Sequence[int] = ()) -> None:
        self.window_s, self.program, self.groups = window_s, program, groups
        self.under_quota = False
        self._state = ("", 0)

    def build(self) -> None:
        for place in ("near", "far"):
            run(f"ip netns add {place}")
        run("ip link add name eth1 netns near type veth peer name eth1 netns far")
        for place, address in (("near", NEAR), ("far", FAR)):
            inside(place, "ip link set dev eth1 up")
            inside(place, "ip link set dev lo up")
            inside(place, f"ip addr add {address}/24 dev eth1")
            inside(place, "tc qdisc replace dev eth1 root pfifo limit 2000")

    def set(self, offloads: str, mtu: int) -> None:
        if self._state == (offloads, mtu):
            return
        for place in ("near", "far"):
            inside(place, f"ip link set dev eth1 mtu {mtu}")
            inside(place, f"ethtool -K eth1 {OFFLOADS[offloads]}")
        self._state = (offloads, mtu)
        time.sleep(0.05)

    def _enter(self, place: str) -> Callable[[], None]:
        become = enter(place)

        def both() -> None:
            self._join(place)
            become()
        return both

    def _join(self, place: str) -> None:
        """Become a member of the end's control group, when this is a run under a quota."""
        if self.under_quota and self.groups:
            os.write(self.groups[0 if place == "near" else 1], b"0")

    def ours(self, flows: list[dict[str, Any]], mtu: int) -> Figures:
        cores = {"sender_core": 0, "receiver_core": 1}
        given = [{**cores, **each} for each in flows]
        args = arguments(given, interface="eth1", local=NEAR, peer=FAR, mtu=mtu)
        dialled, served = run_pair(args, length_s=self.window_s, warmup_s=0.15, dial_in=self._enter("near"),
                                   serve_in=self._enter("far"))
        self.last_watch = dialled["watch"]
        total = Figures(0, 0, self.window_s, 0, 0)
        for each in flows:
            way = each["way"]
            sent = part(dialled if way == "transmit" else served, "send", way)
            got = part(served if way == "transmit" else dialled, "receive", way)
            total.bytes += got["goodput_bytes"]
            total.send_cpu_s += sent["process"]["cpu_s"]
            total.receive_cpu_s += got["process"]["cpu_s"]
            if "datagrams_sent" in sent:
                total.datagrams += got["goodput_bytes"] / each["datagram_bytes"]
                total.lost += sent["datagrams_sent"] - got["datagrams_received"]
        return total

    def c(self, pairs: list[tuple[str, str, str, int]], rate_bit_s: float = 0) -> Figures:
        """As many C pairs at once as there are (way, sending kind, receiving kind, size)."""
        told = times(self.window_s, 0.15, ahead_s=0.1 + 0.05 * len(pairs))
        running: list[tuple[str, subprocess.Popen[str]]] = []
        for number, (way, sends, receives, size) in enumerate(pairs):
            sender, receiver = ("near", "far") if way == "transmit" else ("far", "near")
            address = FAR if receiver == "far" else NEAR
            room = RECEIVE_BYTES if sends == "tcp-send" else size
            for place, kind, length, core, pace in ((receiver, receives, room, 1, 0), (sender, sends, size, 0, rate_bit_s)):
                line = [*f"ip netns exec {place} {self.program} {kind} {address} {PORT + number} {length} {core}".split(),
                        str(told["window_from_ns"]), str(told["window_to_ns"]), str(int(pace / len(pairs)))]
                running.append((kind, subprocess.Popen(line, stdout=subprocess.PIPE, text=True,
                                                       preexec_fn=lambda place=place: self._join(place))))
                if kind == receives:
                    assert running[-1][1].stdout is not None
                    assert running[-1][1].stdout.readline() == "listening\n"
        total = Figures(0, 0, self.window_s, 0, 0)
        for kind, program in running:
            said = json.loads(program.communicate(timeout=30)[0])
            assert program.returncode == 0
            if "send" in kind or kind in ("udp-single", "udp-batch", "udp-segment"):
                total.send_cpu_s += said["cpu_s"]
            else:
                total.bytes += said["bytes"]
                total.datagrams += said["datagrams"]
                total.lost += said["lost"]
                total.receive_cpu_s += said["cpu_s"]
        return total


def tcp_rows(bench: Bench) -> list[Row]:
    rows = []
    for mtu in (1500, 9000):
        for offloads in ("on", "off"):
            rows.append(Row(f"TCP, MTU {mtu}, offloads {offloads}", ">= 0.95", *_tcp(bench, offloads, mtu),
                            lambda f: f.gbit_s, "Gb/s"))
    return rows


def _tcp(bench: Bench, offloads: str, mtu: int, ways: Sequence[str] = ("transmit",), streams: int = 1,
         **more: Any) -> tuple[Callable[[], Figures], Callable[[], Figures]]:
    rate = more.get("pacing_bit_s") or 0

    def ours() -> Figures:
        bench.set(offloads, mtu)
        return bench.ours([flow(way, "tcp", streams=streams, **more) for way in ways], mtu)

    def c() -> Figures:
        bench.set(offloads, mtu)
        return bench.c([(way, "tcp-send", "tcp-receive", SEND_BYTES) for way in ways for _ in range(streams)], rate)
    return ours, c


def paced_rows(bench: Bench) -> list[Row]:
    """CPU per gigabyte at 60 % of what C reaches flat out, the figure that scatters least."""
    rows = []
    for mtu in (1500, 9000):
        _, flat_out = _tcp(bench, "off", mtu)
        rate = 0.6 * 1e9 * statistics.median(flat_out().gbit_s for _ in range(5))
        paced = _tcp(bench, "off", mtu, pacing_bit_s=rate)
        title = f"TCP, MTU {mtu}, offloads off, paced to {rate / 1e9:.2f} Gb/s: CPU"
        rows.append(Row(f"{title} of the sender", "<= 1.05", *paced, lambda f: 1e9 * f.send_cpu_s / f.bytes, "s/GB"))
        rows.append(Row(f"{title} of the receiver", "<= 1.05", *paced, lambda f: 1e9 * f.receive_cpu_s / f.bytes, "s/GB"))
        free, _ = _tcp(bench, "off", mtu, pacing_bit_s=rate, no_copy=True)
        rows.append(Row(f"{title} of the sender without copying, against C's plain send", "< 1", free, paced[1],
                        lambda f: 1e9 * f.send_cpu_s / f.bytes, "s/GB"))
    return rows


def _udp(bench: Bench, offloads: str, size: int, kind: str) -> tuple[Callable[[], Figures], Callable[[], Figures]]:
    receiver = "udp-coalesce" if kind == "udp-segment" else "udp-receive"

    def ours() -> Figures:
        bench.set(offloads, 1500)
        return bench.ours([flow("transmit", "udp", datagram_bytes=size)], 1500)

    def c() -> Figures:
        bench.set(offloads, 1500)
        return bench.c([("transmit", kind, receiver, size)])
    return ours, c


def _per_datagram(ours: list[Figures], c: list[Figures]) -> str:
    def middle(runs: list[Figures], what: Callable[[Figures], float]) -> float:
        return statistics.median(what(each) for each in runs)
    told = []
    for name, runs in (("ours", ours), ("C", c)):
        told.append(f"{name}: {1e6 * middle(runs, lambda f: f.send_cpu_s / max(f.datagrams, 1)):.2f} + "
                    f"{1e6 * middle(runs, lambda f: f.receive_cpu_s / max(f.datagrams, 1)):.2f} µs CPU per datagram, "
                    f"{middle(runs, lambda f: f.lost / max(f.datagrams + f.lost, 1)):.1%} lost")
    return "; ".join(told)


def udp_rows(bench: Bench) -> list[Row]:
    def row(name: str, goal: str, offloads: str, size: int, kind: str) -> Row:
        return Row(name, goal, *_udp(bench, offloads, size, kind), lambda f: f.datagrams_s / 1e3, "k/s", _per_datagram)
    return [
        row("UDP 1472 B, real frames, against sendmmsg", ">= 1.3", "off", 1472, "udp-batch"),
        row("UDP 1472 B, real frames, against one send each", "", "off", 1472, "udp-single"),
        row("UDP 1472 B, real frames, against UDP_SEGMENT", "", "off", 1472, "udp-segment"),
        row("UDP 1472 B, super-datagrams, against sendmmsg", ">= 4", "on", 1472, "udp-batch"),
        row("UDP 1472 B, super-datagrams, against UDP_SEGMENT", ">= 0.75", "on", 1472, "udp-segment"),
        row("UDP 18 B (64-byte frames), real frames, against sendmmsg", ">= 1.0", "off", 18, "udp-batch"),
    ]


def stream_rows(bench: Bench) -> list[Row]:
    rows = [Row(f"TCP, MTU 1500, offloads on, {streams} streams", ">= 0.95", *_tcp(bench, "on", 1500, streams=streams),
                lambda f: f.gbit_s, "Gb/s") for streams in (1, 4, 16)]
    both = _tcp(bench, "on", 1500, ways=("transmit", "receive"))
    return [*rows, Row("TCP, MTU 1500, offloads on, both ways", ">= 0.95", *both, lambda f: f.gbit_s, "Gb/s")]


def interval(ratios: Sequence[float], level: float = 0.95) -> tuple[float, float]:
    """The median's interval by the sign test (Conover, Practical Nonparametric Statistics, s3.2): from memory."""
    ordered, n = sorted(ratios), len(ratios)
    below, cut = 0.0, 0
    while below + comb(n, cut) / 2**n <= (1 - level) / 2:
        below += comb(n, cut) / 2**n
        cut += 1
    return (ordered[cut - 1], ordered[n - cut]) if cut else (float("nan"), float("nan"))


def measure(row: Row, pairs: int) -> str:
    ours, c = [], []
    for number in range(pairs):
        sides = [(row.ours, ours), (row.yardstick, c)]
        for side, kept in sides if number % 2 == 0 else reversed(sides):
            kept.append(side())
    ratios = [row.figure(a) / row.figure(b) for a, b in zip(ours, c, strict=True)]
    low, high = interval(ratios)
    line = (f"{row.name:<78} {statistics.median(map(row.figure, ours)):9.3f} {statistics.median(map(row.figure, c)):9.3f} "
            f"{row.unit:<5} {statistics.median(ratios):6.3f}  [{low:.3f}, {high:.3f}]  {row.goal}")
    note = row.notes(ours, c)
    return line + (f"\n    {note}" if note else "")


def make_groups(share: float) -> tuple[list[str], list[int]]:
    """Two control groups with a CPU quota each, one per end; their folders, and where to write a member's number."""
    one, two = Path("/sys/fs/cgroup/cpu"), Path("/sys/fs/cgroup")
    folders, members = [], []
    for end in ("near", "far"):
        name = f"linktrial-benchmark-{os.getpid()}-{end}"
        if (one / "cpu.cfs_quota_us").exists() or (one / "cpu.shares").exists():
            folder = one / name
            folder.mkdir()
            (folder / "cpu.cfs_period_us").write_text("100000")
            (folder / "cpu.cfs_quota_us").write_text(str(int(100000 * share)))
        else:
            folder = two / name
            folder.mkdir()
            (folder / "cpu.max").write_text(f"{int(100000 * share)} 100000")
        folders.append(str(folder))
        members.append(os.open(folder / "cgroup.procs", os.O_WRONLY))
    return folders, members


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pairs", type=int, default=15, help="alternating pairs of runs per row (default 15)")
    parser.add_argument("--window", type=float, default=0.5, help="seconds counted per run (default 0.5)")
    parser.add_argument("--rows", default="tcp,paced,udp,streams,quota,watch", help="groups of rows, by commas")
    parser.add_argument("--quota", type=float, default=20, help="per cent of one core for each end, in the quota rows")
    chosen = parser.parse_args()
    groups = chosen.rows.split(",")
    folders, members = make_groups(chosen.quota / 100) if "quota" in groups or "watch" in groups else ([], [])
    try:
        with tempfile.TemporaryDirectory() as folder:
            program = f"{folder}/yardstick"
            subprocess.run(["cc", "-O2", "-o", program, str(HERE / "yardstick.c")], check=True)
            lines = in_own_namespace(_all, groups, chosen.pairs, chosen.window, program, members, chosen.quota)
    finally:
        for folder in folders:
            Path(folder).rmdir()
    if chosen.rows == parser.get_default("rows"):
        (HERE / "traffic_pair.txt").write_text("\n".join(lines) + "\n")


def _all(groups: list[str], pairs: int, window_s: float, program: str, members: list[int], quota: float) -> list[str]:
    bench = Bench(window_s, program, members)
    bench.build()
    lines: list[str] = []

    def say(line: str) -> None:
        lines.append(line)
        print(line, flush=True)

    say(f"python tests/benchmarks/{Path(__file__).name} {shlex.join(sys.argv[1:])}")
    say(f"{time.strftime('%Y-%m-%d')}, {platform.platform()}, Python {platform.python_version()}, {os.cpu_count()} cores "
        f"of {_processor()}, load {os.getloadavg()[0]:.1f} at the start; {pairs} pairs of {window_s:g} s; sending on "
        "core 0, receiving on core 1")
    say(f"offloads on: {OFFLOADS['on']}; off: {OFFLOADS['off']}")
    say(f"{'row':<78} {'ours':>9} {'C':>9} {'':5} {'ratio':>6}  interval        goal")
    making = {"tcp": tcp_rows, "paced": paced_rows, "udp": udp_rows, "streams": stream_rows}
    for group in groups:
        for row in making.get(group, lambda _: [])(bench):
            say(measure(row, pairs))
    if "quota" in groups:
        bench.under_quota = True
        for row in [*tcp_rows(bench), *udp_rows(bench)]:
            row.name = f"{quota:g} % quota: {row.name}"
            row.goal = ">= 0.9" if row.goal else ""
            say(measure(row, pairs))
    return lines


def _processor() -> str:
    for line in Path("/proc/cpuinfo").read_text().splitlines():
        if line.startswith(("model name", "Model")):
            return line.partition(":")[2].strip()
    return platform.machine()


if __name__ == "__main__":
    main()

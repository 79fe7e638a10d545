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
from dataclasses import dataclass
from math import comb
from pathlib import Path
from typing import Any

from orchestrator.lab.cpu_group import CpuGroup

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parents[1]))

from tests.onhost.traffic.two_ends import PORTS, arguments, flow, part, run_pair, times  # noqa: E402 - found by the line above
from tests.onhost.traffic.wire_lab import enter, in_own_namespace, inside, run  # noqa: E402 - as above

NEAR, FAR = "198.18.7.1", "198.18.7.2"
PORT = PORTS[0]
SEND_BYTES, RECEIVE_BYTES = 262144, 1048576
SENDERS = ("tcp-send", "udp-single", "udp-batch", "udp-segment")
OFFLOADS = {
    "on": "tso on gso on gro off tx-udp-segmentation on",  # as a veth pair is made: super-frames pass untouched
    "off": "tso off gso on gro on tx-udp-segmentation off",  # every frame of the MTU's size, merged at the receiver
}


@dataclass
class Figures:
    """One run of one side: what arrived in the window, what was sent in it, and both ends' processor time."""

    bytes: float
    datagrams: float
    seconds: float
    send_cpu_s: float = 0.0
    receive_cpu_s: float = 0.0
    sent: float = 0.0

    @property
    def gbit_s(self) -> float:
        return 8e-9 * self.bytes / self.seconds

    @property
    def thousand_s(self) -> float:
        return 1e-3 * self.datagrams / self.seconds

    @property
    def send_cpu_s_per_gb(self) -> float:
        return 1e9 * self.send_cpu_s / self.bytes

    @property
    def receive_cpu_s_per_gb(self) -> float:
        return 1e9 * self.receive_cpu_s / self.bytes

    @property
    def both_cpu_s_per_gb(self) -> float:
        """Of both processes together: the kernel's own network work is charged to whichever of them runs just then."""
        return self.send_cpu_s_per_gb + self.receive_cpu_s_per_gb


@dataclass
class Compared:
    """A figure of the runs, its unit, and the goal for ours / C's; "" where there is none."""

    name: str
    figure: str
    unit: str
    goal: str


@dataclass
class Row:
    """Two ways to run, and what is compared of the same pairs of runs."""

    name: str
    ours: Callable[[], Figures]
    yardstick: Callable[[], Figures]
    compared: list[Compared]
    per_datagram: bool = False


class Bench:
    """The veth pair, the compiled yardstick, and the two sides' runs."""

    def __init__(self, window_s: float, program: str, members: Sequence[int] = ()) -> None:
        """`members` are files to write a process's number to: the control groups of the near and the far end."""
        self.window_s, self.program, self._members = window_s, program, members
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

    def _born(self, verb: str, pid: int) -> None:
        """A job of ours has been forked: into its end's control group with it, in a run under a quota."""
        if self.under_quota:
            os.write(self._members[0 if verb == "dial" else 1], str(pid).encode())

    def _join(self, place: str) -> None:
        """The same for a C program, in the child before it becomes one."""
        if self.under_quota:
            os.write(self._members[0 if place == "near" else 1], b"0")

    def ours(self, flows: list[dict[str, Any]], mtu: int) -> Figures:
        cores = {"sender_core": 0, "receiver_core": 1}
        given = [{**cores, **each} for each in flows]
        args = arguments(given, interface="eth1", local=NEAR, peer=FAR, mtu=mtu)
        dialled, served = run_pair(
            args, length_s=self.window_s, warmup_s=0.15, dial_in=enter("near"), serve_in=enter("far"), born=self._born
        )
        total = Figures(0, 0, self.window_s)
        for each in flows:
            way = each["way"]
            sent = part(dialled if way == "transmit" else served, "send", way)
            got = part(served if way == "transmit" else dialled, "receive", way)
            total.bytes += got["goodput_bytes"]
            total.send_cpu_s += sent["process"]["cpu_s"]
            total.receive_cpu_s += got["process"]["cpu_s"]
            if each["transport"] == "udp":
                total.datagrams += got["goodput_bytes"] / each["datagram_bytes"]
                total.sent += sent["window_datagrams_sent"]
        return total

    def c(self, pairs: list[tuple[str, str, str, int]], rate_bit_s: float = 0) -> Figures:
        """As many C pairs at once as there are (way, sending kind, receiving kind, size)."""
        told = times(self.window_s, 0.15, ahead_s=0.1 + 0.05 * len(pairs))
        running: list[tuple[str, subprocess.Popen[str]]] = []
        for number, (way, sends, receives, size) in enumerate(pairs):
            sender, receiver = ("near", "far") if way == "transmit" else ("far", "near")
            address = FAR if receiver == "far" else NEAR
            room = RECEIVE_BYTES if sends == "tcp-send" else size
            pace = int(rate_bit_s / len(pairs))
            for place, kind, length, core in ((receiver, receives, room, 1), (sender, sends, size, 0)):
                line = (
                    f"ip netns exec {place} {self.program} {kind} {address} {PORT + number} {length} {core} "
                    f"{told['window_from_ns']} {told['window_to_ns']} {pace}"
                )
                running.append((kind, self._start(line, place)))
                if kind == receives:
                    said = running[-1][1].stdout
                    assert said is not None
                    assert said.readline() == "listening\n"
        return self._added(running)

    def _start(self, line: str, place: str) -> subprocess.Popen[str]:
        return subprocess.Popen(line.split(), stdout=subprocess.PIPE, text=True, preexec_fn=lambda: self._join(place))  # noqa: PLW1509 - there are no threads here

    def _added(self, running: list[tuple[str, subprocess.Popen[str]]]) -> Figures:
        total = Figures(0, 0, self.window_s)
        for kind, program in running:
            said = json.loads(program.communicate(timeout=30)[0])
            assert program.returncode == 0
            if kind in SENDERS:
                total.send_cpu_s += said["cpu_s"]
                total.sent += said["datagrams"]
            else:
                total.bytes += said["bytes"]
                total.datagrams += said["datagrams"]
                total.receive_cpu_s += said["cpu_s"]
        return total


RATE = "gbit_s"
DATAGRAM_RATE = "thousand_s"


def tcp_rows(bench: Bench) -> list[Row]:
    return [
        Row(
            f"TCP, MTU {mtu}, offloads {offloads}",
            *_tcp(bench, offloads, mtu),
            [Compared("goodput", RATE, "Gb/s", ">= 0.95")],
        )
        for mtu in (1500, 9000)
        for offloads in ("on", "off")
    ]


def _tcp(
    bench: Bench, offloads: str, mtu: int, ways: Sequence[str] = ("transmit",), streams: int = 1, **more: Any
) -> tuple[Callable[[], Figures], Callable[[], Figures]]:
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
        name = f"TCP, MTU {mtu}, offloads off, {rate / 1e9:.2f} Gb/s"
        rows.append(
            Row(
                name,
                *paced,
                [
                    Compared("CPU of the sender", "send_cpu_s_per_gb", "s/GB", "<= 1.05"),
                    Compared("CPU of the receiver", "receive_cpu_s_per_gb", "s/GB", "<= 1.05"),
                    Compared("CPU of both ends", "both_cpu_s_per_gb", "s/GB", ""),
                ],
            )
        )
        free, _ = _tcp(bench, "off", mtu, pacing_bit_s=rate, zero_copy=True)
        rows.append(
            Row(
                f"{name}, ours without copying",
                free,
                paced[1],
                [Compared("CPU of the sender", "send_cpu_s_per_gb", "s/GB", "< 1")],
            )
        )
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


def udp_rows(bench: Bench) -> list[Row]:
    def row(name: str, goal: str, offloads: str, size: int, kind: str) -> Row:
        return Row(name, *_udp(bench, offloads, size, kind), [Compared("received", DATAGRAM_RATE, "k/s", goal)], True)

    return [
        row("UDP 1472 B, real frames, C: sendmmsg", ">= 1.3", "off", 1472, "udp-batch"),
        row("UDP 1472 B, real frames, C: one send each", "", "off", 1472, "udp-single"),
        row("UDP 1472 B, real frames, C: UDP_SEGMENT", "", "off", 1472, "udp-segment"),
        row("UDP 1472 B, super-datagrams, C: sendmmsg", ">= 4", "on", 1472, "udp-batch"),
        row("UDP 1472 B, super-datagrams, C: UDP_SEGMENT", ">= 0.75", "on", 1472, "udp-segment"),
        row("UDP 18 B (64-byte frames), real frames, C: sendmmsg", ">= 1.0", "off", 18, "udp-batch"),
    ]


def stream_rows(bench: Bench) -> list[Row]:
    goodput = [Compared("goodput", RATE, "Gb/s", ">= 0.95")]
    name = "TCP, MTU 1500, offloads on"
    return [
        *(
            Row(f"{name}, {streams} streams", *_tcp(bench, "on", 1500, streams=streams), goodput)
            for streams in (1, 4, 16)
        ),
        Row(f"{name}, both ways", *_tcp(bench, "on", 1500, ways=("transmit", "receive")), goodput),
    ]


def interval(ratios: Sequence[float], level: float = 0.95) -> tuple[float, float]:
    """The median's interval by the sign test (Conover, Practical Nonparametric Statistics, s3.2): from memory."""
    ordered, n = sorted(ratios), len(ratios)
    below, cut = 0.0, 0
    while below + comb(n, cut) / 2**n <= (1 - level) / 2:
        below += comb(n, cut) / 2**n
        cut += 1
    return (ordered[cut - 1], ordered[n - cut]) if cut else (float("nan"), float("nan"))


def measure(row: Row, pairs: int) -> list[str]:
    """The row's lines: alternating pairs, whoever goes first alternating too."""
    ours: list[Figures] = []
    c: list[Figures] = []
    empty = 0  # pairs in which a side received nothing: run again, and told
    while len(ours) < pairs:
        first, second = (row.ours, row.yardstick) if len(ours) % 2 == 0 else (row.yardstick, row.ours)
        one, other = first(), second()
        mine, theirs = (one, other) if first is row.ours else (other, one)
        if not mine.bytes or not theirs.bytes:
            empty += 1
            if empty > pairs:
                return [f"{row.name}: nothing received in {empty} pairs"]
            continue
        ours.append(mine)
        c.append(theirs)
    lines = [f"    {empty} pairs run again, as one side had received nothing"] if empty else []
    for what in row.compared:
        left = [getattr(each, what.figure) for each in ours]
        right = [getattr(each, what.figure) for each in c]
        ratios = [a / b for a, b in zip(left, right, strict=True)]
        low, high = interval(ratios)
        name, middle = f"{row.name}: {what.name}", statistics.median
        lines.append(
            f"{name:<82} {middle(left):9.3f} {middle(right):9.3f} {what.unit:<5} {middle(ratios):6.3f}  "
            f"[{low:.3f}, {high:.3f}]  {what.goal}".rstrip()
        )
    if row.per_datagram:
        lines += [f"    {name}: {per_datagram(runs)}" for name, runs in (("ours", ours), ("C", c))]
    return lines


def per_datagram(runs: list[Figures]) -> str:
    """CPU per datagram sent and per datagram received, and what was lost, each the median of the runs."""

    def middle(what: Callable[[Figures], float]) -> float:
        return statistics.median(what(each) for each in runs)

    return (
        f"{1e6 * middle(lambda f: f.send_cpu_s / max(f.sent, 1)):.2f} µs CPU per datagram sent, "
        f"{1e6 * middle(lambda f: f.receive_cpu_s / max(f.datagrams, 1)):.2f} received, "
        f"{middle(lambda f: 1 - f.datagrams / max(f.sent, 1)):.1%} lost"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pairs", type=int, default=15, help="alternating pairs of runs per row (default 15)")
    parser.add_argument("--window", type=float, default=0.5, help="seconds counted per run (default 0.5)")
    parser.add_argument("--rows", default="tcp,paced,udp,streams,quota", help="groups of rows, by commas")
    parser.add_argument("--quota", type=float, default=20, help="per cent of one core for each end, in the quota rows")
    chosen = parser.parse_args()
    groups = [CpuGroup(end) for end in ("near", "far")] if "quota" in chosen.rows else []
    for group in groups:
        group.set_share(chosen.quota / 100)
    members = [os.open(group.folder / "cgroup.procs", os.O_WRONLY) for group in groups]
    try:
        with tempfile.TemporaryDirectory() as folder:
            program = f"{folder}/yardstick"
            subprocess.run(["cc", "-O2", "-o", program, str(HERE / "yardstick.c")], check=True)
            lines = in_own_namespace(table, chosen, program, members)
    finally:
        for group in groups:
            group.remove()
    if chosen.rows == parser.get_default("rows"):
        (HERE / "traffic_pair.txt").write_text("\n".join(lines) + "\n")


def table(chosen: argparse.Namespace, program: str, members: list[int]) -> list[str]:
    """All of it, printed as it comes."""
    bench = Bench(chosen.window, program, members)
    bench.build()
    lines: list[str] = []

    def say(*told: str) -> None:
        lines.extend(told)
        print(*told, sep="\n", flush=True)

    say(
        f"python tests/benchmarks/{Path(__file__).name} {shlex.join(sys.argv[1:])}".rstrip(),
        f"{time.strftime('%Y-%m-%d')}, {platform.platform()}, Python {platform.python_version()}, "
        f"{os.cpu_count()} cores of {processor()}, load {os.getloadavg()[0]:.1f} at the start",
        f"{chosen.pairs} pairs of {chosen.window:g} s; sending on core 0, receiving on core 1; one veth pair, "
        "pfifo 2000",
        f"offloads on: {OFFLOADS['on']}",
        f"offloads off: {OFFLOADS['off']}",
        f"{'':82} {'ours':>9} {'C':>9} {'':5} {'ratio':>6}  interval        goal",
    )
    making = {"tcp": tcp_rows, "paced": paced_rows, "udp": udp_rows, "streams": stream_rows}
    for group in chosen.rows.split(","):
        for row in making[group](bench) if group in making else []:
            say(*measure(row, chosen.pairs))
    if "quota" in chosen.rows.split(","):
        bench.under_quota = True
        say(f"the same under a quota of {chosen.quota:g} % of a core for each end (goal >= 0.9 throughout):")
        for row in [*tcp_rows(bench), *udp_rows(bench)]:
            row.compared = [Compared(each.name, each.figure, each.unit, ">= 0.9") for each in row.compared]
            say(*measure(row, chosen.pairs))
    return lines


def processor() -> str:
    """The processor's name as the kernel tells it."""
    for line in Path("/proc/cpuinfo").read_text().splitlines():
        if line.startswith(("model name", "Model")):
            return line.partition(":")[2].strip()
    return platform.machine()


if __name__ == "__main__":
    main()

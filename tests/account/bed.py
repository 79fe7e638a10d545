"""Trials on a network that loses frames and carries other people's, with a referee who counts each frame by flow."""

from __future__ import annotations

import json
import random
import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from orchestrator.lab.lab import Lab
from orchestrator.lab.scenario import Scenario, lab_host, port
from tests.spine.bench import Bench, plan_text, trials_of

RATE_BIT_S = 100_000_000
FOUR_HOSTS = Scenario(
    tuple(lab_host(name, number) for name, number in (("dome", 11), ("hall", 12), ("shed", 13), ("barn", 14))),
    RATE_BIT_S,
)
OURS = ("dome", "hall", "shed")
PORTS = range(20000, 20256)
_SECOND_SSH = """Port 22
ListenAddress {address}
HostKey /run/lab-sshd/host_key
AuthorizedKeysFile /run/lab-keys/%u
PasswordAuthentication no
KbdInteractiveAuthentication no
PermitRootLogin prohibit-password
UsePAM no
PidFile none
"""


@dataclass(frozen=True)
class Case:
    """One trial's circumstances. Loss per ten thousand frames from `lossy`; cross traffic as a share of the rate."""

    loss: int = 0
    lossy: str = "dome"
    transport: str = "tcp"
    direction: str = "transmit"
    mtu: int = 1500
    streams: int = 1
    ip: int = 4
    links: int = 1  # two: together, and each alone as well where `alone` says so
    alone: bool = False
    control_shared: bool = False
    cross: float = 0.0
    cross_bytes: int = 1200
    datagram_size: int | None = None
    offered: str = "40%"

    @property
    def kind(self) -> str:
        """What sort of case it is, for the summary."""
        words = [self.transport, f"{self.loss / 100:g} % lost" if self.loss else "no loss"]
        return ", ".join(
            [
                *words,
                *(["two links"] if self.links > 1 else []),
                *(["control shared"] if self.control_shared else []),
                *(["crowd"] if self.cross else []),
            ]
        )

    @property
    def sort(self) -> str:
        """The same without figures."""
        return self.kind if not self.loss else self.kind.replace(f"{self.loss / 100:g} % lost", "loss")


@dataclass(frozen=True)
class Seen:
    """One host's interface in one trial: what its row says against what the referee counted, in octets."""

    case: Case
    host: str
    row: dict[str, str]
    own: int
    cross: int
    status: str
    doubts: str

    @property
    def error(self) -> float:
        """By how much the row is off, as a share of all octets on the interface."""
        whole = self.own + self.cross
        return (
            max(
                abs(float(self.row["own_traffic_bytes"]) - self.own),
                abs(float(self.row["cross_traffic_bytes"]) - self.cross),
            )
            / whole
        )

    @property
    def allowed(self) -> float:
        """0.1 % of the octets, 0.3 % beside cross traffic."""
        return 0.003 if self.case.cross else 0.001


def drawn(draw: random.Random) -> Case:
    """A case at random."""
    shared = draw.random() < 0.2
    transport = draw.choice(["tcp", "tcp", "udp"])
    mtu = draw.choice([1500, 1500, 4000, 9000])
    loss = draw.choice([0, round(10 ** draw.uniform(1, 2.3 if shared else 3))])
    size = draw.choice([None, 200, 1000, 5000]) if transport == "udp" else None
    return Case(
        loss,
        draw.choice(["dome", "hall"]),
        transport,
        draw.choice(["transmit", "receive", "bidirectional"]),
        mtu,
        draw.choice([1, 1, 2, 4]),
        draw.choice([4, 6]),
        draw.choice([1, 1, 2]),
        False,
        shared,
        draw.choice([0.0, round(draw.uniform(0.005, 0.2), 4)]),
        draw.choice([100, 600, 1200]),
        size,
        draw.choice(["10%", "30%", "40%"]),
    )


class Bed:
    """A lab of three hosts of ours and one of somebody else's on one switch."""

    def __init__(self, lab: Lab, folder: Path) -> None:
        self.lab, self.bench = lab, Bench(lab, folder)
        self._join_controller()

    def judged(self, case: Case) -> list[Seen]:
        """Run the case's plan; one entry for each trial and host of it."""
        with self._made(case), self._referee() as heard:
            words = ["--ssh-config", str(self._ssh_in_band if case.control_shared else self.lab.ssh_config)]
            done = self.bench.linktrial("run", self.bench.write(plan_of(case)), "--out", self.bench.out, *words)
        assert done.returncode in (0, 1), done.stderr + done.stdout
        folder = self.bench.newest()
        status = {row["trial"]: row for row in trials_of(folder)}
        assert not heard["lost"], "the referee could not follow"
        found = []
        for row in trials_of(folder, "hosts.csv"):
            assert row["own_traffic_bytes"], (row, status[row["trial"]]["reason"])
            span = self._span(folder, row)
            own, cross = self._counted(heard["seen"], row["host"], span)
            trial = status[row["trial"]]
            found.append(Seen(case, row["host"], row, own, cross, trial["status"], trial["doubts"]))
        return found

    @contextmanager
    def _made(self, case: Case) -> Iterator[None]:
        with ExitStack() as undo:
            if case.loss:
                rules = (
                    f"table netdev loss {{\nchain c {{\ntype filter hook ingress device {port(case.lossy)} "
                    f"priority 0\nether type {{ ip, ip6 }} numgen random mod 10000 < {case.loss} drop\n}}\n}}"
                )
                self.lab.switch.output(["nft", rules])
                undo.callback(self.lab.switch.output, ["nft", "delete", "table", "netdev", "loss"])
            if case.cross:
                crowd = self.lab.hosts["barn"].start(
                    [
                        sys.executable,
                        str(Path(__file__).with_name("crowd.py")),
                        "198.18.0.11" if case.ip == 4 else "2001:2::11",
                        str(case.cross * RATE_BIT_S),
                        str(case.cross_bytes),
                    ]
                )
                undo.callback(crowd.wait)
                undo.callback(crowd.kill)
            yield

    @contextmanager
    def _referee(self) -> Iterator[dict[str, Any]]:
        program = str(Path(__file__).with_name("frames_seen.py"))
        referee = self.lab.switch.start(
            [sys.executable, program, *map(port, OURS)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        assert referee.stdin is not None
        assert referee.stdout is not None
        heard: dict[str, Any] = {}
        try:
            assert referee.stdout.readline() == "ready\n"
            yield heard
            heard.update(json.loads(referee.communicate(timeout=60)[0]))
        finally:
            referee.kill()
            referee.wait()

    def _span(self, folder: Path, row: dict[str, str]) -> tuple[float, float]:
        """When the interface's counters were read first and last in this trial, milliseconds of CLOCK_MONOTONIC."""
        spans = []
        for line in (folder / "journal.jsonl").read_text().splitlines():
            record = record_in(json.loads(line))
            if record is None or str(record["position"]) != row["trial"] or str(record["attempt"]) != row["attempt"]:
                continue
            for link in (record, *record.get("beside", ())):
                spans += [
                    (link[end]["own_frames"]["from_ns"] / 1e6, link[end]["own_frames"]["to_ns"] / 1e6)
                    for end in ("first", "second")
                    if link["link_facts"][end]["host"] == row["host"]
                ]
        return min(first for first, _ in spans), max(last for _, last in spans)

    def _counted(self, seen: list[list[Any]], host: str, span: tuple[float, float]) -> tuple[int, int]:
        own = cross = 0
        addresses = self._our_addresses()
        for at_ms, where, _, flow, _, octets in seen:
            if where == port(host) and span[0] - 1 < at_ms < span[1] + 1:
                if is_ours(flow, addresses):
                    own += octets
                else:
                    cross += octets
        return own, cross

    def _our_addresses(self) -> set[str]:
        hosts = [host for host in FOUR_HOSTS.hosts if host.name in OURS]
        return {
            *(host.measured_address_4 for host in hosts),
            *(host.measured_address_6 for host in hosts),
            "198.18.0.5",
        }

    def _join_controller(self) -> None:
        """Let the controller reach the hosts over the measured network as well, by an SSH server of their own there."""
        switch, desk = self.lab.switch, self.lab.controller
        subprocess.run(
            [
                "nsenter",
                f"--net=/proc/{switch.pid}/ns/net",
                "ip",
                "link",
                "add",
                "dev",
                "port-desk",
                "mtu",
                "9000",
                "type",
                "veth",
                "peer",
                "name",
                "eth9",
                "netns",
                str(desk.pid),
            ],
            check=True,
        )
        switch.output(["ip", "link", "set", "dev", "port-desk", "master", "uplink", "up"])
        desk.output(["ip", "link", "set", "dev", "eth9", "up"])
        desk.output(["ip", "address", "add", "198.18.0.5/24", "dev", "eth9"])
        for where, name in ((switch, "port-desk"), (desk, "eth9")):
            where.output(["ethtool", "-K", name, "tso", "off", "gso", "on", "gro", "on"])
        text = desk.path(self.lab.ssh_config).read_text()
        for host in FOUR_HOSTS.hosts:
            text = text.replace(host.control_address, host.measured_address_4)
            config = self.lab.hosts[host.name].path("/run/second-sshd")
            config.write_text(_SECOND_SSH.format(address=host.measured_address_4))
            self.lab.hosts[host.name].output(["/usr/sbin/sshd", "-f", "/run/second-sshd"])
        self._ssh_in_band = self.bench.folder / "ssh_in_band"
        known = re.search(r"UserKnownHostsFile (\S+)", text)
        assert known
        names = desk.path(known[1]).read_text()
        for host in FOUR_HOSTS.hosts:
            names = names.replace(host.control_address, host.measured_address_4)
        (self.bench.folder / "known_hosts").write_text(names)
        self._ssh_in_band.write_text(text.replace(known[1], str(self.bench.folder / "known_hosts")))


def record_in(line: Any) -> Any:
    """The trial's record in a line of the journal, wherever it lies; None where there is none."""
    if isinstance(line, dict):
        if "link_facts" in line and isinstance(line.get("first"), dict) and "position" in line:
            return line
        return next((found for value in line.values() if (found := record_in(value)) is not None), None)
    return None


def is_ours(flow: str, addresses: set[str]) -> bool:
    """Between our hosts on the plan's ports (0: a fragment's), or SSH: everything else is somebody else's."""
    protocol, source, destination, *ports = flow.split()
    if source not in addresses or destination not in addresses or protocol not in ("tcp", "udp"):
        return False
    numbers = [int(number) for number in ports]
    return 22 in numbers or numbers == [0, 0] or all(number in PORTS for number in numbers)


def plan_of(case: Case) -> str:
    """The plan that makes it."""
    links = {
        "uplink": {"under_test": "dome eth1", "far": "hall eth1"},
        "side": {"under_test": "dome eth1", "far": "shed eth1"},
    }
    wanted = dict(list(links.items())[: case.links])
    factors: dict[str, Any] = {
        "mtu": [case.mtu],
        "transport": [case.transport],
        "direction": [case.direction],
        "streams": [case.streams],
        "ip": [case.ip],
    }
    if case.links > 1:
        factors["together"] = ["alone", "all"] if case.alone else ["all"]
    if case.transport == "udp":
        factors["intended_load"] = [case.offered]
    if case.datagram_size:
        factors["datagram_size"] = [f"{case.datagram_size}B"]
    hosts = {name: {"ssh": name, "privilege": "root"} for name in OURS[: 1 + case.links]}
    return plan_text(
        hosts=hosts,
        factors=factors,
        lease="30s",
        links={name: {**link, "rate": "100Mbit/s"} for name, link in wanted.items()},
        trial={"length": "1s", "warmup": "300ms", "settle": "50ms", "replicates": 1},
    )

"""A lab that situations are made in one after the other, and the answers of a run there."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from orchestrator.lab.board import FULL_SHARE_FILE
from orchestrator.lab.lab import Lab
from orchestrator.lab.scenario import Scenario, lab_host, port
from orchestrator.results.causes.from_columns import row_cause
from orchestrator.results.read_run import read_trials
from tests.causes.situations import NO_QUOTA, UNSHAPED, UPLINK_BIT_S, Situation
from tests.spine.bench import Bench, plan_text

TWO_BOARDS = Scenario(
    hosts=(lab_host("dome", 11, slow_board=True), lab_host("hall", 12, slow_board=True)), uplink_rate_bit_s=UPLINK_BIT_S
)
_RELAY = Path(__file__).with_name("relay_in_switch.py")
_TRIAL = {"length": "800ms", "warmup": "400ms", "settle": "50ms"}


@dataclass(frozen=True)
class Answer:
    """What the report says of one trial and way; `kind` is right, unknown, wrong or none (nothing was measured)."""

    situation: str
    right: tuple[str, ...]
    code: str
    sentence: str
    status: str
    row: dict[str, Any]

    @property
    def kind(self) -> str:
        if self.code in self.right:
            return "right"
        return {"unknown": "unknown", "not_measured": "none"}.get(self.code, "wrong")


class Bed:
    """The lab, restored after each situation."""

    def __init__(self, lab: Lab, folder: Path) -> None:
        self.lab, self.bench = lab, Bench(lab, folder)
        for host in lab.hosts:
            self._share(host, NO_QUOTA)

    def answers(self, made: Situation, replicates: int) -> list[Answer]:
        """Make the situation, run its plan with so many trials, and ask what held each of them back."""
        with self._made(made):
            done, folder = self.bench.run(_plan(made, replicates))
        assert done.returncode in (0, 1), done.stderr
        rows = [{str(name): value for name, value in row.items()} for row in read_trials(folder).to_dict("records")]
        return [_answer(made, row) for row in rows]

    @contextmanager
    def _made(self, made: Situation) -> Iterator[None]:
        with ExitStack() as undo:
            self.lab.switch.set_rate(None if made.rate_bit_s == UNSHAPED else made.rate_bit_s)
            undo.callback(self.lab.switch.set_rate, UPLINK_BIT_S)
            for host, share in made.share_of_a_core.items():
                self._share(host, share)
                undo.callback(self._share, host, NO_QUOTA)
            if made.port_mtu_bytes:
                self.lab.switch.set_port_mtu("hall", made.port_mtu_bytes)
                undo.callback(self.lab.switch.set_port_mtu, "hall", 9000)
            if made.lost_per_thousand and not made.delay_s:
                undo.enter_context(self._lossy(made.sender, made.lost_per_thousand))
            if made.rules_per_frame:
                undo.enter_context(self._many_rules(made.receiver, made.rules_per_frame))
            if made.delay_s:
                undo.enter_context(self._relayed(made.delay_s, made.lost_per_thousand / 1000))
            yield

    def _share(self, host: str, share: float) -> None:
        self.lab.hosts[host].path(FULL_SHARE_FILE).write_text(f"{share:.3f}\n")
        time.sleep(0.05)  # the board looks every 20 ms

    @contextmanager
    def _lossy(self, sender: str, per_thousand: int) -> Iterator[None]:
        """Frames from this host are lost by chance, whatever they carry; resolving addresses is left alone."""
        rules = (
            f"table netdev chance {{\n chain in {{\n type filter hook ingress device {port(sender)} priority 0\n"
            f" ip protocol {{ tcp, udp }} numgen random mod 1000 < {per_thousand} drop\n }}\n}}"
        )
        self.lab.switch.output(["nft", rules])
        try:
            yield
        finally:
            self.lab.switch.output(["nft", "delete", "table", "netdev", "chance"])

    @contextmanager
    def _many_rules(self, host: str, count: int) -> Iterator[None]:
        """Every received packet is compared with so many addresses before it goes on."""
        lines = "\n".join(f" ip saddr 192.0.2.{number % 256} ip daddr 192.0.2.1 drop" for number in range(count))
        rules = f"table ip slow {{\n chain in {{\n type filter hook prerouting priority -300\n{lines}\n }}\n}}"
        place = self.lab.hosts[host]
        place.exec(["nft", "-f", "-"], input=rules, text=True, check=True)
        try:
            yield
        finally:
            place.output(["nft", "delete", "table", "ip", "slow"])

    @contextmanager
    def _relayed(self, hold_s: float, lost_ratio: float) -> Iterator[None]:
        """Both ports leave the bridge and a relay carries every frame, whole and with its checksum filled in."""
        switch, ports = self.lab.switch, [port(host) for host in self.lab.hosts]
        with ExitStack() as undo:
            for host, name in zip(self.lab.hosts, ports, strict=True):
                self.lab.hosts[host].output(["ethtool", "-K", "eth1", "tx", "off"])
                undo.callback(self.lab.hosts[host].output, ["ethtool", "-K", "eth1", "tx", "on"])
                switch.output(["ip", "link", "set", "dev", name, "nomaster", "promisc", "on"])
                undo.callback(switch.output, ["ip", "link", "set", "dev", name, "promisc", "off", "master", "uplink"])
            relay = switch.start(
                [sys.executable, str(_RELAY), *ports, str(hold_s), str(lost_ratio)], stdout=subprocess.DEVNULL
            )
            undo.callback(relay.wait, 10)
            undo.callback(relay.terminate)
            time.sleep(0.4)
            yield


def _plan(made: Situation, replicates: int) -> str:
    return plan_text(
        plan="causes",
        factors=dict(made.factors),
        hold=[dict(one) for one in made.hold],
        lease="30s",
        trial={**_TRIAL, "replicates": replicates},
        links={
            "uplink": {
                "under_test": "dome eth1",
                "far": "hall eth1",
                "rate": f"{made.rate_bit_s // 10**6}Mbit/s",
                "isolated": True,
            }
        },
    )


def _answer(made: Situation, row: dict[str, Any]) -> Answer:
    cause = row_cause(row)
    return Answer(made.name, tuple(sorted(made.right)), cause.code, cause.sentence, str(row["status"]), row)

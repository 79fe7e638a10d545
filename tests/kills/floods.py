"""Full-tilt UDP on the very link that SSH runs over, through switch ports that drop most of it."""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from orchestrator.act.journal import read_lines
from orchestrator.act.run_folder import journal_path
from orchestrator.lab.lab import Lab
from orchestrator.lab.wiring import control_port
from tests.spine.bench import LINKTRIAL, Bench

PORT_BIT_S = 100_000_000  # of which one core alone offers a multiple
LEAST_LOSS_RATIO = 0.8
# A port that holds more frames than a sender's socket would hold the sender back instead of dropping: the lab's switch
# and its hosts are one kernel.
SHALLOW_PORT = "qdisc replace dev {name} root tbf rate {rate}bit burst 20000 limit 40000"
LOST_EVENTS = ("SessionLost", "Rejoined", "ConductBroken")
# A kernel without a limit on TCP's pauses: what is set for that is left out.
OLDER_KERNEL = (
    "from orchestrator.act import login; login._try_again_soon = lambda connection: None; "
    "from orchestrator.cli.main import main; main()"
)


@dataclass
class Flood:
    """What a run in such a flood came to."""

    exit_code: int
    lost: Counter[str]  # sessions and leases that were, by the journal's events
    loss_ratio: float  # the least of the trial's ways, of what was sent
    said: str


def play(
    lab: Lab,
    folder: Path,
    *,
    length_s: float,
    direction: str,
    lease_s: float,
    port_bit_s: int = PORT_BIT_S,
    older_kernel: bool = False,
) -> Flood:
    """One trial with as much UDP as goes, over the control network itself."""
    for host in lab.hosts:
        lab.switch.output(["tc", *SHALLOW_PORT.format(name=control_port(host), rate=port_bit_s).split()])
    bench = Bench(lab, folder, [sys.executable, "-c", OLDER_KERNEL] if older_kernel else LINKTRIAL)
    far, near = lab.hosts
    done, run = bench.run(
        yaml.safe_dump(
            {
                "plan": "flood",
                "hosts": {name: {"ssh": name, "privilege": "root"} for name in lab.hosts},
                "links": {"uplink": {"under_test": f"{far} eth0", "far": f"{near} eth0", "isolated": True}},
                "factors": {"mtu": [1400], "transport": ["udp"], "direction": [direction]},
                "lease": f"{lease_s:g}s",
                "trial": {"length": f"{length_s:g}s", "warmup": "500ms", "settle": "0s", "replicates": 1},
            },
            sort_keys=False,
        )
    )
    entries = read_lines(journal_path(run))[0]
    events = Counter(str(entry.body.get("event")) for entry in entries if entry.kind == "event")
    trials = [entry.body for entry in entries if entry.body.get("event") == "Conducted" and entry.body["position"] > 0]
    lost = Counter({name: count for name, count in events.items() if name in LOST_EVENTS})
    return Flood(done.returncode, lost, _least_loss(trials[-1]["record"]) if trials else 0.0, done.stdout + done.stderr)


def _least_loss(record: dict[str, Any]) -> float:
    parts = [part for end in ("first", "second") for part in ((record[end] or {}).get("parts") or [])]
    lost = []
    for way in {part["way"] for part in parts}:
        sent = sum(part["datagrams_sent"] for part in parts if part["way"] == way and part["part"] == "send")
        got = sum(part["datagrams_received"] for part in parts if part["way"] == way and part["part"] == "receive")
        lost.append(1 - got / sent)
    return min(lost, default=0.0)

"""The folders that mutations begin from: real ones, made once by the commands themselves on simulated hosts."""

from __future__ import annotations

import json
import shutil
import signal
from pathlib import Path
from typing import Any

from orchestrator.act.journal import Journal
from orchestrator.decide.interval_lines import IntervalLine
from tests.endings.cases import Accident
from tests.endings.desk import Desk, Said
from tests.endings.machines import machines
from tests.spine.bench import plan_text
from tests.strangers.journals import read_bodies, write_bodies

GOLDEN = Path(__file__).parents[1] / "results" / "golden"
GOOD = "complete"  # with what others are compared
_TRIAL = {"length": "300ms", "warmup": "50ms", "settle": "0s", "replicates": 2}
_IN_THE_MIDDLE = 22  # point of a run at which it is broken off, see `tests.endings.desk`


def make_corpus(folder: Path) -> dict[str, Path]:
    """Kind -> a folder of it, below `folder`."""
    desk = Desk(folder)
    plans = {name: folder / f"{name}.yaml" for name in ("night", "day")}
    for name, path in plans.items():
        path.write_text(
            plan_text(
                plan=name,
                factors={"mtu": [1500, 9000]},
                trial=_TRIAL,
                patience="1s",
                lease="5s",
                purpose="Does it fit?",
                bench={"card": "one", "room_c": 21},
            )
        )
    found = {
        "complete": _made(desk, plans["night"]),
        "rehearsed": _made(desk, plans["night"], "--rehearse"),
        "killed": _made(desk, plans["night"], accident=Accident("killed", _IN_THE_MIDDLE)),
        "stopped": _made(desk, plans["night"], accident=Accident("terminate", _IN_THE_MIDDLE)),
        "suite": _made(desk, plans["night"], plans["day"]),
    }
    found["streamed"] = _copied(found["complete"], "streamed")
    _stream(found["streamed"])
    found["searched"] = _copied(found["complete"], "searched")
    _search(found["searched"])
    found["two links"] = _made(desk, _two_links(folder), interfaces=("eth2",))
    for old in sorted(GOLDEN.iterdir()):
        found[old.name] = Path(shutil.copytree(old, folder / "runs" / old.name))
    return found


def _two_links(folder: Path) -> Path:
    """A plan of two links, alone and together."""
    links = {
        name: {"under_test": f"dome {end}", "far": f"hall {end}", "rate": "1Gbit/s", "isolated": True, "ports": ports}
        for name, end, ports in (("uplink", "eth1", "20000-20063"), ("spare", "eth2", "21000-21063"))
    }
    plan = folder / "links.yaml"
    factors = {"together": ["alone", "all"], "mtu": [1500, 9000]}
    plan.write_text(
        plan_text(plan="links", links=links, factors=factors, trial={**_TRIAL, "replicates": 1}, patience="1s")
    )
    return plan


def _made(desk: Desk, *words: object, accident: Accident | None = None, interfaces: tuple[str, ...] = ()) -> Path:
    for host in desk.hosts.iterdir():  # as found, whatever the last run left
        host.unlink()
    for host_there in machines(desk.hosts).values():
        for name in interfaces:
            host_there.add_interface(name)
    before = set(desk.runs.glob("*")) if desk.runs.is_dir() else set()
    said: Said = desk.linktrial("run", *words, "--out", desk.runs, accident=accident)
    [made] = set(desk.runs.glob("*")) - before
    if said.code not in (0, 143, -signal.SIGKILL):
        raise RuntimeError(f"the corpus cannot be made: {said}")
    return made


def _copied(run: Path, name: str) -> Path:
    return Path(shutil.copytree(run, run.with_name(name)))


def _stream(run: Path) -> None:
    """Add what ends tell while they measure, of every trial."""
    series: Any = [
        {
            "part": "receive",
            "way": "transmit",
            "first": 0,
            "window_ns": 300_000_000,
            "bytes": [1000, 1200, 1100],
            "datagrams": [2, 2, 2],
        }
    ]
    watch: Any = [{"t_ms": [100, 200], "cores": {"0": [[500, 600], [1, 2], [0, 0], [0, 0], [1_800_000, 1_800_000]]}}]
    with Journal(run / "journal.jsonl") as journal:
        for position in range(1, 5):
            for end, host in (("first", "dome"), ("second", "hall")):
                journal.append_soon(IntervalLine(position, 1, 1, "uplink", end, host, series, watch))


def _search(run: Path) -> None:
    """Turn every trial into the last of a search."""
    bodies = read_bodies(run / "journal.jsonl")
    for kind, body in bodies:
        record = body.get("record") if kind == "event" else None
        if record:
            steps = [
                {"full_length": full, "first": record["first"], "second": record["second"]}
                for full in (False, False, True)
            ]
            record["search"] = {"steps": steps, "answer": {"sentence": "95 % passed without loss"}}
    write_bodies(run / "journal.jsonl", bodies)
    run_json = run / "run.json"
    run_json.write_text(json.dumps(json.loads(run_json.read_text())))

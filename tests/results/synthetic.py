"""A made-up run's folder for the tests of results and report: plausible figures, no measurement.

Nothing outside the tests uses it. The model: goodput = min(ceiling, what the dome's core manages at its clock), with a
little noise; the hall is the faster machine. Deterministic for a seed.
"""

from __future__ import annotations

import itertools
import json
import random
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from orchestrator.results import columns
from orchestrator.results.cells import cells_table
from orchestrator.results.folder import open_run
from orchestrator.results.read_run import read_table
from orchestrator.results.write import append_member, write_rows

LINK_BIT_S = 2_500_000_000
WINDOW_S = 10.0


@dataclass
class Scenario:
    """What the made-up run varied, and what went wrong in it."""

    factors: dict[str, list[Any]] = field(
        default_factory=lambda: {
            "mtu": [1500, 9000],
            "clock": ["powersave", "performance"],
            "transport": ["tcp", "udp"],
            "direction": ["transmit", "receive", "bidirectional"],
        }
    )
    replicates: int = 5
    seed: int = 7
    run_id: str = "dome-to-hall-20260301T210000Z-4f2a"
    plan: str = "dome-to-hall"
    hosts: tuple[str, str] = ("dome", "hall")
    series: bool = True
    noise: float = 0.004
    trouble: bool = True


def make_run(path: Path, scenario: Scenario | None = None) -> Path:
    """Write the folder of a made-up run below `path` and return it."""
    scenario = scenario or Scenario()
    folder = path / scenario.run_id
    folder.mkdir(parents=True)
    chance = random.Random(scenario.seed)
    cells = _cells(scenario)
    trials, hosts = _run_trials(folder, scenario, cells, chance)
    names = list(scenario.factors)
    write_rows(folder / "trials.csv", columns.names("trials.csv", names), trials)
    write_rows(folder / "hosts.csv", columns.names("hosts.csv"), hosts)
    (folder / "run.json").write_text(json.dumps(run_json(scenario, cells), indent=1))
    (folder / "plan.yaml").write_text(f"plan: {scenario.plan}\n")
    (folder / "log.txt").write_text("21:00:00 connected to dome and hall\n")
    cells_csv = cells_table(read_table(open_run(folder), "trials.csv"), names)
    write_rows(folder / "cells.csv", list(cells_csv.columns), cells_csv.to_dict("records"))
    return folder


def _cells(scenario: Scenario) -> list[dict[str, Any]]:
    levels = [
        dict(zip(scenario.factors, combination, strict=True))
        for combination in itertools.product(*scenario.factors.values())
    ]
    levels = [
        cell for cell in levels if not (cell.get("transport") == "udp" and cell.get("direction") == "bidirectional")
    ]
    for cell in levels:
        if "intended_load" in cell and cell.get("transport") == "tcp":
            cell["intended_load"] = None
    unique = [cell for index, cell in enumerate(levels) if cell not in levels[:index]]
    return [
        {"number": number, "key": f"c{number:04d}", "levels": cell, "link": "uplink"}
        for number, cell in enumerate(unique, 1)
    ]


def _run_trials(
    folder: Path, scenario: Scenario, cells: list[dict[str, Any]], chance: random.Random
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    trials: list[dict[str, Any]] = []
    hosts: list[dict[str, Any]] = []
    number = 0
    for block in range(1, scenario.replicates + 1):
        for cell in chance.sample(cells, len(cells)):
            number += 1
            made = [_row(scenario, cell, number, block, way=way, chance=chance) for way in _ways(cell)]
            trials.extend(made)
            if made[0]["status"] in ("valid", "suspect"):
                hosts.extend(_host_rows(scenario, made, chance))
                if scenario.series:
                    _write_series(folder, scenario, made, chance)
    return trials, hosts


def _ways(cell: dict[str, Any]) -> list[str]:
    direction = cell["levels"].get("direction", "transmit")
    return ["transmit", "receive"] if direction == "bidirectional" else [direction]


def ceiling_bit_s(mtu: int, transport: str) -> float:
    """Goodput of a full link: payload / (MTU + 38), 52 bytes of headers for TCP with timestamps, 28 for UDP."""
    return LINK_BIT_S * (mtu - (52 if transport == "tcp" else 28)) / (mtu + 38)


def _row(
    scenario: Scenario, cell: dict[str, Any], number: int, block: int, *, way: str, chance: random.Random
) -> dict[str, Any]:
    levels = cell["levels"]
    first, second = scenario.hosts
    sender, receiver = (first, second) if way == "transmit" else (second, first)
    row = {
        "run_id": scenario.run_id,
        "plan": scenario.plan,
        "trial": number,
        "attempt": 1,
        "cell": cell["number"],
        "replicate": block,
        "block": block,
        "whole_plot": block,
        "position": number,
        "role": "measure",
        "link": "uplink",
        "way": way,
        "sender": sender,
        "receiver": receiver,
        "sender_interface": "eth1",
        "receiver_interface": "eth1",
        **levels,
        "status": "valid",
        "started_at": f"2026-03-01T{21 + number // 300 % 3:02d}:{number // 5 % 60:02d}:{number * 12 % 60:02d}Z",
        "settle_s": 1.0 + chance.random() * 0.2,
        "overhead_s": 0.4 + chance.random() * 0.1,
    }
    mtu = levels.get("mtu", 1500)
    transport = levels.get("transport", "tcp")
    row["ceiling_bit_s"] = ceiling_bit_s(mtu, transport)
    if scenario.trouble and mtu > 9000:
        return {
            **row,
            "status": "impossible",
            "doubts": "path_too_small",
            "reason": "frames of 9600 bytes do not pass: the largest that passed is 9000 in both directions; "
            "something between the ends stops larger frames",
        }
    return {**row, **_measured(scenario, levels, row, way, chance)}


def _measured(
    scenario: Scenario, levels: dict[str, Any], row: dict[str, Any], way: str, chance: random.Random
) -> dict[str, Any]:
    mtu, transport = levels.get("mtu", 1500), levels.get("transport", "tcp")
    clock_share = 0.55 if levels.get("clock") == "powersave" else 1.0
    manages = 2.6e9 * clock_share * (mtu / 1500) ** 0.35 * (0.92 if way == "receive" else 1.0)
    if levels.get("direction") == "bidirectional":
        manages *= 0.62
    asked = levels.get("intended_load")
    intended_load_bit_s = row["ceiling_bit_s"] * float(asked.rstrip("%")) / 100 if asked else None
    offered = intended_load_bit_s or row["ceiling_bit_s"]
    goodput = min(row["ceiling_bit_s"] * 0.998, manages, offered) * chance.gauss(1.0, scenario.noise)
    goodput = min(goodput, row["ceiling_bit_s"] * 1.001)
    busy = min(1.0, goodput / manages * 0.99)
    slower, faster = ("sender", "receiver") if way == "transmit" else ("receiver", "sender")
    packets = int(goodput * WINDOW_S / 8 / (mtu - 28))
    limited = busy > 0.95
    out = {
        "seconds": WINDOW_S,
        "goodput_bit_s": goodput,
        "fill": goodput / row["ceiling_bit_s"],
        "wire_fill": goodput / row["ceiling_bit_s"] * 0.999,
        "intended_load_bit_s": intended_load_bit_s,
        "frames_s": packets / WINDOW_S,
        "received_bytes": int(goodput * WINDOW_S / 8),
        "sent_bytes": int(goodput * WINDOW_S / 8),
        "round_trip_idle_s": 0.0002 + chance.random() * 1e-5,
        "round_trip_p50_s": 0.0009,
        "round_trip_p99_s": 0.002 + chance.random() * 1e-4,
        "sender_busiest_core": 2,
        "sender_busiest_core_busy": busy if way == "transmit" else busy * 0.4,
        "sender_busiest_core_softirq": busy * 0.3,
        "receiver_busiest_core": 1,
        "receiver_busiest_core_busy": busy * 0.5 if way == "transmit" else busy,
        "receiver_busiest_core_softirq": busy * (0.4 if way == "transmit" else 0.9),
        f"{slower}_process_cpu_share": busy,
        f"{faster}_process_cpu_share": busy * 0.4,
        f"{slower}_process_wait_share": 0.01,
        f"{slower}_clock_share": 0.56 if clock_share < 1 else 1.0,
        "sender_cpu_s_per_gigabyte": 3.0 / (mtu / 1500) ** 0.5,
        "pause_frames": 0,
        "cross_traffic_bytes": 1200,
        "receiver_cpu_s_per_gigabyte": 3.4 / (mtu / 1500) ** 0.5,
        "source_port": 20000 + row["trial"] % 64,
    }
    if transport == "udp":
        sent = int(offered * WINDOW_S / 8 / (mtu - 28))
        lost = max(0, sent - packets)
        out |= {
            "datagrams_sent": sent,
            "datagrams_received": packets,
            "datagrams_lost": lost,
            "loss_ratio": lost / sent,
            "lost_socket": lost,
            "lost_sender_queue": 0,
            "lost_between": 0,
            "jitter_mean_s": 0.00003,
            "delay_variation_p99_s": 0.0004,
            "offered_load_bit_s": offered,
            "send_path": "segment",
            "receive_path": "batch",
            "burst_datagrams": 4,
        }
    else:
        out |= {
            "segments_sent": packets,
            "segments_retransmitted": 3 if limited else 0,
            "rtt_s": 0.0011,
            "rtt_min_s": 0.0002,
            "mss_bytes": mtu - 52,
            "path_mtu_bytes": mtu,
        }
    if scenario.trouble and row["trial"] % 97 == 41:
        out |= {
            "status": "suspect",
            "doubts": "cross_traffic",
            "reason": "4.1 % of the bytes on the link were not ours",
        }
    return out


def _host_rows(scenario: Scenario, made: list[dict[str, Any]], chance: random.Random) -> list[dict[str, Any]]:
    row = made[0]
    out = []
    for host in scenario.hosts:
        side = "sender" if row["sender"] == host else "receiver"
        clock = 1.8e9 if host == scenario.hosts[0] and row.get("clock") == "powersave" else 3.2e9
        out.append(
            {
                "run_id": row["run_id"],
                "trial": row["trial"],
                "attempt": 1,
                "cell": row["cell"],
                "link": "uplink",
                "host": host,
                "interface": "eth1",
                "busy": row[f"{side}_busiest_core_busy"] * 0.4,
                "busiest_core": row[f"{side}_busiest_core"],
                "busiest_core_busy": row[f"{side}_busiest_core_busy"],
                "busiest_core_softirq": row[f"{side}_busiest_core_softirq"],
                "clock_mean_hz": clock * (0.98 + chance.random() * 0.02),
                "clock_min_hz": clock * 0.9,
                "temperature_max_c": 51 + chance.random() * 8,
                "steal": 0.0,
            }
        )
    return out


def _write_series(folder: Path, scenario: Scenario, made: list[dict[str, Any]], chance: random.Random) -> None:
    intervals = int(WINDOW_S * 10)
    append_member(
        folder / "series.csv.gz",
        columns.names("series.csv.gz"),
        (
            {
                "trial": row["trial"],
                "attempt": 1,
                "link": "uplink",
                "way": row["way"],
                "t_s": (step + 1) / 10,
                "bytes": int(row["goodput_bit_s"] / 80 * chance.gauss(1, 0.01)),
                "datagrams": None,
            }
            for row in made
            for step in range(intervals)
        ),
    )
    append_member(
        folder / "watch.csv.gz",
        columns.names("watch.csv.gz"),
        (
            {
                "trial": made[0]["trial"],
                "attempt": 1,
                "host": host,
                "t_s": (step + 1) / 5,
                "core": core,
                "busy": min(
                    1.0, (made[0]["sender_busiest_core_busy"] if core == 2 else 0.2) * abs(chance.gauss(1, 0.03))
                ),
                "softirq": 0.1,
                "irq": 0.0,
                "steal": 0.0,
                "clock_hz": 1.8e9,
            }
            for host in scenario.hosts
            for step in range(int(WINDOW_S * 5))
            for core in range(4)
        ),
    )
    append_member(
        folder / "counters.csv.gz",
        columns.names("counters.csv.gz"),
        (
            {
                "trial": made[0]["trial"],
                "attempt": 1,
                "host": host,
                "interface": "eth1",
                "counter": counter,
                "change": 1000,
            }
            for host in scenario.hosts
            for counter in ("rx_packets", "tx_packets")
        ),
    )


def facts(name: str, kernel: str, mac: str, address: str) -> dict[str, Any]:
    """What a survey says of a made-up host."""
    return {
        "system": "Linux",
        "hostname": name,
        "kernel": kernel,
        "kernel_build": "#1 SMP",
        "machine": "aarch64",
        "model": "Observatory board",
        "python": "3.11.2",
        "boot_id": f"boot-{name}",
        "netns": 4026531840,
        "machine_id": f"machine-{name}",
        "uid": 0,
        "cpus": 4,
        "online_cpus": [0, 1, 2, 3],
        "interfaces": [
            {
                "name": "eth1",
                "index": 3,
                "mac": mac,
                "permanent_mac": mac,
                "driver": "stella",
                "bus": "0000:03:00.0",
                "kind": "",
                "mtu": 1500,
                "min_mtu": 68,
                "max_mtu": 9600,
                "speed_bit_s": LINK_BIT_S,
                "duplex": "full",
                "operstate": "up",
                "carrier": True,
                "loopback": False,
                "addresses": [{"address": address, "prefix": 24, "family": 4, "tentative": False, "scope": "global"}],
            }
        ],
    }


def run_json(scenario: Scenario, cells: list[dict[str, Any]]) -> dict[str, Any]:
    """The made-up run's run.json."""
    first, second = scenario.hosts
    return {
        "schema": 1,
        "run_id": scenario.run_id,
        "plan_name": scenario.plan,
        "linktrial": "0.1.0",
        "purpose": "Which frame size and clock policy fill the 2.5 Gb/s uplink from the dome computer?",
        "started_at": "2026-03-01T21:00:00Z",
        "ended_at": "2026-03-01T22:41:12Z",
        "exit": 0,
        "seed": scenario.seed,
        "helper_hash": "9f" * 32,
        "ended": "complete",
        "lab": None,
        "bench": {"card": "two-port card", "cable": "", "room_c": 21},
        "threshold_ratio": 0.03,
        "trial": {"length_s": WINDOW_S, "warmup_s": 2.0, "settle_s": 1.0},
        "replicates_asked": scenario.replicates,
        "hosts": {
            first: {"facts": facts("dome", "6.1.0-18-arm64", "02:00:5e:10:00:01", "198.18.0.11")},
            second: {"facts": facts("hall", "6.12.9-amd64", "02:00:5e:10:00:07", "198.18.0.12")},
        },
        "links": {
            "uplink": {
                "ends": [[first, "eth1"], [second, "mac:02:00:5e:10:00:07"]],
                "rate_bit_s": LINK_BIT_S,
                "isolated": True,
            }
        },
        "cells": cells,
        "notes": ["the clock policy of hall was held at performance"],
        "as_found": {
            host: {"ok": True, "changed": True, "left": [], "conflicts": [], "touched": [], "other": []}
            for host in scenario.hosts
        },
    }

"""Rows of hosts.csv: one for each host of a trial."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from orchestrator.decide.shapes.flows import ENDS, EndName
from orchestrator.decide.shapes.record import TrialRecord
from orchestrator.decide.verdict.account import Account, accounts
from orchestrator.decide.verdict.evidence import Side, both_sides, each_link
from orchestrator.decide.verdict.judge import Verdict

Json = Mapping[str, Any]
Row = dict[str, Any]
_AS_WATCHED = (
    "busiest_core",
    "busiest_core_busy",
    "busiest_core_softirq",
    "irq_core",
    "softirq_core",
    "throttled_ratio",
    "clock_mean_hz",
    "clock_min_hz",
    "clock_max_hz",
    "clock_simulated",
    "temperature_max_c",
    "thermal_throttles",
    "steal",
)


def host_rows(record: TrialRecord, verdict: Verdict, run: Json) -> list[Row]:
    """One row per end; ends whose host is not known yet (the trial broke off before) have none."""
    del verdict  # a host's figures stand whatever the trial was worth
    return [row for one in each_link(record) for row in _of_link(one, run)]


def _of_link(record: TrialRecord, run: Json) -> list[Row]:
    known = accounts(record)
    which = {"trial": record.get("position"), **{name: record.get(name) for name in ("attempt", "cell", "link")}}
    identity = {"run_id": run.get("run_id"), **which}
    return [
        {**identity, **_row(side, record, end), **_traffic(known.get((side.host, side.interface)))}
        for end, side in zip(ENDS, both_sides(record), strict=True)
        if side.host
    ]


def _row(side: Side, record: TrialRecord, end: EndName) -> Row:
    cores = side.watch.get("cores") or ()
    return {
        "host": side.host,
        "interface": side.interface,
        "running_kernel": (record.get("kernels") or {}).get(side.host),
        "busy": sum(core["busy"] for core in cores) / len(cores) if cores else None,
        **{name: side.watch.get(name) for name in _AS_WATCHED},
        "dropped_own_queue": side.change("queue.drops"),
        "dropped_interface": side.change("interface.rx_dropped", "interface.rx_missed_errors", "interface.tx_dropped"),
        "dropped_backlog": side.change("softnet.dropped"),
        "squeezed": side.change("softnet.squeezed"),
        "dropped_socket": _socket_drops(record, end),
        "watch_cpu_s": side.watch.get("cost_cpu_s"),
    }


def _socket_drops(record: TrialRecord, end: EndName) -> int | None:
    parts = (record.get(end) or {}).get("parts") or ()
    drops = [count for part in parts if (count := part.get("socket_drops")) is not None]
    return sum(drops) if drops else None


def _traffic(account: Account | None) -> Row:
    """Whose the octets on the interface were; the same for every link of the trial that ends at it."""
    if account is None:
        return {}
    return {
        "cross_traffic_bytes": round(account.cross_bytes),
        "own_traffic_bytes": round(account.own_bytes),
        "cross_traffic_unsure_bytes": round(account.unsure_bytes),
        "cross_traffic_basis": account.basis,
    }

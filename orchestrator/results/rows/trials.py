"""Rows of trials.csv: one for each link and way of a trial, valid or not."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from orchestrator.decide.shapes.record import TrialRecord
from orchestrator.decide.verdict.account import accounts
from orchestrator.decide.verdict.checks import pause_frames
from orchestrator.decide.verdict.evidence import Side, Way, both_sides, each_link, ways
from orchestrator.decide.verdict.judge import Verdict
from orchestrator.decide.verdict.losses import Losses, losses
from orchestrator.results.rows.limits import limit_figures

Json = Mapping[str, Any]
Row = dict[str, Any]


def trial_rows(record: TrialRecord, verdict: Verdict, run: Json) -> list[Row]:
    """One row per link and way. `run` is run.json: the run's id and the plan's name come from it."""
    links = each_link(record)
    moved = _octets_by_host(way for one in links for way in ways(one))
    return [row for one in links for row in _of_link(one, verdict, run, moved)]


def _of_link(record: TrialRecord, verdict: Verdict, run: Json, moved: Mapping[str, int]) -> list[Row]:
    found = ways(record)
    known = accounts(record)
    foreign = [
        known[place].cross_bytes for side in both_sides(record) if (place := (side.host, side.interface)) in known
    ]
    return [
        {
            **_identity(record, run),
            **_ends(way),
            **record["levels"],
            **_status(record, verdict),
            **_rates(way),
            **_datagrams(way),
            **_round_trip(record),
            **_segments(way),
            **_paths(way),
            **_cores(way, moved),
            **limit_figures(record, way, run),
            "pause_frames": pause_frames(way),
            "cross_traffic_bytes": round(max(foreign)) if foreign else None,
            "settle_s": record.get("settle_s"),
            "overhead_s": record.get("overhead_s"),
        }
        for way in found
    ]


def _identity(record: TrialRecord, run: Json) -> Row:
    row = {
        name: record.get(name)
        for name in ("attempt", "cell", "replicate", "block", "whole_plot", "position", "role", "link")
    }
    return {"run_id": run.get("run_id"), "plan": run.get("plan_name"), "trial": record.get("position"), **row}


def _ends(way: Way) -> Row:
    return {
        "way": way.way,
        "sender": way.sender.host or None,
        "receiver": way.receiver.host or None,
        "sender_interface": way.sender.interface or None,
        "receiver_interface": way.receiver.interface or None,
    }


def _status(record: TrialRecord, verdict: Verdict) -> Row:
    return {
        "status": verdict.status,
        "doubts": " ".join(verdict.doubts),
        "reason": verdict.reason,
        "started_at": record.get("started_at"),
    }


def _rates(way: Way) -> Row:
    goodput, payload = way.goodput_bit_s, way.payload_bytes
    return {
        "seconds": way.receive.get("window_s"),
        "goodput_bit_s": goodput,
        "intended_load_bit_s": way.send.get("intended_load_bit_s"),
        "offered_load_bit_s": way.offered_load_bit_s,
        "ceiling_bit_s": way.ceiling_bit_s,
        "fill": way.fill,
        "wire_fill": way.wire_fill,
        "counted_by": way.receive.get("counted_by"),
        "edge_error_ratio": way.edge_error_ratio,
        "frames_s": goodput / 8 / payload * way.packets_each if goodput is not None and payload else None,
        "sent_bytes": way.send.get("sent_bytes"),
        "received_bytes": way.receive.get("received_bytes"),
    }


def _datagrams(way: Way) -> Row:
    account = losses(way)
    if account is None:
        return {}
    return {
        "datagrams_sent": way.send["datagrams_sent"],
        "datagrams_received": way.receive["datagrams_received"],
        "datagrams_lost": account.lost,
        "loss_ratio": account.ratio,
        **_places(account),
        **{
            name: way.receive.get(name)
            for name in (
                "datagrams_reordered",
                "datagrams_duplicate",
                "jitter_mean_s",
                "delay_variation_p99_s",
                "clock_skew_ppm",
            )
        },
        "datagrams_unexpected": _unexpected(way),
    }


def _unexpected(way: Way) -> int | None:
    """Datagrams that came to the stream's port and are none of it; None where nobody counted them."""
    foreign, refused = way.receive.get("datagrams_foreign"), way.receive.get("send_times_refused")
    return None if foreign is None else foreign + (refused or 0)


def _places(account: Losses) -> Row:
    return {
        "lost_sender_queue": account.own_queue,
        "lost_sender_interface": account.own_interface,
        "lost_between": account.between,
        "lost_receiver_interface": account.far_interface,
        "lost_backlog": account.backlog,
        "lost_socket": account.socket,
    }


def _round_trip(record: TrialRecord) -> Row:
    """From the asking end's probe flow; the dialing end asks."""
    flow = (record.get("first") or {}).get("round_trip") or {}
    idle, loaded = flow.get("idle") or {}, flow.get("load") or {}
    return {
        "round_trip_idle_s": idle.get("p50_s"),
        "round_trip_p50_s": loaded.get("p50_s"),
        "round_trip_p99_s": loaded.get("p99_s"),
        "round_trip_largest_s": loaded.get("largest_s"),
        "round_trip_loss_ratio": loaded.get("loss_ratio"),
    }


def _segments(way: Way) -> Row:
    return {
        name: way.tcp.get(name)
        for name in ("segments_sent", "segments_retransmitted", "rtt_s", "rtt_min_s", "mss_bytes", "path_mtu_bytes")
    }


def _paths(way: Way) -> Row:
    streams: Sequence[Json] = way.receive.get("streams") or ({},)
    return {
        "burst_datagrams": way.send.get("burst_datagrams"),
        "send_path": way.send.get("send_path"),
        "receive_path": way.receive.get("receive_path"),
        "source_port": streams[0].get("source_port"),
    }


def _octets_by_host(all_ways: Iterable[Way]) -> dict[str, int]:
    """Payload that each host sent and received in the window, on all links: what its cores were busy with."""
    moved: dict[str, int] = {}
    for way in all_ways:
        for side, octets in (
            (way.sender, way.send.get("window_sent_bytes")),
            (way.receiver, way.receive.get("goodput_bytes")),
        ):
            moved[side.host] = moved.get(side.host, 0) + int(octets or 0)
    return moved


def _cores(way: Way, moved: Mapping[str, int]) -> Row:
    return {
        **_busiest("sender", way.sender),
        **_busiest("receiver", way.receiver),
        "sender_cpu_s_per_gigabyte": _cpu_s_per_gigabyte(way.sender, moved),
        "receiver_cpu_s_per_gigabyte": _cpu_s_per_gigabyte(way.receiver, moved),
    }


def _busiest(role: str, side: Side) -> Row:
    return {
        f"{role}_busiest_core": side.watch.get("busiest_core"),
        f"{role}_busiest_core_busy": side.watch.get("busiest_core_busy"),
        f"{role}_busiest_core_softirq": side.watch.get("busiest_core_softirq"),
    }


def _cpu_s_per_gigabyte(side: Side, moved: Mapping[str, int]) -> float | None:
    """Busy time of all the host's cores in the window, per 10^9 bytes of payload that it moved meanwhile."""
    cores, seconds, octets = side.watch.get("cores"), side.watch.get("seconds"), moved.get(side.host)
    if not cores or not seconds or not octets:
        return None
    return float(sum(core["busy"] for core in cores) * seconds / (octets / 1e9))

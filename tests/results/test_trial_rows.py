"""Rows of the tables: every promised column, figures by their definition, and empty where there is nothing."""

from __future__ import annotations

import gzip
from pathlib import Path
from typing import Any

import pytest

from orchestrator.decide.verdict.judge import judge
from orchestrator.results.columns import names
from orchestrator.results.rows import (
    COUNTER_COLUMNS,
    HOST_COLUMNS,
    SERIES_COLUMNS,
    TRIAL_COLUMNS,
    WATCH_COLUMNS,
    counter_rows,
    host_rows,
    series_rows,
    trial_columns,
    trial_rows,
    watch_rows,
)
from orchestrator.results.write import append_member, csv_text
from tests.decide.records import HEADERS, changed, count, healthy_record

Json = dict[str, Any]
RUN: Json = {"run_id": "dome-to-hall-x", "plan_name": "dome-to-hall"}

# What a reader of trials.csv may rely on, written out once more on purpose
DESIGN = [
    "run_id",
    "plan",
    "trial",
    "attempt",
    "cell",
    "replicate",
    "block",
    "whole_plot",
    "position",
    "role",
    "link",
    "way",
    "sender",
    "receiver",
    "sender_interface",
    "receiver_interface",
    "<factors>",
    "status",
    "doubts",
    "reason",
    "started_at",
    "seconds",
    "goodput_bit_s",
    "intended_load_bit_s",
    "offered_load_bit_s",
    "ceiling_bit_s",
    "fill",
    "wire_fill",
    "frames_s",
    "sent_bytes",
    "received_bytes",
    "datagrams_sent",
    "datagrams_received",
    "datagrams_lost",
    "loss_ratio",
    "lost_sender_queue",
    "lost_sender_interface",
    "lost_between",
    "lost_receiver_interface",
    "lost_backlog",
    "lost_socket",
    "datagrams_reordered",
    "datagrams_duplicate",
    "datagrams_unexpected",
    "jitter_mean_s",
    "delay_variation_p99_s",
    "round_trip_idle_s",
    "round_trip_p50_s",
    "round_trip_p99_s",
    "segments_sent",
    "segments_retransmitted",
    "rtt_s",
    "rtt_min_s",
    "mss_bytes",
    "path_mtu_bytes",
    "burst_datagrams",
    "send_path",
    "receive_path",
    "source_port",
    "sender_busiest_core",
    "sender_busiest_core_busy",
    "sender_busiest_core_softirq",
    "receiver_busiest_core",
    "receiver_busiest_core_busy",
    "receiver_busiest_core_softirq",
    "sender_cpu_s_per_gigabyte",
    "receiver_cpu_s_per_gigabyte",
    "pause_frames",
    "cross_traffic_bytes",
    "settle_s",
    "overhead_s",
]


def _rows(record: Json, run: Json = RUN) -> list[Json]:
    return trial_rows(record, judge(record), run)


def test_the_columns_begin_with_the_designs_in_their_order() -> None:
    assert list(TRIAL_COLUMNS[: len(DESIGN)]) == DESIGN
    assert trial_columns(["mtu", "clock"]) == names("trials.csv", ["mtu", "clock"])


@pytest.mark.parametrize("transport", ["tcp", "udp"])
def test_a_row_has_no_value_without_a_column(transport: str) -> None:
    record = healthy_record(transport=transport, direction="bidirectional")
    columns = set(trial_columns(["mtu"]))
    assert all(set(row) <= columns for row in _rows(record))
    assert all(set(row) <= set(HOST_COLUMNS) for row in host_rows(record, judge(record), RUN))
    for rows, known in ((series_rows, SERIES_COLUMNS), (watch_rows, WATCH_COLUMNS), (counter_rows, COUNTER_COLUMNS)):
        assert rows(record)
        assert all(set(row) == set(known) for row in rows(record))


@pytest.mark.parametrize(
    ("mtu", "family", "transport"),
    [(1500, 4, "tcp"), (9000, 4, "tcp"), (1500, 6, "tcp"), (1500, 4, "udp"), (9000, 6, "udp")],
)
def test_fill_is_goodput_over_rate_times_payload_over_mtu_and_38(mtu: int, family: int, transport: str) -> None:
    """Published: RFC 6349 s4.1.1 and RFC 5180 App. A.1 (38 octets around an untagged packet)."""
    row = _rows(healthy_record(mtu=mtu, family=family, transport=transport, rate_bit_s=2.5e9))[0]
    payload = mtu - HEADERS[transport, family]
    assert row["ceiling_bit_s"] == pytest.approx(2.5e9 * payload / (mtu + 38))
    assert row["fill"] == pytest.approx(row["goodput_bit_s"] / row["ceiling_bit_s"])
    assert row["frames_s"] == pytest.approx(row["goodput_bit_s"] / 8 / payload)


def test_a_gigabit_link_with_1500_byte_frames_reads_about_940() -> None:
    """Common practice, no source: TCP over a healthy gigabit link shows about 940 Mb/s."""
    assert _rows(healthy_record(load=0.9995))[0]["goodput_bit_s"] == pytest.approx(940e6, rel=0.005)


def test_goodput_is_counted_over_the_receivers_own_window() -> None:
    record = changed(healthy_record(), second__parts__0__window_s=5.0)
    assert _rows(record)[0]["goodput_bit_s"] == 8 * record["second"]["parts"][0]["goodput_bytes"] / 5.0


def test_a_row_says_which_count_its_goodput_is_and_how_far_off_it_can_be() -> None:
    """A record of an earlier version says neither: both are empty."""
    record = healthy_record()
    assert (_rows(record)[0]["counted_by"], _rows(record)[0]["edge_error_ratio"]) == (None, None)
    octets = record["second"]["parts"][0]["goodput_bytes"]
    row = _rows(
        changed(record, second__parts__0__counted_by="kernel", second__parts__0__edge_error_bytes=octets // 1000)
    )[0]
    assert row["counted_by"] == "kernel"
    assert row["edge_error_ratio"] == pytest.approx(0.001, rel=1e-3)


def test_the_share_that_a_late_process_ran_is_of_the_time_between_its_own_two_looks() -> None:
    used = {"cpu_s": 5.0, "run_delay_s": 0.0, "span_s": 12.5, "throttled_ratio": None}
    row = _rows(changed(healthy_record(), second__parts__0__process=used))[0]
    assert row["receiver_process_cpu_share"] == pytest.approx(0.4)


def test_both_ways_at_once_are_two_rows_with_their_own_ends() -> None:
    rows = _rows(healthy_record(direction="bidirectional"))
    assert [(row["way"], row["sender"], row["receiver"]) for row in rows] == [
        ("transmit", "dome", "hall"),
        ("receive", "hall", "dome"),
    ]
    assert rows[0]["wire_fill"] > rows[0]["fill"]  # the other way's acknowledgements take their share


def test_a_row_of_an_impossible_trial_has_its_identity_and_no_figures() -> None:
    record = changed(healthy_record(), path={"verdict": "too_small", "sentence": "stopped"}, first=None, second=None)
    row = _rows(record)[0]
    assert (row["status"], row["sender"], row["mtu"], row["reason"]) == ("impossible", "dome", 1500, "stopped")
    figures = TRIAL_COLUMNS[TRIAL_COLUMNS.index("seconds") : TRIAL_COLUMNS.index("settle_s")]
    assert [name for name in figures if row.get(name) is not None and name != "ceiling_bit_s"] == []


def test_a_trial_that_never_reached_its_hosts_still_has_its_row() -> None:
    empty = {
        **healthy_record(),
        "link_facts": None,
        "first": None,
        "second": None,
        "path": None,
        "settings": {},
        "started_at": None,
        "settle_s": None,
        "overhead_s": None,
        "error": {"code": "skipped", "message": "the host died twice on this setting"},
    }
    row = _rows(empty)[0]
    assert (row["way"], row["sender"], row["goodput_bit_s"]) == ("transmit", None, None)
    assert host_rows(empty, judge(empty), RUN) == []
    assert series_rows(empty) == watch_rows(empty) == counter_rows(empty) == []


def test_what_a_row_cannot_have_is_empty_and_never_zero() -> None:
    tcp, udp = _rows(healthy_record())[0], _rows(healthy_record(transport="udp"))[0]
    assert [tcp.get(name) for name in ("datagrams_sent", "loss_ratio", "lost_between", "burst_datagrams")] == [None] * 4
    assert [udp.get(name) for name in ("segments_sent", "rtt_s", "mss_bytes", "tcp_efficiency_ratio")] == [None] * 4
    assert tcp["pause_frames"] is None  # a driver without pause counters
    assert udp["loss_ratio"] == 0.0  # measured, and nothing was lost


def test_an_unknown_rate_has_no_ceiling_and_no_fill() -> None:
    row = _rows(changed(healthy_record(), link_facts__rate_bit_s=None))[0]
    assert (row["ceiling_bit_s"], row["fill"], row["wire_fill"]) == (None, None, None)
    assert row["goodput_bit_s"] > 0


def test_a_datagram_longer_than_the_mtu_has_the_ceiling_of_its_fragments() -> None:
    """4000 bytes and the UDP header in fragments of 1480: two full frames and one of 1106 octets on the line."""
    record = changed(healthy_record(transport="udp"), first__parts__0__datagram_bytes=4000)
    row = _rows(record)[0]
    assert row["ceiling_bit_s"] == pytest.approx(1e9 * 4000 / (1538 + 1538 + 1106))
    assert row["frames_s"] == pytest.approx(3 * row["goodput_bit_s"] / 8 / 4000)


def test_cross_traffic_bytes_are_what_our_own_frames_do_not_explain() -> None:
    quiet = _rows(healthy_record(transport="udp"))[0]["cross_traffic_bytes"]
    noisy = _rows(count(healthy_record(transport="udp"), "second", interface_rx_bytes=40_000_000))[0][
        "cross_traffic_bytes"
    ]
    assert quiet < 100_000
    assert noisy == pytest.approx(40_000_000, rel=0.02)


def test_pause_frames_are_those_the_sender_received_and_the_receiver_sent() -> None:
    record = count(
        count(healthy_record(), "first", driver_rx_pause_frames=30, driver_rx_pause_bytes_etc=0),
        "second",
        driver_tx_flow_control_xoff=12,
        driver_tx_flow_control_xon=12,
    )
    assert _rows(record)[0]["pause_frames"] == 42


def test_cpu_seconds_per_gigabyte_are_the_hosts_busy_time_over_the_payload() -> None:
    record = healthy_record()
    busy_s = sum(core["busy"] for core in record["first"]["watch"]["cores"]) * 10.0
    octets = record["first"]["parts"][0]["window_sent_bytes"]
    assert _rows(record)[0]["sender_cpu_s_per_gigabyte"] == pytest.approx(busy_s / (octets / 1e9))


def test_cpu_seconds_per_gigabyte_count_the_payload_of_both_ways_of_a_host() -> None:
    """A host that sends and receives at once spends its time on both: neither way is charged for the other."""
    record = healthy_record(direction="bidirectional")
    busy_s = sum(core["busy"] for core in record["first"]["watch"]["cores"]) * 10.0
    octets = record["first"]["parts"][0]["window_sent_bytes"] + record["first"]["parts"][1]["goodput_bytes"]
    there, back = _rows(record)
    assert there["sender_cpu_s_per_gigabyte"] == pytest.approx(busy_s / (octets / 1e9))
    assert back["receiver_cpu_s_per_gigabyte"] == pytest.approx(busy_s / (octets / 1e9))


def test_cpu_seconds_per_gigabyte_count_the_payload_of_all_links_at_once() -> None:
    alone, spare = healthy_record(), healthy_record(seed=5)
    beside = {"link": "spare", **{name: spare[name] for name in ("link_facts", "first", "second")}}
    record = {**alone, "beside": [beside]}
    busy_s = sum(core["busy"] for core in alone["first"]["watch"]["cores"]) * 10.0
    octets = sum(one["first"]["parts"][0]["window_sent_bytes"] for one in (alone, spare))
    assert _rows(record)[0]["sender_cpu_s_per_gigabyte"] == pytest.approx(busy_s / (octets / 1e9))


def test_the_round_trip_under_load_tells_its_largest_and_its_loss() -> None:
    """A 99th percentile that falls among lost probes is empty: the loss beside it says why."""
    load = {"sent": 500, "lost": 10, "loss_ratio": 0.02, "p50_s": 4e-4, "p99_s": None, "largest_s": 2e-3}
    row = _rows(changed(healthy_record(), first__round_trip__load=load))[0]
    assert (row["round_trip_p99_s"], row["round_trip_largest_s"], row["round_trip_loss_ratio"]) == (None, 2e-3, 0.02)


def test_a_tcp_row_tells_the_congestion_window_the_delivery_rate_and_the_busy_time() -> None:
    record = changed(
        healthy_record(),
        first__parts__0__tcp__window_segments=84.5,
        first__parts__0__tcp__delivery_rate_bit_s=9.3e8,
        first__parts__0__tcp__busy_s=7.5,
    )
    row = _rows(record)[0]
    assert (row["congestion_window_segments"], row["delivery_rate_bit_s"]) == (84.5, 9.3e8)
    assert row["busy_share"] == pytest.approx(0.75)
    udp = _rows(healthy_record(transport="udp"))[0]
    assert [udp.get(name) for name in ("congestion_window_segments", "delivery_rate_bit_s", "busy_share")] == [None] * 3


def test_rfc_6349_metrics_of_a_row() -> None:
    """RFC 6349 s4.1-4.3: ratio of times, efficiency of bytes, rise of the round trip over the baseline."""
    record = changed(
        healthy_record(load=0.5),
        first__parts__0__tcp__bytes_sent=102_000,
        first__parts__0__tcp__bytes_retransmitted=2_000,
        first__parts__0__tcp__rtt_s=0.032,
        first__round_trip__idle__p50_s=0.025,
    )
    row = _rows(record)[0]
    assert row["transfer_time_ratio"] == pytest.approx(2.0, rel=1e-4)
    assert row["tcp_efficiency_ratio"] == pytest.approx(0.98039, rel=1e-4)  # the RFC's own example: 98.03 %
    assert row["buffer_delay_ratio"] == pytest.approx(0.28)  # the RFC's own example: 28 %


def test_the_instruments_ceiling_is_the_slower_hosts() -> None:
    run = {**RUN, "instrument": {"dome": {"tcp": 3e9, "udp": 1e9}, "hall": {"tcp": 9e9}}}
    assert _rows(healthy_record(), run)[0]["instrument_ceiling_bit_s"] == 3e9
    assert _rows(healthy_record())[0]["instrument_ceiling_bit_s"] is None


def test_shares_of_processes_are_per_stream() -> None:
    record = changed(healthy_record(), second__parts__0__streams=[{"stream": 1}, {"stream": 2}, {"stream": 3}])
    assert _rows(record)[0]["receiver_process_cpu_share"] == pytest.approx(3.0 / 10 / 3)


def test_host_rows_hold_drops_by_place() -> None:
    record = count(
        changed(healthy_record(transport="udp"), second__parts__0__socket_drops=7),
        "second",
        softnet_dropped=5,
        queue_drops=3,
    )
    row = host_rows(record, judge(record), RUN)[1]
    assert (row["host"], row["dropped_socket"], row["dropped_backlog"], row["dropped_own_queue"]) == ("hall", 7, 5, 3)
    assert host_rows(record, judge(record), RUN)[0]["dropped_socket"] is None


def test_counter_rows_hold_only_what_moved() -> None:
    record = healthy_record()
    assert all(row["change"] for row in counter_rows(record))
    assert {"host": "dome", "counter": "interface.tx_packets"}.items() <= next(
        row for row in counter_rows(record) if row["counter"] == "interface.tx_packets"
    ).items()


def test_packed_rows_survive_the_writer(tmp_path: Path) -> None:
    path = tmp_path / "series.csv.gz"
    append_member(path, list(SERIES_COLUMNS), series_rows(healthy_record()))
    text = gzip.decompress(path.read_bytes()).decode()
    assert text.splitlines()[0] == ",".join(SERIES_COLUMNS)
    assert len(text.splitlines()) == 101


def test_the_csv_has_empty_fields_where_the_row_has_none() -> None:
    row = _rows(healthy_record())[0]
    assert csv_text(["datagrams_lost", "way", "goodput_bit_s"], [row]).splitlines()[1].startswith(",transmit,")

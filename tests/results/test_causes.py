"""The bottleneck of it: the right first answer for made-up rows, never a confident wrong one."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from orchestrator.decide.verdict.judge import judge
from orchestrator.results.causes.from_columns import Cause, cell_cause, row_cause
from orchestrator.results.columns import names
from orchestrator.results.rows import trial_rows
from orchestrator.words.figures import stated_rate_text
from tests.decide.records import changed, count, healthy_record

Json = dict[str, Any]


def _row(record: Json, run: Json | None = None) -> Json:
    return trial_rows(record, judge(record), run or {})[0]


def _cause(record: Json, run: Json | None = None) -> Cause:
    return row_cause(_row(record, run))


def test_a_full_link_is_named_as_such() -> None:
    assert _cause(healthy_record(load=0.985)).code == "link_full"


def test_a_rate_that_the_plan_asked_for_and_got_is_the_plans_own() -> None:
    assert _cause(healthy_record(transport="udp", load=0.5)).code == "intended_load"


def test_nothing_is_blamed_without_evidence() -> None:
    assert _cause(healthy_record(load=0.6)).code == "unknown"


def test_a_quota_is_named_although_the_core_looks_idle() -> None:
    """Throttled in 176 of 185 periods with the core two thirds idle."""
    record = changed(
        healthy_record(load=0.3),
        first__parts__0__process={"cpu_s": 3.0, "run_delay_s": 0.1, "throttled_ratio": 176 / 185},
    )
    cause = _cause(record)
    assert cause.code == "sender_quota"
    assert "dome" in cause.sentence


@pytest.mark.parametrize(
    ("end", "code", "host"), [("first", "sender_process", "dome"), ("second", "receiver_process", "hall")]
)
def test_a_process_that_never_rests_is_named_with_its_host(end: str, code: str, host: str) -> None:
    path = {f"{end}__parts__0__process": {"cpu_s": 9.7, "run_delay_s": 0.1, "throttled_ratio": None}}
    cause = _cause(changed(healthy_record(load=0.4), **path))
    assert cause.code == code
    assert host in cause.sentence


def test_a_busy_receiver_that_closes_the_window_is_the_cause_and_not_the_window() -> None:
    record = changed(
        healthy_record(load=0.4),
        first__parts__0__tcp__limited_receiver_window_s=9.0,
        second__parts__0__process={"cpu_s": 9.8, "run_delay_s": 0.0, "throttled_ratio": None},
    )
    assert _cause(record).code == "receiver_process"


def test_a_process_that_waits_for_a_core_is_at_its_limit_too() -> None:
    record = changed(
        healthy_record(load=0.4), second__parts__0__process={"cpu_s": 5.0, "run_delay_s": 4.6, "throttled_ratio": None}
    )
    assert "waited for a core" in _cause(record).sentence


def test_a_low_clock_is_said_with_the_process_it_limits() -> None:
    record = changed(
        healthy_record(load=0.4),
        first__watch__clock_mean_hz=6e8,
        first__parts__0__process={"cpu_s": 9.7, "run_delay_s": 0.1, "throttled_ratio": None},
    )
    cause = _cause(record)
    assert "clock" in cause.sentence
    assert "sender_clock_share" in cause.columns


def test_a_core_full_of_softirq_is_named_with_its_number_and_host() -> None:
    record = changed(
        healthy_record(load=0.4),
        second__watch__busiest_core=3,
        second__watch__busiest_core_softirq=0.93,
        second__watch__busiest_core_busy=0.99,
    )
    cause = _cause(record)
    assert (cause.code, "core 3" in cause.sentence, "hall" in cause.sentence) == ("receiver_softirq", True, True)


def test_a_window_too_small_for_the_delay_is_named() -> None:
    record = changed(healthy_record(load=0.4), first__parts__0__tcp__limited_receiver_window_s=9.0)
    assert _cause(record).code == "receiver_window"
    record = changed(healthy_record(load=0.4), first__parts__0__tcp__limited_send_buffer_s=9.0)
    assert _cause(record).code == "send_buffer"


def test_lost_segments_are_named() -> None:
    assert _cause(changed(healthy_record(load=0.4), first__parts__0__tcp__segments_retransmitted=4_000)).code == "loss"


def test_lost_datagrams_are_named_with_their_place() -> None:
    record = healthy_record(transport="udp", load=0.8)
    sent = record["first"]["parts"][0]["datagrams_sent"]
    share = {
        "datagrams_received": sent // 2,
        "socket_drops": sent - sent // 2,
        "goodput_bytes": record["second"]["parts"][0]["goodput_bytes"] // 2,
    }
    cause = _cause(changed(record, **{f"second__parts__0__{name}": value for name, value in share.items()}))
    assert cause.code == "loss"
    assert "socket" in cause.sentence
    assert "lost_socket" in cause.columns


def test_the_pair_itself_is_named_near_its_self_test() -> None:
    record = healthy_record(load=0.5)
    goodput = _row(record)["goodput_bit_s"]
    assert _cause(record, {"instrument": {"dome": {"tcp": goodput * 1.05}}}).code == "instrument"
    assert _cause(record, {"instrument": {"dome": {"tcp": goodput * 3}}}).code == "unknown"


def test_many_pause_frames_are_named() -> None:
    assert _cause(count(healthy_record(load=0.5), "first", driver_rx_pause_frames=90_000)).code == "pause_frames"


def test_acknowledgements_of_the_other_way_are_named_when_only_they_fill_the_wire() -> None:
    """At MTU 1500 they take 2.9 % of a line that is also full of data."""
    assert _cause(healthy_record(direction="bidirectional", load=0.966)).code == "acknowledgements"


def test_a_path_that_stops_the_frames_is_the_frame_sizes_cause() -> None:
    record = changed(healthy_record(), path={"verdict": "too_small", "sentence": "x"}, first=None, second=None)
    assert _cause(record).code == "path_frame_size"


def test_a_failed_trial_has_nothing_to_explain() -> None:
    assert _cause(changed(healthy_record(), first=None, second=None)).code == "not_measured"


def test_every_cited_column_exists_and_is_filled() -> None:
    columns = set(names("trials.csv"))
    for record in (
        healthy_record(load=0.985),
        healthy_record(transport="udp", load=0.5),
        changed(healthy_record(load=0.4), first__parts__0__tcp__limited_receiver_window_s=9.0),
    ):
        row = _row(record)
        cause = row_cause(row)
        assert cause.columns
        assert set(cause.columns) <= columns
        assert all(row[name] is not None for name in cause.columns)


def test_missing_values_of_a_data_frame_are_no_evidence() -> None:
    row = {
        "goodput_bit_s": 1e8,
        "fill": float("nan"),
        "intended_load_bit_s": pd.NA,
        "loss_ratio": None,
        "doubts": "",
        "pause_frames": pd.NA,
        "status": "valid",
    }
    assert row_cause(row).code == "unknown"


def test_a_cells_answer_is_what_most_of_its_valid_trials_give() -> None:
    full, slow = _row(healthy_record(load=0.985)), _row(healthy_record(load=0.5))
    assert cell_cause([full, full, slow]).code == "link_full"
    assert cell_cause([full, slow]).code == "unknown"
    assert cell_cause([{**full, "status": "suspect"}]).code == "not_measured"


def test_losses_in_a_full_queue_are_a_consequence_and_not_the_cause():
    """The round trip tells them apart: 21 ms where the idle path has 0.1."""
    record = changed(healthy_record(load=0.9), first__parts__0__tcp__segments_retransmitted=4_000)
    assert _cause(record).code == "loss"
    assert _cause(changed(record, first__parts__0__tcp__rtt_s=0.021)).code == "unknown"


def test_z17_acknowledgements_behind_the_other_ways_data_are_named():
    """81 and 93 Mb/s on a symmetric link of 100 at MTU 1500."""
    record = healthy_record(direction="bidirectional", load=0.86)
    for end in ("first", "second"):
        for part in record[end]["parts"]:
            if part["part"] == "send":
                part["tcp"]["rtt_s"] = 0.02
    assert _cause(record).code == "acknowledgements"
    assert "opposite_fill" in _cause(record).columns
    assert _cause(changed(record, first__parts__0__tcp__rtt_s=2e-4)).code == "unknown"


# RFC 1242 s3.17 and IEEE 802.3: a link of 2.5 Gb/s carries 2.5e9 x 1448 / (1500 + 38) b/s of TCP with timestamps.
SLOWER_PART = {
    "status": "valid",
    "mss_bytes": 1448,
    "path_mtu_bytes": 1500,
    "goodput_bit_s": 2.5e9 * 1448 / 1538,
    "fill": 0.25,
    "rtt_s": 0.01,
    "round_trip_idle_s": 0.0002,
}


@pytest.mark.parametrize("rate_bit_s", [1e8, 1e9, 2.5e9, 5e9])
def test_a_slower_part_that_nobody_named_is_seen_by_its_own_arithmetic(rate_bit_s: float) -> None:
    cause = row_cause({**SLOWER_PART, "goodput_bit_s": 0.999 * rate_bit_s * 1448 / 1538})
    assert cause.code == "narrower_part"
    assert f"of {stated_rate_text(rate_bit_s)} carries" in cause.sentence


@pytest.mark.parametrize(
    "other",
    [
        {"goodput_bit_s": 2.4e9},
        {"goodput_bit_s": 2.31e9},  # no Ethernet link's figure
        {"rtt_s": 0.0003},  # no queue stands: something before it set the pace
        {"mss_bytes": None},
        {"opposite_fill": 0.2},
    ],
)
def test_without_its_arithmetic_and_a_queue_no_slower_part_is_claimed(other: Json) -> None:
    assert row_cause({**SLOWER_PART, **other}).code == "unknown"


def test_a_pace_that_the_plan_set_is_the_plans_own() -> None:
    record = changed(healthy_record(load=0.4), traffic__pacing_bit_s=0.4 * 949e6)
    assert _cause(record).code == "intended_load"
    assert _cause(changed(healthy_record(load=0.2), traffic__pacing_bit_s=0.4 * 949e6)).code == "unknown"


def test_a_window_that_the_kernel_counts_for_less_than_half_the_time_needs_a_path_at_rest() -> None:
    """Seen in the lab: 0.38 to 0.49 of the time with a receive buffer of 96 KiB over 30 ms, 0.41 with a send buffer."""
    limited = {
        "first__parts__0__tcp__limited_receiver_window_s": 4.0,
        "first__parts__0__tcp__rtt_s": 1.1e-4,
        "first__parts__0__tcp__segments_retransmitted": 0,
    }
    assert _cause(changed(healthy_record(load=0.4), **limited)).code == "receiver_window"
    standing = {**limited, "first__parts__0__tcp__rtt_s": 9e-3}
    assert _cause(changed(healthy_record(load=0.4), **standing)).code == "unknown"
    more = {**limited, "first__parts__0__tcp__limited_send_buffer_s": 4.5}
    assert _cause(changed(healthy_record(load=0.4), **more)).code == "send_buffer"


def test_a_process_that_waits_longer_than_it_runs_has_company_on_its_core() -> None:
    """Seen in the lab beside other work: 37 % of the time run, 63 % ready and without a core."""
    record = changed(
        healthy_record(load=0.4), second__parts__0__process={"cpu_s": 3.7, "run_delay_s": 6.2, "throttled_ratio": None}
    )
    assert _cause(record).sentence.endswith("waited for a core 62 %, which something else used")

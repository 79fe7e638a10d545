"""What a record is worth: every doubt is raised by its cause, and by nothing on a healthy bench."""

from __future__ import annotations

import itertools
from typing import Any

import pytest

from orchestrator.decide.verdict.doubts import DOUBTS
from orchestrator.decide.verdict.evidence import ways
from orchestrator.decide.verdict.judge import UNFINISHED, Verdict, judge
from tests.decide.records import changed, count, healthy_record

Json = dict[str, Any]


def _with_doubt(record: Json, code: str, status: str) -> Verdict:
    verdict = judge(record)
    assert code in verdict.doubts, verdict
    assert verdict.status == status
    assert verdict.reason
    return verdict


@pytest.mark.parametrize(
    ("transport", "direction", "mtu", "family", "rate_bit_s"),
    [
        *itertools.product(
            ("tcp", "udp"), ("transmit", "receive", "bidirectional"), (1500, 9000), (4, 6), (1e8, 1e9, 2.5e9)
        )
    ],
)
def test_a_healthy_trial_is_valid_and_carries_no_doubt(
    transport: str, direction: str, mtu: int, family: int, rate_bit_s: float
) -> None:
    for seed in range(20):
        verdict = judge(
            healthy_record(
                transport=transport, direction=direction, mtu=mtu, family=family, rate_bit_s=rate_bit_s, seed=seed
            )
        )
        assert verdict == Verdict("valid", (), "")


def test_a_cell_limited_by_its_processor_is_valid() -> None:
    assert judge(healthy_record(load=0.31)).status == "valid"


# --- no measurement at all ---


def test_a_path_that_does_not_carry_the_frames_is_impossible_and_says_why() -> None:
    record = changed(
        healthy_record(),
        path={"verdict": "too_small", "sentence": "the largest that passed: 1500 bytes"},
        first=None,
        second=None,
    )
    assert judge(record) == Verdict("impossible", ("path_too_small",), "the largest that passed: 1500 bytes")


@pytest.mark.parametrize("verdict", ["silent", "refused"])
def test_a_path_that_carries_nothing_is_failed_and_never_impossible(verdict: str) -> None:
    record = changed(
        healthy_record(), path={"verdict": verdict, "sentence": "no small frame passed"}, first=None, second=None
    )
    assert judge(record) == Verdict("failed", (f"path_{verdict}",), "no small frame passed")


@pytest.mark.parametrize("code", sorted(UNFINISHED))
def test_a_change_that_did_not_come_to_its_end_says_nothing_of_what_the_host_can_do(code: str) -> None:
    refused = [{"setting": "mtu", "target": "eth1", "level": 9000, "ok": False, "seen": None, "why": "x", "code": code}]
    verdict = judge(changed(healthy_record(), settings={"dome": refused}))
    assert (verdict.status, verdict.doubts) == ("failed", ("setting_unfinished",))


def test_a_setting_that_the_driver_refuses_is_impossible_with_the_drivers_words() -> None:
    use = {
        "setting": "mtu",
        "target": "eth1",
        "level": 9000,
        "ok": False,
        "seen": 1500,
        "why": "mtu greater than device maximum",
    }
    record = changed(healthy_record(), settings={"dome": [use]})
    verdict = judge(record)
    assert (verdict.status, verdict.doubts) == ("impossible", ("setting_refused",))
    assert "dome" in verdict.reason
    assert "mtu greater than device maximum" in verdict.reason


def test_zero_goodput_over_an_open_path_is_failed_and_never_a_measurement() -> None:
    record = changed(healthy_record(), second__parts__0__goodput_bytes=0)
    verdict = judge(record)
    assert (verdict.status, verdict.doubts) == ("failed", ("nothing_received",))


def test_zero_goodput_of_one_of_two_ways_is_failed() -> None:
    record = changed(healthy_record(direction="bidirectional"), first__parts__1__goodput_bytes=0)
    assert judge(record).status == "failed"


def test_an_end_without_a_result_is_failed_and_named() -> None:
    record = changed(healthy_record(), second={"parts": []})
    verdict = judge(record)
    assert verdict.status == "failed"
    assert "hall" in verdict.reason


def test_a_stream_that_broke_off_is_failed_with_its_sentence() -> None:
    record = changed(healthy_record(), first__parts__0__error="the connection was reset")
    assert judge(record).reason == "dome: the connection was reset"


def test_a_broken_off_trial_keeps_the_error_it_ended_with() -> None:
    error = {"whose": "link", "code": "not_ready", "message": "no carrier"}
    record = changed(healthy_record(), error=error, first=None, second=None, path=None, link_facts=None)
    assert judge(record) == Verdict("failed", ("not_ready",), "no carrier")


# --- suspect: measured, but the cell's conditions did not hold ---


def test_a_setting_changed_during_the_trial_makes_it_suspect() -> None:
    after = {
        "settings": {
            "dome": [
                {
                    "setting": "governor",
                    "target": "",
                    "level": "performance",
                    "ok": False,
                    "seen": "powersave",
                    "why": "",
                }
            ]
        }
    }
    _with_doubt(changed(healthy_record(), after=after), "setting_changed", "suspect")


def test_a_link_that_fell_to_another_speed_makes_it_suspect() -> None:
    record = changed(healthy_record(rate_bit_s=2.5e9), after__speed_bit_s__dome=1e9)
    assert "2.5 Gb/s to 1 Gb/s" in _with_doubt(record, "speed_changed", "suspect").reason


def test_a_host_that_restarted_by_itself_makes_it_suspect() -> None:
    _with_doubt(changed(healthy_record(), after__boot_id__hall="another"), "rebooted", "suspect")


def test_a_carrier_that_came_and_went_makes_it_suspect() -> None:
    _with_doubt(count(healthy_record(), "second", interface_carrier_changes=2), "carrier_lost", "suspect")


@pytest.mark.parametrize(("mtu", "seen"), [(9000, 1448), (1500, 1398), (9000, 8896)])
def test_z1_segments_smaller_than_the_mtu_implies_make_it_suspect(mtu: int, seen: int) -> None:
    record = changed(healthy_record(mtu=mtu), first__parts__0__tcp__mss_bytes=seen)
    assert str(seen) in _with_doubt(record, "mss", "suspect").reason


def test_segments_without_timestamps_are_as_good_as_with_them() -> None:
    """RFC 6691: 1460 without the option, 1448 with its 12 bytes."""
    assert judge(changed(healthy_record(), first__parts__0__tcp__mss_bytes=1460)).status == "valid"


def test_a_segment_clamp_that_the_cell_asked_for_is_no_doubt() -> None:
    record = changed(healthy_record(), traffic__segment_bytes=536, first__parts__0__tcp__mss_bytes=524)
    assert "mss" not in judge(record).doubts


def test_z2_traffic_that_left_by_another_interface_makes_it_suspect() -> None:
    record = healthy_record()
    counters = record["first"]["counters"]
    moved = counters["after"]["interface.tx_bytes"] - counters["before"]["interface.tx_bytes"]
    record = count(record, "first", interface_tx_bytes=5000 - moved)
    verdict = _with_doubt(record, "other_interface", "suspect")
    assert "dome" in verdict.reason


def test_an_interface_without_counters_is_no_evidence_of_another_way():
    record = healthy_record()
    for reading in record["first"]["counters"].values():
        for name in [name for name in reading if name.startswith("interface.")]:
            del reading[name]
    assert judge(record).status == "valid"


def test_z4_datagrams_that_were_never_cut_into_frames_make_it_suspect() -> None:
    record = healthy_record(transport="udp")
    datagrams = record["first"]["parts"][0]["datagrams_sent"]
    for end, name in (("first", "interface_tx_packets"), ("second", "interface_rx_packets")):
        record = count(record, end, **{name: -datagrams + datagrams // 44})
    _with_doubt(record, "never_framed", "suspect")


def test_z5_a_driver_that_counts_blocks_is_no_doubt_when_the_far_end_counts_frames() -> None:
    record = healthy_record(transport="udp")
    datagrams = record["first"]["parts"][0]["datagrams_sent"]
    assert judge(count(record, "first", interface_tx_packets=-datagrams + datagrams // 44)).status == "valid"


def test_z10_more_goodput_than_the_wire_carries_makes_it_suspect() -> None:
    record = healthy_record(load=0.9999)
    record["link_facts"]["rate_bit_s"] *= 0.98
    _with_doubt(record, "fill_above_one", "suspect")


def test_a_short_window_may_begin_with_what_a_late_receiver_had_not_read():
    """10 ms of a full link in a window of 0.4 s are 2.5 %; in one of 10 s they are a tenth of a percent."""
    record = healthy_record(load=0.9999)
    late = {**record["second"]["parts"][0], "window_s": 9.85}
    assert "fill_above_one" in judge(changed(record, second__parts=[late])).doubts
    short = {**record["second"]["parts"][0], "window_s": 0.394, "goodput_bytes": late["goodput_bytes"] // 25}
    assert "fill_above_one" not in judge(changed(record, second__parts=[short])).doubts


def test_z20_counters_that_lag_by_a_second_of_ten_are_doubted_as_unexplained_payload() -> None:
    record = healthy_record()
    moved = record["second"]["counters"]
    lag = (moved["after"]["interface.rx_bytes"] - moved["before"]["interface.rx_bytes"]) // 10
    _with_doubt(count(record, "second", interface_rx_bytes=-lag), "other_interface", "suspect")


@pytest.mark.parametrize(
    ("share", "code", "status"), [(0.01, "cross_traffic_some", "valid"), (0.06, "cross_traffic_heavy", "suspect")]
)
def test_z21_cross_traffic_is_noted_and_beyond_three_percent_suspect(share: float, code: str, status: str) -> None:
    record = healthy_record(transport="udp")
    moved = record["second"]["counters"]
    ours = moved["after"]["interface.rx_bytes"] - moved["before"]["interface.rx_bytes"]
    _with_doubt(count(record, "second", interface_rx_bytes=int(ours * share / (1 - share))), code, status)


def test_z22_a_performance_policy_at_a_quarter_of_the_clock_makes_it_suspect() -> None:
    record = healthy_record()
    record["settings"]["hall"] = [
        {"setting": "governor", "target": "", "level": "performance", "ok": True, "seen": "performance", "why": ""}
    ]
    assert judge(record).status == "valid"
    _with_doubt(changed(record, second__watch__clock_mean_hz=6e8), "clock_low", "suspect")


def test_a_low_clock_under_a_saving_policy_is_what_the_cell_claims() -> None:
    assert judge(changed(healthy_record(), second__watch__clock_mean_hz=6e8)).status == "valid"


def _claiming(*uses: tuple[str, object, object]) -> Json:
    """A healthy trial whose cell claims clocks on hall: (setting, level, what the host read back)."""
    record = healthy_record()
    record["settings"]["hall"] = [
        {"setting": setting, "target": "", "level": level, "ok": True, "seen": seen, "why": ""}
        for setting, level, seen in uses
    ]
    return record


_LEAST, _GREATEST = ("min-frequency", "1.2GHz", 1_200_000), ("max-frequency", "1.2GHz", 1_200_000)
_PERFORMANCE = ("governor", "performance", "performance")


@pytest.mark.parametrize(
    ("uses", "mean_hz", "code"),
    [
        ((_LEAST,), 1.20e9, ""),
        ((_LEAST,), 1.15e9, ""),
        ((_LEAST,), 1.0e9, "clock_under_min"),
        ((_LEAST,), 2.0e9, ""),
        ((_GREATEST,), 1.2e9, ""),
        ((_GREATEST,), 1.25e9, ""),
        ((_GREATEST,), 0.6e9, ""),
        ((_GREATEST,), 1.5e9, "clock_over_max"),
        ((_LEAST, _GREATEST), 1.2e9, ""),
        ((_LEAST, _GREATEST), 0.9e9, "clock_under_min"),
        ((_LEAST, _GREATEST), 1.4e9, "clock_over_max"),
        ((_PERFORMANCE, _GREATEST), 1.2e9, ""),
        ((_PERFORMANCE, _GREATEST), 0.6e9, "clock_low"),
        ((_PERFORMANCE, ("min-frequency", "highest", {"policy0": 1, "policy4": 2})), 1.8e9, ""),
    ],
)
def test_a_clock_that_the_cell_sets_is_held_against_the_clock_under_load(
    uses: tuple[tuple[str, object, object], ...], mean_hz: float, code: str
) -> None:
    record = changed(_claiming(*uses), second__watch__clock_mean_hz=mean_hz, second__watch__clock_max_hz=1.8e9)
    if code:
        _with_doubt(record, code, "suspect")
    else:
        assert judge(record).status == "valid"
        assert not [doubt for doubt in judge(record).doubts if doubt.startswith("clock")]


@pytest.mark.parametrize(
    ("uses", "lowest_hz", "code", "status"),
    [
        ((), 0.6e9, "throttled_by_heat", "valid"),
        ((_LEAST,), 1.2e9, "throttled_by_heat", "valid"),
        ((_LEAST,), 0.6e9, "throttled_below_claim", "suspect"),
        ((_PERFORMANCE,), 0.6e9, "throttled_below_claim", "suspect"),
        ((_PERFORMANCE,), 1.7e9, "throttled_by_heat", "valid"),
    ],
)
def test_throttling_below_the_claimed_clock_makes_it_suspect_and_other_throttling_is_noted(
    uses: tuple[tuple[str, object, object], ...], lowest_hz: float, code: str, status: str
) -> None:
    record = changed(
        _claiming(*uses),
        second__watch__clock_mean_hz=1.75e9,
        second__watch__clock_max_hz=1.8e9,
        second__watch__clock_min_hz=lowest_hz,
        second__watch__thermal_throttles=3,
    )
    _with_doubt(record, code, status)


def test_a_stall_of_a_second_makes_it_suspect_and_a_short_one_is_noted() -> None:
    record = healthy_record()
    series = [list(row) for row in record["second"]["parts"][0]["series"]]
    for row in series[40:43]:
        row[1] = 0
    _with_doubt(changed(record, second__parts__0__series=series), "short_stall", "valid")
    for row in series[40:50]:
        row[1] = 0
    _with_doubt(changed(record, second__parts__0__series=series), "stalled", "suspect")


# --- noted: valid, and the reader should know ---


def test_a_rate_that_was_not_reached_is_noted_as_limited_by_the_sender() -> None:
    record = healthy_record(transport="udp")
    record["first"]["parts"][0]["intended_load_bit_s"] *= 1.2
    assert "limited by the sender" in _with_doubt(record, "limited_by_sender", "valid").reason


def test_z19_pause_frames_are_noted_when_they_are_many() -> None:
    _with_doubt(count(healthy_record(), "first", driver_rx_pause_frames=50_000), "paused", "valid")
    assert judge(count(healthy_record(), "first", driver_rx_pause_frames=3)).doubts == ()


def test_frames_that_the_driver_names_resume_or_watchdog_are_not_pauses() -> None:
    record = count(healthy_record(), "first", driver_rx_flow_control_xon=50_000, driver_tx_pause_storm_events=50_000)
    assert judge(record).doubts == ()


def test_a_trend_and_two_levels_are_noted() -> None:
    record = healthy_record()
    series = record["second"]["parts"][0]["series"]
    falling = [[t, 12_500_000 if i < 50 else 6_250_000, n] for i, (t, octets, n) in enumerate(series)]
    assert (
        "from 1 Gb/s to 500 Mb/s"
        in _with_doubt(changed(record, second__parts__0__series=falling), "trend", "valid").reason
    )
    jumping = [[t, octets * (0.6 if i // 10 % 2 else 1.0), n] for i, (t, octets, n) in enumerate(series)]
    _with_doubt(changed(record, second__parts__0__series=jumping), "two_levels", "valid")


def test_stolen_time_heat_and_kernel_warnings_are_noted_with_the_host() -> None:
    for values, code in (
        ({"first__watch__steal": 0.2}, "steal"),
        ({"first__watch__thermal_throttles": 4}, "throttled_by_heat"),
        ({"first__watch__kernel_warnings": ["eth1: transmit queue 0 timed out"]}, "kernel_warned"),
    ):
        assert "dome" in _with_doubt(changed(healthy_record(), **values), code, "valid").reason


def test_a_socket_buffer_smaller_than_the_path_needs_is_said_in_a_sentence():
    """RFC 6349 table 3.3.1: 500 Mb/s at 5 ms have 312.5 kB in flight (s5.1: five connections of 62.5 kB)."""
    record = changed(
        healthy_record(rate_bit_s=5e8), traffic__socket_buffer_bytes=62_500, first__parts__0__tcp__rtt_min_s=0.005
    )
    assert "312.5 kB" in _with_doubt(record, "window_small", "valid").reason
    assert judge(changed(record, traffic__streams=5)).doubts == ()


def test_z1_a_path_mtu_that_was_not_forgotten_is_noted() -> None:
    record = changed(healthy_record(mtu=9000), path__learned_mtu_bytes={"first": 1500, "second": 9000})
    _with_doubt(record, "path_mtu_learned", "valid")


def test_segments_sent_again_beyond_a_thousandth_are_noted_with_their_share_and_where_they_went() -> None:
    record = healthy_record()
    tcp, received = record["first"]["parts"][0]["tcp"], record["second"]["parts"][0]
    sent = tcp["segments_sent"]
    tcp |= {
        "segments_retransmitted": sent // 40,
        "segments_retransmitted_whole": sent // 40,
        "segments_sent_whole": sent,
    }
    received["tcp"] = {"segments_received_whole": sent - sent // 50}
    found = judge(count(record, "second", interface_rx_missed_errors=7))
    assert (found.status, found.doubts) == ("valid", ("sent_again",))
    assert found.reason == (
        f"2.5 % of TCP's segments were sent again: lost by eth1 on hall 7, between the interfaces {sent // 50 - 7}; "
        f"{sent // 40 - sent // 50} of those sent again had arrived all the same, late or out of order"
    )
    tcp["segments_retransmitted"] = sent // 1001
    assert judge(record).doubts == ()


@pytest.mark.parametrize(("load", "lost", "noted"), [(0.9, 0.02, True), (0.9, 0.0005, False), (1.0, 0.02, False)])
def test_lost_datagrams_are_noted_where_the_link_has_room_for_all(load: float, lost: float, noted: bool) -> None:
    record = healthy_record(transport="udp", load=load)
    received = record["second"]["parts"][0]
    gone = round(lost * received["datagrams_received"])
    received["datagrams_received"] -= gone
    found = judge(record)
    assert ("datagrams_lost" in found.doubts) == noted
    assert not noted or found.reason.startswith(
        "2 % of the datagrams were lost although the link has room for what was offered: lost between the interfaces "
    )


@pytest.mark.parametrize(
    ("name", "code"),
    [
        ("interface_rx_crc_errors", "interface_errors"),
        ("interface_tx_errors", "interface_errors"),
        ("udp_InCsumErrors", "checksum_errors"),
        ("tcp_InCsumErrors", "checksum_errors"),
    ],
)
def test_damage_is_noted_and_a_single_event_is_not(name: str, code: str) -> None:
    _with_doubt(count(healthy_record(), "second", **{name: 100}), code, "valid")
    assert judge(count(healthy_record(), "second", **{name: 1})).doubts == ()


def test_the_gravest_doubt_comes_first() -> None:
    record = changed(count(healthy_record(), "first", interface_carrier_changes=2), first__watch__steal=0.2)
    assert judge(record).doubts == ("carrier_lost", "steal")


def test_every_doubt_has_a_code_a_weight_and_a_sentence_without_a_full_stop() -> None:
    for code, doubt in DOUBTS.items():
        assert code == doubt.code
        assert code.replace("_", "").isalpha()
        assert doubt.sentence
        assert not doubt.sentence.endswith(".")


@pytest.mark.parametrize(
    ("end", "name", "octets"),
    [
        ("first", "interface.tx_bytes", True),
        ("second", "interface.rx_bytes", True),
        ("second", "softnet.dropped", False),
    ],
)
def test_a_counter_of_32_bits_that_went_round_is_no_doubt(end: str, name: str, octets: bool) -> None:
    """Interfaces and kernels of 32 bits count octets in 32 bits: at 1 Gb/s they go round every 34 seconds."""
    record = healthy_record(transport="udp", seed=2)
    counters = record[end]["counters"]
    moved = counters["after"][name] - counters["before"][name]
    counters["before"][name] = (1 << 32) - (moved // 2 if octets else 0) - 1
    counters["after"][name] = (counters["before"][name] + moved) % (1 << 32)
    assert judge(record).doubts == ()
    way = ways(record)[0]
    side = way.sender if end == "first" else way.receiver
    assert side.changes[name] == moved


def test_a_counter_that_was_set_back_is_no_evidence() -> None:
    """A driver that starts its card anew counts from nothing: what it says of the payload is not known."""
    record = healthy_record(seed=2)
    counters = record["second"]["counters"]
    counters["after"]["interface.rx_bytes"], counters["before"]["interface.rx_bytes"] = 5_000, 900_000_000
    assert "interface.rx_bytes" not in ways(record)[0].receiver.changes
    assert judge(record).status == "valid"


@pytest.mark.parametrize(
    ("end", "part", "option"), [("first", "send", "send_buffer_bytes"), ("second", "receive", "receive_buffer_bytes")]
)
def test_a_socket_buffer_that_the_host_did_not_give_makes_it_suspect(end: str, part: str, option: str) -> None:
    """Without privilege the kernel cuts what is asked for to its own limit and says nothing (socket(7), rmem_max)."""
    wanted = 4 << 20
    record = changed(healthy_record(), traffic__socket_buffer_bytes=wanted, traffic__streams=2)
    assert record[end]["parts"][0]["part"] == part
    given = changed(record, **{f"{end}__parts__0__{option}": 2 * 2 * wanted})
    assert judge(given).doubts == ()
    verdict = _with_doubt(changed(record, **{f"{end}__parts__0__{option}": 2 * 425_984}), "socket_buffer", "suspect")
    assert "212992 bytes" in verdict.reason
    assert "4194304" in verdict.reason


def test_the_sentence_on_small_buffers_counts_every_connections() -> None:
    record = changed(
        healthy_record(rate_bit_s=5e8),
        traffic__socket_buffer_bytes=62_500,
        traffic__streams=2,
        first__parts__0__tcp__rtt_min_s=0.005,
    )
    reason = _with_doubt(record, "window_small", "valid").reason
    assert "the 2 socket buffers together of 125.0 kB" in reason
    assert "they can carry at most 200 Mb/s" in reason


@pytest.mark.parametrize(
    "code", ["congestion_missing", "core_missing", "zero_copy_missing", "send_path", "receive_path"]
)
def test_what_a_host_cannot_do_with_its_traffic_is_impossible_and_says_why(code: str) -> None:
    record = changed(healthy_record(), error={"code": code, "message": "hall: this kernel does not offer it"})
    assert judge(record) == Verdict("impossible", (code,), "hall: this kernel does not offer it")


@pytest.mark.parametrize(
    ("end", "part", "held", "buffer", "limit"),
    [
        ("second", "receive", "limited_receiver_window_s", "receive_buffer_bytes", "net.ipv4.tcp_rmem on hall"),
        ("first", "send", "limited_send_buffer_s", "send_buffer_bytes", "net.ipv4.tcp_wmem on dome"),
    ],
)
def test_a_buffer_that_could_not_grow_far_enough_is_said_when_tcp_was_held_by_it(
    end: str, part: str, held: str, buffer: str, limit: str
) -> None:
    """RFC 6349 table 3.3.1 again: no plan has set the buffer, and a kernel's limit of 125 kB keeps it at 62.5."""
    record = changed(
        healthy_record(rate_bit_s=5e8),
        **{
            "first__parts__0__tcp__rtt_min_s": 0.005,
            f"first__parts__0__tcp__{held}": 5.0,
            f"{end}__parts__0__{buffer}": 2 * 62_500,
        },
    )
    assert record[end]["parts"][0]["part"] == part
    reason = _with_doubt(record, "window_small", "valid").reason
    assert "312.5 kB" in reason
    assert limit in reason
    assert judge(changed(record, **{f"first__parts__0__tcp__{held}": 0.1})).doubts == ()
    assert judge(changed(record, **{f"{end}__parts__0__{buffer}": 2 * 400_000})).doubts == ()

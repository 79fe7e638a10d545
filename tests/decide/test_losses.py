"""Where lost datagrams went: every place by its own counter, the rest between, and nothing guessed."""

from __future__ import annotations

from typing import Any

import pytest

from orchestrator.decide.verdict.evidence import ways
from orchestrator.decide.verdict.judge import judge
from orchestrator.decide.verdict.losses import Losses, losses
from tests.decide.records import changed, count, healthy_record

Json = dict[str, Any]
PLACES = ("own_queue", "own_interface", "between", "far_interface", "backlog", "socket")


def _lossy(lost: int, *, refused: int = 0) -> Json:
    record = healthy_record(transport="udp", seed=4)
    sent = record["first"]["parts"][0]["datagrams_sent"]
    record["second"]["counters"]["after"]["interface.rx_dropped"] = record["second"]["counters"]["before"][
        "interface.rx_dropped"
    ]
    return changed(record, second__parts__0__datagrams_received=sent - lost, first__parts__0__datagrams_refused=refused)


def _account(record: Json) -> Losses:
    account = losses(ways(record)[0])
    assert account is not None
    return account


@pytest.mark.parametrize(
    ("end", "counter", "place"),
    [
        ("first", "interface_tx_dropped", "own_interface"),
        ("second", "interface_rx_missed_errors", "far_interface"),
        ("second", "interface_rx_dropped", "far_interface"),
        ("second", "softnet_dropped", "backlog"),
        ("first", "queue_drops", "own_queue"),
        ("first", "driver_whatever", "between"),
    ],
)
def test_a_lost_datagram_is_booked_where_its_counter_is(end: str, counter: str, place: str) -> None:
    account = _account(count(_lossy(1000), end, **{counter: 1000}))
    assert account.lost == 1000
    assert {name: getattr(account, name) for name in PLACES} == {name: 1000 if name == place else 0 for name in PLACES}


def test_a_lost_datagram_is_counted_once_when_the_kernel_counts_it_twice() -> None:
    """A backlog without room is counted in softnet_stat and as the interface's own drop."""
    record = count(_lossy(700), "second", softnet_dropped=700, interface_rx_dropped=700)
    assert (_account(record).backlog, _account(record).far_interface, _account(record).between) == (700, 0, 0)


def test_socket_drops_are_booked_at_the_socket() -> None:
    account = _account(changed(_lossy(22_493), second__parts__0__socket_drops=22_493))
    assert (account.socket, account.between) == (22_493, 0)


def test_z6_what_the_own_queue_refused_is_no_loss_of_the_network() -> None:
    """Of 16,981 handed over 8,477 were refused and the rest arrived."""
    record = changed(
        _lossy(0, refused=8_477), first__parts__0__datagrams_sent=8_504, second__parts__0__datagrams_received=8_504
    )
    account = _account(record)
    assert (account.attempted, account.lost, account.own_queue, account.between) == (16_981, 8_477, 8_477, 0)


def test_several_places_add_up_to_what_was_lost() -> None:
    record = count(
        count(_lossy(1000, refused=40), "first", queue_drops=40),
        "second",
        interface_rx_missed_errors=300,
        softnet_dropped=100,
        interface_rx_dropped=100,
    )
    account = _account(changed(record, second__parts__0__socket_drops=250))
    assert account.lost == 1040 == sum(getattr(account, name) for name in PLACES)
    assert (account.own_queue, account.far_interface, account.backlog, account.socket) == (40, 300, 100, 250)


def test_z7_counters_that_explain_more_than_was_lost_leave_the_places_empty_and_a_doubt() -> None:
    record = count(_lossy(100), "second", interface_rx_missed_errors=400)
    account = _account(record)
    assert [getattr(account, name) for name in PLACES] == [None] * 6
    assert account.lost == 100
    verdict = judge(record)
    assert ("place_unknown" in verdict.doubts, verdict.status) == (True, "valid")


def test_dropped_blocks_do_not_count_datagrams() -> None:
    record = changed(_lossy(3_872), second__parts__0__socket_drops=88, second__parts__0__receive_path="coalesce")
    assert _account(record).unplaced
    assert _account(record).between is None


def test_a_missing_counter_leaves_the_places_empty() -> None:
    record = _lossy(10)
    del record["second"]["counters"]["after"]["softnet.dropped"]
    assert _account(record).between is None


def test_no_loss_has_zeros_whatever_foreign_frames_the_interface_dropped() -> None:
    account = _account(count(_lossy(0), "second", interface_rx_dropped=12))
    assert [getattr(account, name) for name in PLACES] == [0] * 6
    assert (account.lost, account.ratio) == (0, 0.0)


def test_more_received_than_sent_is_a_doubt_and_not_a_negative_loss() -> None:
    account = _account(_lossy(-5))
    assert account.lost == 0
    assert account.unplaced


def test_an_empty_sample_has_no_loss_ratio() -> None:
    """RFC 7680 s4.1: the ratio of an empty sample is undefined."""
    assert Losses(0, 0).ratio is None


def test_tcp_has_no_account_of_datagrams() -> None:
    assert losses(ways(healthy_record())[0]) is None


def test_a_few_stray_frames_that_the_interface_dropped_do_not_hide_where_the_rest_went() -> None:
    record = count(changed(_lossy(1000), second__parts__0__socket_drops=998), "second", interface_rx_dropped=6)
    account = _account(record)
    assert (account.socket, account.far_interface, account.between) == (998, 2, 0)


def test_stray_frames_beyond_what_the_interface_dropped_are_a_contradiction():
    """The socket alone explains more than was lost, and there is nothing stray to take it off."""
    assert _account(changed(_lossy(100), second__parts__0__socket_drops=105)).unplaced
    assert not _account(changed(_lossy(100), second__parts__0__socket_drops=100)).unplaced


def _dropped_in_silence(share: float, others: int, *, more: int = 0) -> Json:
    """The own queue dropped a share of all that it was given and told nobody: datagrams, and `others` beside them."""
    record = healthy_record(transport="udp", seed=4)
    sent = record["first"]["parts"][0]["datagrams_sent"]
    lost, stray = round(share * sent), round(share * others)
    counters = record["first"]["counters"]
    left = sent - lost + others - stray
    for name, value in (("tx_packets", left), ("tx_bytes", (sent - lost) * 1514 + (others - stray) * 90)):
        counters["after"][f"interface.{name}"] = counters["before"][f"interface.{name}"] + value
    record["second"]["counters"]["after"]["interface.rx_dropped"] = record["second"]["counters"]["before"][
        "interface.rx_dropped"
    ]
    record = changed(
        record,
        second__parts__0__datagrams_received=sent - lost,
        first__parts__0__send_path="single",
        second__parts__0__received_bytes=(sent - lost) * 1472,
    )
    return count(record, "first", queue_drops=lost + stray + more)


@pytest.mark.parametrize("share", [0.001, 0.03, 0.3])
@pytest.mark.parametrize("others", [0, 1200, 40_000])
def test_stray_frames_that_the_own_queue_dropped_beside_ours_do_not_hide_where_ours_went(share: float, others: int):
    """A queue that loses at random loses probes and other people's frames at the same share, and tells nobody."""
    record = _dropped_in_silence(share, others)
    account = _account(record)
    assert account.lost > 50
    assert {name: getattr(account, name) for name in PLACES} == {
        name: account.lost if name == "own_queue" else 0 for name in PLACES
    }
    assert not {"place_unknown", "other_interface"} & set(judge(record).doubts)


def test_more_dropped_at_the_own_queue_than_anything_stray_can_account_for_is_a_contradiction():
    assert _account(_dropped_in_silence(0.03, 1200, more=50)).own_queue is not None
    assert _account(_dropped_in_silence(0.03, 1200, more=2000)).unplaced


def test_what_was_refused_is_ours_and_never_taken_for_stray():
    """Refusals are told one by one; only what the queue's counter has beyond them may be somebody else's."""
    record = count(_lossy(0, refused=500), "first", queue_drops=504)
    assert (_account(record).own_queue, _account(record).between) == (500, 0)
    assert _account(changed(record, second__parts__0__socket_drops=8)).unplaced


@pytest.mark.parametrize(("blocks", "known"), [(0, True), (1, True), (125, False), (1000, True)])
def test_blocks_that_the_own_queue_dropped_do_not_count_datagrams(blocks: int, known: bool):
    """125 blocks of 8 may be all of 1000 lost, or 125 of them; one is small either way, and a whole count is taken."""
    record = changed(_lossy(1000), first__parts__0__send_path="segment", first__parts__0__burst_datagrams=8)
    account = _account(count(record, "first", queue_drops=blocks))
    assert bool(account.unplaced) is not known
    assert account.own_queue == (blocks if known else None)


def test_what_left_by_another_interface_is_seen_beside_what_the_own_queue_dropped():
    record = _dropped_in_silence(0.3, 1200)
    counters = record["first"]["counters"]
    moved = counters["after"]["interface.tx_bytes"] - counters["before"]["interface.tx_bytes"]
    assert "other_interface" in judge(count(record, "first", interface_tx_bytes=-moved // 20)).doubts


@pytest.mark.parametrize(
    ("end", "counter", "place"),
    [("first", "queue_drops", "own_queue"), ("second", "interface_rx_missed_errors", "far_interface")],
)
def test_round_trip_probes_that_were_lost_at_the_same_place_do_not_hide_it(end: str, counter: str, place: str) -> None:
    """Counters count frames: of a ring that missed 228 datagrams and 14 probes, 242."""
    record = count(_lossy(228), end, **{counter: 242})
    record["first"]["round_trip"] = {"idle": {"sent": 40, "lost": 2}, "load": {"sent": 400, "lost": 12}}
    account = _account(record)
    assert {name: getattr(account, name) for name in PLACES} == {name: 228 if name == place else 0 for name in PLACES}


@pytest.mark.parametrize(("missed", "is_placed"), [(228 + 14 + 10, True), (228 + 14 + 11, False)])
def test_more_than_lost_probes_and_strays_explain_stays_a_contradiction(missed: int, is_placed: bool) -> None:
    record = count(_lossy(228), "second", interface_rx_missed_errors=missed)
    record["first"]["round_trip"] = {"idle": {"sent": 40, "lost": 2}, "load": {"sent": 400, "lost": 12}}
    assert (_account(record).unplaced == "") is is_placed


@pytest.mark.parametrize("family", [4, 6])
def test_fragments_are_ours_and_their_losses_are_not_taken_for_datagrams(family: int) -> None:
    """Datagrams of 8192 bytes at an MTU of 1500 are six frames each: the counters count frames."""
    record = healthy_record(transport="udp", family=family, seed=3)
    header = {4: 20, 6: 48}[family]
    frames = [
        min((1500 - header) // 8 * 8, 8200 - start) + header + 14 for start in range(0, 8200, (1500 - header) // 8 * 8)
    ]
    number = 10_000
    record = changed(
        record,
        first__parts__0__datagram_bytes=8192,
        first__parts__0__datagrams_sent=number,
        first__parts__0__sent_bytes=number * 8192,
        second__parts__0__datagrams_received=number - 50,
        second__parts__0__received_bytes=(number - 50) * 8192,
    )
    for end, way in (("first", "tx"), ("second", "rx")):
        for name, value in (("bytes", number * sum(frames)), ("packets", number * len(frames))):
            counters = record[end]["counters"]
            counters["after"][f"interface.{way}_{name}"] = counters["before"][f"interface.{way}_{name}"] + value
    record = count(record, "second", interface_rx_missed_errors=70)  # of 50 datagrams; the counters' own figure
    assert _account(record).lost == 50
    assert [getattr(_account(record), name) for name in PLACES] == [None] * 6
    assert "cross_traffic_heavy" not in judge(record).doubts
    assert "cross_traffic_some" not in judge(record).doubts

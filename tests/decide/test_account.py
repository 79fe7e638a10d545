"""Whose the octets on an interface were: told by flow, exact where frames are frames, and said where they are not."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from orchestrator.decide.verdict.account import accounts
from orchestrator.decide.verdict.judge import judge
from tests.decide.records import changed, healthy_record

Json = dict[str, Any]
ETHERNET, IP4, TCP = 14, 20, 32  # TCP with timestamps (RFC 7323)
PROBE = ETHERNET + IP4 + 8 + 32


def _segments(way: str, sends: bool, **counts: int) -> Json:
    nothing = dict.fromkeys(
        (
            "transmitted",
            "received",
            "transmitted_data",
            "received_data",
            "transmitted_payload_bytes",
            "received_payload_bytes",
            "out_of_order",
        ),
        0,
    )
    return {"way": way, "sends": sends, "header_bytes": TCP, **nothing, **counts}


def lossy_record(
    *,
    data: int = 100_000,
    lost: int = 10_000,
    acknowledgements: int = 60_000,
    selective: float = 20.0,
    looked: bool = True,
    payload: int = 1448,
) -> Json:
    """TCP over a path that loses: what it sends again is among `data`. The cards count frames."""
    record = healthy_record()
    probes = 700
    header = ETHERNET + IP4 + TCP
    back = (acknowledgements + probes, round(acknowledgements * (header + selective)) + probes * PROBE)
    moved = {
        "first": {"tx": (data + probes, data * (header + payload) + probes * PROBE), "rx": back},
        "second": {"tx": back, "rx": (data - lost + probes, (data - lost) * (header + payload) + probes * PROBE)},
    }
    told = {
        "first": _segments(
            "transmit",
            True,
            transmitted=data,
            transmitted_data=data,
            received=acknowledgements,
            transmitted_payload_bytes=data * payload,
        ),
        "second": _segments(
            "transmit",
            False,
            transmitted=acknowledgements,
            received=data - lost,
            received_data=data - lost,
            out_of_order=lost,
        ),
    }
    for end, flows in told.items():
        mean = TCP + selective if looked and end == "first" else None
        record[end]["own_frames"] = {
            "from_ns": 1,
            "to_ns": 2,
            "tcp": [flows],
            "acknowledgement_header_bytes": mean,
            "acknowledgements_looked_at": 500,
            "probes_transmitted": probes,
            "probes_received": probes,
            "probe_payload_bytes": 32,
            "control": None,
        }
        record[end]["counters"] = {"before": _counters({}), "after": _counters(moved[end])}
    return record


def _counters(moved: Json) -> dict[str, int]:
    return {
        f"interface.{way}_{name}": moved.get(way, (0, 0))[place]
        for way in ("tx", "rx")
        for place, name in enumerate(("packets", "bytes"))
    }


def _more(record: Json, end: str, *, packets: int = 0, octets: int = 0, way: str = "rx") -> Json:
    made = copy.deepcopy(record)
    after = made[end]["counters"]["after"]
    after[f"interface.{way}_packets"] += packets
    after[f"interface.{way}_bytes"] += octets
    return made


def _cross(record: Json, host: str = "dome") -> float:
    return accounts(record)[host, "eth1"].cross_bytes


@pytest.mark.parametrize("lost", [0, 100, 2_000, 10_000])
@pytest.mark.parametrize("looked", [True, False])
def test_what_tcp_sends_again_and_acknowledges_is_ours(lost: int, looked: bool) -> None:
    record = lossy_record(lost=lost, selective=20.0 if lost else 0.0, looked=looked)
    assert (_cross(record), _cross(record, "hall")) == (0, 0)
    assert not {"cross_traffic_some", "cross_traffic_heavy"} & {*judge(record).doubts}


@pytest.mark.parametrize("share", [0.01, 0.05, 0.2])
@pytest.mark.parametrize("size", [100, 700, 1514])
def test_cross_traffic_is_told_with_its_octets_also_beside_loss(share: float, size: int) -> None:
    record = lossy_record()
    whole = 100_000 * 1514
    frames = round(share * whole / size)
    found = accounts(_more(record, "first", packets=frames, octets=frames * size))["dome", "eth1"]
    assert found.cross_bytes == pytest.approx(frames * size, abs=0.001 * whole)
    assert found.basis == "frames"


@pytest.mark.parametrize("beside", [-14, 4])
@pytest.mark.parametrize("share", [0.0, 0.05])
def test_interfaces_that_count_no_header_or_a_check_sequence_as_well_are_known_by_it(beside: int, share: float) -> None:
    record = lossy_record()
    for end in ("first", "second"):
        after = record[end]["counters"]["after"]
        for way in ("tx", "rx"):
            after[f"interface.{way}_bytes"] += beside * after[f"interface.{way}_packets"]
    frames = round(share * 100_000)
    noisy = _more(record, "first", packets=frames, octets=frames * (1000 + beside))
    assert _cross(noisy) == pytest.approx(frames * 1000, abs=0.001 * 100_000 * 1514)
    assert _cross(noisy, "hall") == 0


def test_without_a_look_at_acknowledgements_the_account_says_how_far_it_may_be_off() -> None:
    """Selective acknowledgements are 0 to 28 octets each: so much of what is left over may have been theirs."""
    noisy = _more(lossy_record(looked=False), "first", packets=10_000, octets=10_000 * 1000)
    found = accounts(noisy)["dome", "eth1"]
    assert found.cross_bytes <= 10_000 * 1000 <= found.cross_bytes + found.unsure_bytes
    assert found.unsure_bytes <= 28 * 60_000


def test_counters_that_take_blocks_for_frames_are_told_and_claim_no_cross_traffic() -> None:
    """40 segments in a block of one header, as virtual interfaces count them: 39 headers of 40 are not counted."""
    record = lossy_record(lost=0, selective=0.0)
    for end, way in (("first", "tx"), ("second", "rx")):
        after = record[end]["counters"]["after"]
        after[f"interface.{way}_packets"] -= 100_000 - 2_500
        after[f"interface.{way}_bytes"] -= (100_000 - 2_500) * (ETHERNET + IP4 + TCP)
    found = accounts(record)["hall", "eth1"]
    assert (found.basis, found.cross_bytes) == ("blocks", 0)
    noisy = accounts(_more(record, "second", packets=10_000, octets=10_000 * 1514))["hall", "eth1"]
    assert noisy.cross_bytes == pytest.approx(10_000 * 1514, rel=0.01)
    assert noisy.unsure_bytes > 0


def test_the_connection_that_carries_our_orders_is_ours_on_both_ends() -> None:
    record = lossy_record()
    orders = _segments(
        "",
        True,
        transmitted=3000,
        received=2000,
        transmitted_data=2500,
        transmitted_payload_bytes=10**6,
        received_payload_bytes=50_000,
    )
    record["link_facts"]["second"]["address"] = "198.18.0.12"
    record["first"]["own_frames"]["control"] = {"local": "198.18.0.11", "peer": "198.18.0.12", "segments": orders}
    sent, got = 10**6 + 3000 * 66, 50_000 + 2000 * 66
    for end, way, packets, octets in (
        ("first", "tx", 3000, sent),
        ("first", "rx", 2000, got),
        ("second", "rx", 3000, sent),
        ("second", "tx", 2000, got),
    ):
        record = _more(record, end, packets=packets, octets=octets, way=way)
    assert (_cross(record), _cross(record, "hall")) == (0, 0)
    stranger = changed(record, first__own_frames__control=None)
    assert _cross(stranger) == pytest.approx(sent + got, rel=0.01)


def test_links_that_run_at_once_at_one_interface_are_one_account() -> None:
    """Both are of dome's eth1: each of its frames is one link's or the other's."""
    record, other = lossy_record(), lossy_record(data=50_000, lost=500, acknowledgements=20_000)
    for end in ("first", "second"):
        other[end]["own_frames"] |= {"from_ns": 0, "to_ns": 3}
    mine, theirs = (each["first"]["counters"]["after"] for each in (record, other))
    both = {name: mine[name] + theirs[name] for name in mine}
    for each in (record, other):
        each["first"]["counters"]["after"] = both
    other["link_facts"]["second"]["host"] = "shed"
    part = {name: other[name] for name in ("link_facts", "first", "second", "ready", "path", "after")}
    record["beside"] = [{"link": "side", **part}]
    assert {place: account.cross_bytes for place, account in accounts(record).items()} == {
        ("dome", "eth1"): 0,
        ("hall", "eth1"): 0,
        ("shed", "eth1"): 0,
    }
    assert not {"cross_traffic_some", "cross_traffic_heavy"} & {*judge(record).doubts}


def test_an_end_that_cannot_tell_of_its_flows_leaves_the_other_ends_account_whole() -> None:
    record = changed(lossy_record(), second__own_frames=None)
    found = accounts(record)
    assert (found["dome", "eth1"].basis, found["dome", "eth1"].cross_bytes) == ("frames", 0)
    assert found["hall", "eth1"].basis == "estimate"


def test_a_record_whose_hosts_told_of_no_flows_is_estimated_and_says_so() -> None:
    assert accounts(healthy_record())["dome", "eth1"].basis == "estimate"


def test_what_a_quiet_network_says_of_itself_is_no_traffic_however_slow_the_trial() -> None:
    record = lossy_record(data=100, lost=0, acknowledgements=50, selective=0.0)
    quiet = _more(record, "first", packets=20, octets=20 * 300)
    assert _cross(quiet) == 6000
    assert not {"cross_traffic_some", "cross_traffic_heavy"} & {*judge(quiet).doubts}

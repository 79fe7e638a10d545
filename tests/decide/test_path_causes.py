"""A path that does not carry is explained by what was looked at: no culprit is named that nobody has seen."""

from __future__ import annotations

from typing import Any

import pytest

from orchestrator.decide.links.path_causes import EndSeen, explained
from orchestrator.decide.links.path_verdict import path_verdict

Json = dict[str, Any]
QUIET: Json = {"routers": [], "refusals": 0, "refused_by": [], "too_long_here": [], "dropped_here": 0}
FINE: Json = {
    "up": True,
    "carrier": True,
    "neighbour": "reachable",
    "gateway": "",
    "leaves_by": "e0",
    "filters": [],
    "strict_reverse_path": False,
    "lower": [],
}


def _end(host: str, last: int, **around: Any) -> EndSeen:
    return EndSeen(host, "e0", f"10.0.0.{last}", {**FINE, **around})


def _said(result: Json, dome: EndSeen | None = None, hall: EndSeen | None = None) -> str:
    return explained(result, dome or _end("dome", 1), hall or _end("hall", 2))


def _stopped(largest: int = 1500) -> Json:
    """Frames of 9000 bytes stop from dome to hall."""
    probe = {
        "role": "probe",
        "mtu": 9000,
        "small_received": 6,
        "small_sent": 6,
        "small_behind_full": 5,
        "waited_s": 0.1,
        "proof_s": 0.5,
        "received": [[9000, 1]],
        "acknowledged": [[largest, 1]],
        "sent": [[largest, 1], [9000, 9]],
        "learned_mtu_bytes": None,
        "network": QUIET,
    }
    return path_verdict(
        probe,
        {
            "role": "answer",
            "small_received": 6,
            "received": [[largest, 1]],
            "sent": [[9000, 1]],
            "learned_mtu_bytes": None,
            "network": QUIET,
        },
    )


def _nothing(by: list[str] | None = None, refusals: int = 0) -> Json:
    """No small frame passes; `by` refuses what dome sends."""
    network = {**QUIET, "refusals": refusals, "refused_by": by or []}
    probe = {
        "role": "probe",
        "mtu": 1500,
        "small_received": 0,
        "small_sent": 9,
        "small_behind_full": 0,
        "waited_s": 2.0,
        "proof_s": 0.0,
        "received": [],
        "acknowledged": [],
        "sent": [],
        "learned_mtu_bytes": None,
        "network": network,
    }
    return path_verdict(
        probe,
        {
            "role": "answer",
            "small_received": 0,
            "received": [],
            "sent": [],
            "learned_mtu_bytes": None,
            "network": QUIET,
        },
    )


def _port(mtu: int, name: str = "e1", kind: str = "bridge") -> Json:
    return {"name": name, "mtu": mtu, "above": "e0", "kind_above": kind}


def test_a_bridges_own_port_is_looked_at_before_something_between_is_blamed() -> None:
    said = _said(_stopped(1504), hall=_end("hall", 2, lower=[_port(1500)]))
    assert "e1 of hall, a port of the bridge e0, has an MTU of 1500" in said
    assert "set it to 9000" in said
    assert "between the ends" not in said


def test_both_are_named_where_less_passes_than_the_own_port_lets_through() -> None:
    said = _said(_stopped(1500), dome=_end("dome", 1, lower=[_port(4000)]))
    assert "e1 of dome" in said
    assert "something between the ends stops frames above 1500" in said


@pytest.mark.parametrize(("kind", "words"), [("bond", "a part of the bond e0"), ("vlan", "on which e0 lies")])
def test_what_an_end_lies_on_is_called_by_its_kind(kind: str, words: str) -> None:
    assert words in _said(_stopped(), dome=_end("dome", 1, lower=[_port(1500, kind=kind)]))


def test_something_between_is_said_where_the_ends_own_parts_carry_the_size() -> None:
    said = _said(_stopped(), dome=_end("dome", 1, lower=[_port(9000)]))
    assert "Something between the ends stops larger frames" in said


@pytest.mark.parametrize(
    ("by", "hall", "words", "never"),
    [
        (
            ["10.0.0.2"],
            {"filters": ["inet filter"]},
            ("a packet filter of it refuses (tables: inet filter)", "hall", "nft"),
            "another interface",
        ),
        (["10.0.0.2"], {"filters": []}, ("hall listens on e0 and has no packet filter", "another interface"), "nft"),
        (["10.0.0.2"], {"filters": None}, ("not looked at", "another interface than e0"), "nft"),
        (["10.0.9.1"], {"filters": ["inet filter"]}, ("10.0.9.1 is neither end", "router or firewall"), "hall listens"),
        ([], {"filters": ["inet filter"]}, ("A packet filter of dome itself refuses",), "hall listens"),
    ],
)
def test_who_refused_is_told_apart(by: list[str], hall: Json, words: tuple[str, ...], never: str) -> None:
    said = _said(_nothing(by, 7), hall=_end("hall", 2, **hall))
    for word in words:
        assert word in said
    assert never not in said


@pytest.mark.parametrize(
    ("dome", "hall", "words"),
    [
        ({"carrier": False}, {}, "dome:e0 has no carrier"),
        ({}, {"up": False}, "hall:e0 is switched off"),
        ({"neighbour": "failed"}, {}, "dome:e0 gets no answer when it asks its link for 10.0.0.2"),
        ({"neighbour": "failed", "gateway": "10.0.0.9"}, {}, "the router 10.0.0.9"),
        ({}, {"strict_reverse_path": True, "leaves_by": "e5"}, "net.ipv4.conf.e0.rp_filter=2"),
        ({}, {"filters": ["ip filter"]}, "A packet filter is loaded on hall (tables: ip filter) and may drop them"),
        ({}, {}, "what stops the frames lies between them"),
    ],
)
def test_silence_is_explained_by_what_the_ends_see(dome: Json, hall: Json, words: str) -> None:
    assert words in _said(_nothing(), _end("dome", 1, **dome), _end("hall", 2, **hall))


def test_where_nobody_could_look_nothing_is_claimed() -> None:
    blind = EndSeen("dome", "e0", "10.0.0.1", None), EndSeen("hall", "e0", "10.0.0.2", None)
    result = _nothing()
    assert explained(result, *blind) == result["sentence"]
    assert "filter" not in explained(result, *blind)
    assert explained(_stopped(), *blind) == _stopped()["sentence"]

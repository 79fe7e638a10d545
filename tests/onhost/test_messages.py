"""The closed table: what is not in it is refused on the host, whatever the controller has checked before."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import pytest

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.service import jobs, messages
from orchestrator.onhost.settings import CATALOGUE

PLACE = {"setting": "mtu", "target": "eth1", "level": 9000}
KNOWN = {**PLACE, "value": {"mtu": 1500, "children": {}, "ipv6": {}}, "ours": [9000], "unfinished": False}
PEERS = {"token": "ab" * 32, "interface": "eth1", "local": "198.18.0.11", "peer": "198.18.0.12", "family": 4}
FLOW = {"way": "transmit", "transport": "udp", "streams": 1, "intended_load_bit_s": 5e7, "datagram_bytes": 1472}
TRAFFIC = {
    **PEERS,
    "ports": [20000, 20001],
    "flows": [FLOW],
    "mtu": 1500,
    "rate_bit_s": 2.5e9,
    "watch_s": 0.2,
    "round_trip": True,
    "timeout_s": 60,
}
PATH = {**PEERS, "port": 20000, "mtu": 9000}
GOOD: dict[str, dict[str, Any]] = {
    "clock": {},
    "facts": {},
    "kernel": {},
    "survey": {},
    "watchdog": {},
    "control": {},
    "image": {"interfaces": ["eth1"]},
    "read": {"places": [PLACE]},
    "lease.acquire": {"run_id": "20260101T000000Z-ab", "holder": "ann@desk (pid 1)", "lease_s": 300},
    "lease.renew": {"token": 7, "lease_s": 300},
    "lease.listen": {"token": 7, "key": "ab" * 32},
    "lease.release": {"token": 7},
    "recover": {"run_id": ""},
    "prepare": {"token": 7, "interfaces": ["eth1"], "places": [PLACE]},
    "adopt": {"token": 7, "before": [KNOWN]},
    "apply": {"token": 7, "uses": [PLACE]},
    "confirm": {"token": 7},
    "verify": {"uses": [PLACE]},
    "restore": {"token": 7},
    "restart": {"token": 7},
    "possible": {"uses": [PLACE]},
    "compare": {"token": 7},
    "ready": {"interface": "eth1"},
    "forget": {"interface": "eth1", "peer": "2001:2::12"},
    "path.answer": PATH,
    "path.probe": PATH,
    "traffic.serve": TRAFFIC,
    "traffic.dial": TRAFFIC,
    "neighbours.answering": {"interface": "eth1", "address": "198.18.0.12", "source": "198.18.0.11"},
    "path.surroundings": {"interface": "eth1", "peer": "2001:2::12"},
    "external.watch": {
        "uses": [PLACE],
        "as_found": [{**PLACE, "level": None}],
        "interfaces": [{"interface": "eth1", "addresses": ["198.18.0.11", "fe80::1%eth1"]}],
    },
    "wiring.listen": {"token": "ab" * 32, "timeout_s": 3},
    "wiring.call": {"token": "ab" * 32, "interface": "eth1", "number": 1},
}
WRONG: list[tuple[str, dict[str, Any]]] = [
    ("lease.acquire", {"lease_s": 0}),
    ("lease.acquire", {"lease_s": 1e9}),
    ("lease.acquire", {"lease_s": float("nan")}),
    ("lease.acquire", {"run_id": ""}),
    ("lease.acquire", {"run_id": "../../etc"}),
    ("lease.acquire", {"run_id": "a" * 200}),
    ("lease.acquire", {"holder": "a\nb"}),
    ("lease.acquire", {"token": "7"}),
    ("lease.acquire", {"token": True}),
    ("lease.renew", {"token": -1}),
    ("lease.renew", {"token": 1.5}),
    ("lease.renew", {"token": 2**63}),
    ("image", {"interfaces": ["-h"]}),
    ("image", {"interfaces": ["a b"]}),
    ("image", {"interfaces": ["a" * 16]}),
    ("image", {"interfaces": ["../x"]}),
    ("image", {"interfaces": "eth1"}),
    ("image", {"interfaces": ["e"] * 65}),
    ("apply", {"uses": [{**PLACE, "setting": "voltage"}]}),
    ("apply", {"uses": [{**PLACE, "level": 67}]}),
    ("apply", {"uses": [{**PLACE, "level": 65536}]}),
    ("apply", {"uses": [{**PLACE, "level": "9,000"}]}),
    ("apply", {"uses": [{**PLACE, "level": True}]}),
    ("apply", {"uses": [{**PLACE, "target": "/etc"}]}),
    ("apply", {"uses": [{**PLACE, "more": 1}]}),
    ("apply", {"uses": [PLACE] * 1025}),
    ("apply", {"confirm_s": 1e9}),
    ("apply", {"uses": [{"setting": "mtu", "target": "eth1"}]}),
    ("external.watch", {"interfaces": [{"interface": "../x", "addresses": []}]}),
    ("external.watch", {"interfaces": [{"interface": "eth1", "addresses": ["a;b"]}]}),
    ("recover", {"accept": "yes"}),
    ("recover", {"accept": "a" * 63}),
    ("recover", {"run_id": "a b"}),
    ("forget", {"peer": "example.org"}),
    ("forget", {"peer": "1.2.3.4; id"}),
    ("ready", {"timeout_s": 1e6}),
    ("path.probe", {"port": 0}),
    ("path.probe", {"port": 70000}),
    ("path.probe", {"token": "AB" * 32}),
    ("path.probe", {"family": 5}),
    ("path.probe", {"mtu": 67}),
    ("traffic.dial", {"flows": []}),
    ("traffic.dial", {"flows": [FLOW] * 5}),
    ("traffic.dial", {"ports": []}),
    ("traffic.dial", {"flows": [{**FLOW, "streams": 0}]}),
    ("traffic.dial", {"flows": [{**FLOW, "streams": 257}]}),
    ("traffic.dial", {"flows": [{**FLOW, "way": "sideways"}]}),
    ("traffic.dial", {"flows": [{**FLOW, "transport": "x"}]}),
    ("traffic.dial", {"flows": [{**FLOW, "congestion": "../bbr"}]}),
    ("traffic.dial", {"flows": [{**FLOW, "dscp": 64}]}),
    ("traffic.dial", {"flows": [{**FLOW, "datagram_bytes": 65508}]}),
    ("traffic.dial", {"watch_s": 0}),
    ("neighbours.answering", {"address": "hall"}),
    ("neighbours.answering", {"interface": "../x"}),
    ("path.surroundings", {"peer": "1.2.3.4; id"}),
    ("path.surroundings", {"more": 1}),
    ("read", {"places": [{**PLACE, "level": [[[[[[[[1]]]]]]]]}]}),
    ("read", {"places": [{**PLACE, "level": "x" * 300_000}]}),
    ("read", {"places": [{**PLACE, "level": list(range(5000))}]}),
]


def _check(verb: str, args: Any, **more: Any) -> str:
    """The code of the refusal, or empty."""
    try:
        messages.check({"id": 1, "verb": verb, "args": args, "timeout_s": 10, **more})
    except Refusal as refusal:
        return refusal.code
    return ""


def test_every_verb_has_an_example_here_and_a_function_there() -> None:
    assert set(GOOD) == set(messages.VERBS)
    assert set(messages.VERBS) == set(jobs.INLINE) | jobs.BY_THE_LOOP | set(jobs.JOBS) - {"watch"}


@pytest.mark.parametrize("verb", sorted(GOOD))
def test_a_right_request_is_taken_and_any_key_more_or_less_is_not(verb: str) -> None:
    assert _check(verb, GOOD[verb]) == ""
    assert _check(verb, {**GOOD[verb], "more": 1}) == "bad_request"
    for key in GOOD[verb]:
        less = {other: value for other, value in GOOD[verb].items() if other != key}
        needed = _check(verb, less) == "bad_request"
        assert needed or _check(verb, {**GOOD[verb], key: None}) == "", f"{key} can be left out but not be nothing"
        assert _check(verb, {**GOOD[verb], key: {"a": object}}) == "bad_request"


@pytest.mark.parametrize(("verb", "change"), WRONG, ids=lambda value: str(value)[:60])
def test_a_value_out_of_its_range_is_refused(verb: str, change: dict[str, Any]) -> None:
    assert _check(verb, {**copy.deepcopy(GOOD[verb]), **change}) == "bad_request"


@pytest.mark.parametrize("name", sorted(CATALOGUE))
def test_every_setting_refuses_levels_that_are_none(name: str) -> None:
    """Generated from the catalogue: whatever it is a level of, these are not."""
    for level in ({}, {"level": {}}, [[]], "", "\x00", -(2**70), "$(id)\n", ["a", 1], {"read": ["cat"]}):
        place = {"setting": name, "target": "eth1", "level": level}
        assert _check("apply", {"token": 7, "uses": [place]}) == "bad_request", level


@pytest.mark.parametrize("verb", ["", "shell", "LEASE.TAKE", "watch", "lease", "apply\n", "__class__"])
def test_an_unknown_verb_is_refused(verb: str) -> None:
    assert _check(verb, {}) in ("unknown_verb", "bad_request")


@pytest.mark.parametrize(
    "more",
    [
        {"timeout_s": 0},
        {"timeout_s": 1e9},
        {"timeout_s": "1"},
        {"id": 0},
        {"id": "1"},
        {"extra": 1},
        {"args": []},
        {"verb": 7},
    ],
)
def test_an_envelope_of_another_shape_is_refused(more: dict[str, Any]) -> None:
    with pytest.raises(Refusal) as refused:
        messages.check({"id": 1, "verb": "facts", "args": {}, "timeout_s": 1, **more})
    assert refused.value.code == "bad_request"


@pytest.mark.parametrize(
    "plan", sorted((Path(__file__).parents[2] / "plans").rglob("*.yaml")), ids=lambda file: file.name
)
def test_what_the_shipped_plans_lead_to_is_taken(plan: Path) -> None:
    """The two sides of the wire agree on the traffic's keys, for every cell of every plan that ships."""
    from orchestrator.decide.traffic_args import LinkFacts, traffic_args
    from orchestrator.planning import cells, load

    binds = {"board": "a.example", "hall": "b.example", "dome": "c.example", "host": "d.example"}
    loaded = load(plan.read_text(), name=plan.name, binds=binds, catalogue=CATALOGUE)
    found = cells(loaded)
    end = {"interface": "eth1", "address": "198.18.0.11", "speed_bit_s": 2.5e9}
    facts = LinkFacts(2.5e9, 4, 1500, end, {**end, "address": "198.18.0.12"})
    for cell in found:
        link = loaded.links[cell.link]
        for verb, args in zip(
            ("traffic.dial", "traffic.serve"),
            traffic_args(cell, tuple(link.ports), facts, token="ab" * 32, timeout_s=60.0),
            strict=True,
        ):
            assert _check(verb, args) == "", (cell.key, args)


def test_what_an_mtu_remembers_of_ipv6_is_taken_back_from_the_journal() -> None:
    """A restarted guest refused it: its own answer to `prepare` was deeper than the check of a whole message took."""
    route = {"destination": "2001:2::/64", "metrics": {"hoplimit": 64}}
    value = {"mtu": 1500, "children": {}, "ipv6": {"eth1": {"addresses": [], "routes": [{"next": [route]}]}}}
    assert _check("adopt", {"token": 7, "before": [{**KNOWN, "value": value}]}) == ""
    assert _check("adopt", {"token": 7, "before": [{**KNOWN, "value": [[[[[[[[[1]]]]]]]]]}]}) == "bad_request"

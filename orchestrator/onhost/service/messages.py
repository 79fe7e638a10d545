"""The closed table of what a controller may ask: each verb's arguments with their shapes and ranges.

This is the privileged side's own check: nothing that the controller checked is taken on trust. An unknown verb, a
key too many, a value out of range or a level that its setting would not take is refused before a job is forked.
"""

from __future__ import annotations

from typing import Any, Dict, Mapping, NamedTuple, TypedDict, cast

from orchestrator.onhost.catalogue import setting_of
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety.state import KnownChange, LevelOfPlace
from orchestrator.onhost.service.shapes import (
    Check,
    either,
    flag,
    listing,
    maybe,
    number,
    one_of,
    plain,
    record,
    text,
    whole,
)

LONGEST_TIMEOUT_S = 26 * 3600.0  # a trial of 24 h, an hour of warm-up, and what surrounds them
INTERFACE = text(r"(?!-)[A-Za-z0-9_.:@-]{1,15}", 15)
TARGET = text(r"(?!-)[A-Za-z0-9_.:@-]{0,64}", 64)
ADDRESS = text(r"[0-9a-fA-F:.]{2,45}(%[A-Za-z0-9_.:@-]{1,15})?", 61)
HEX_TOKEN = text(r"[0-9a-f]{64}", 64)
RUN_ID = text(r"[A-Za-z0-9][A-Za-z0-9_.+-]{0,119}", 120)
FENCE = whole(1, 2**62)
LEASE_S = number(1, 2 * LONGEST_TIMEOUT_S)
RATE = maybe(number(1, 1e13))
COUNT = maybe(whole(1, 2**31))
CORE = maybe(whole(0, 8191))
NAME = text(r"[a-z0-9_-]{0,32}", 32)
_DEEPEST_VALUE, _ABOVE_A_VALUE = 8, 3  # arguments, list of places, place
VALUE = plain(_DEEPEST_VALUE, 2**16)  # an MTU's holds what IPv6 has on every interface of which it is the lower device
SETTING = text(r"[a-z][A-Za-z0-9_.@+/-]{0,199}", 200)  # dots and slashes: kernel parameters and features by name


# What a verb is given: of the shape that VERBS says, which each verb's function names with types of its own.
Arguments = Dict[str, Any]


class Request(NamedTuple):
    """A request that has passed all checks."""

    verb: str
    args: Arguments
    timeout_s: float


def _place(may_be_as_found: bool = False) -> Check:
    outline = record(
        {"setting": SETTING, "target": TARGET, "level": plain()}, {"as_found": flag} if may_be_as_found else {}
    )

    def check(value: object) -> str:
        return outline(value) or _level_problem(cast("LevelOfPlace", value))

    return check


def _known_place(value: object) -> str:
    """A place as the controller's journal knows it: with its before-value, and the levels that are ours."""
    ours = listing(plain(), 1024)
    problem = record(
        {"setting": SETTING, "target": TARGET, "level": plain(), "value": VALUE, "ours": ours, "unfinished": flag}
    )(value)
    if problem:
        return problem
    known = cast("KnownChange", value)
    levels = [known["level"], *known["ours"]]
    return next(
        filter(
            None,
            (
                _level_problem({"setting": known["setting"], "target": known["target"], "level": level})
                for level in levels
            ),
        ),
        "",
    )


def _level_problem(place: LevelOfPlace) -> str:
    """What the setting itself says against a level; None stands for "no level", when only reading."""
    name, level = place["setting"], place["level"]
    try:
        setting = setting_of(name)
    except KeyError:
        return f"names an unknown setting {name!r}"
    problem = "" if level is None else setting.problem_with(level)
    return f"has a level that {name} cannot be given: {problem}" if problem else ""


_OFFERED = maybe(
    record({}, {"bit_s": number(1, 1e13), "link_share": number(0, 2), "frames_s": number(0, 1e10), "search": flag})
)
_FLOW = record(
    {"way": one_of("transmit", "receive"), "transport": one_of("tcp", "udp")},
    {
        "direction": one_of("transmit", "receive", "bidirectional"),
        "streams": maybe(whole(1, 256)),
        "ip": maybe(one_of(4, 6)),
        "intended_load": _OFFERED,
        "intended_load_bit_s": RATE,
        "datagram_bytes": maybe(whole(1, 65507)),
        "congestion": maybe(NAME),
        "socket_buffer_bytes": maybe(whole(1, 2**31 - 1)),
        "segment_bytes": maybe(whole(1, 65535)),
        "pacing_bit_s": RATE,
        "dscp": maybe(whole(0, 63)),
        "sender_core": CORE,
        "receiver_core": CORE,
        "zero_copy": maybe(flag),
        "burst_datagrams": maybe(whole(1, 1024)),
        "send_path": maybe(one_of("segment", "batch", "single")),
        "receive_path": maybe(one_of("coalesce", "batch", "single")),
        "loss_ratio_limit": maybe(number(0, 1)),
    },
)
_PEERS = {"token": HEX_TOKEN, "interface": INTERFACE, "local": ADDRESS, "peer": ADDRESS, "family": one_of(4, 6)}
_TRAFFIC = record(
    {**_PEERS, "ports": listing(whole(1, 65535), 4096, 1), "flows": listing(_FLOW, 4, 1), "mtu": whole(68, 65536)},
    {
        "rate_bit_s": RATE,
        "watch_s": maybe(number(0.02, 60)),
        "round_trip": maybe(flag),
        "timeout_s": maybe(number(0.1, LONGEST_TIMEOUT_S)),
    },
)
_PATH = record(
    {**_PEERS, "port": whole(1, 65535), "mtu": whole(68, 65536)},
    {"small_first_timeout_s": maybe(number(0, 600)), "timeout_s": maybe(number(0.1, 3600))},
)
_READY = record(
    {"interface": INTERFACE},
    {
        "family": maybe(one_of(4, 6)),
        "timeout_s": maybe(number(0, 600)),
        "address": maybe(ADDRESS),
        "mtu": maybe(whole(68, 65536)),
        "speed_bit_s": RATE,
    },
)

VERBS: Dict[str, Check] = {
    "clock": record({}),
    "facts": record({}),
    "kernel": record({}),
    "survey": record({}),
    "image": record({"interfaces": listing(INTERFACE, 64)}),
    "read": record({"places": listing(_place(), 1024)}),
    "lease.acquire": record(
        {"run_id": RUN_ID, "holder": text(longest=200), "lease_s": LEASE_S}, {"token": maybe(FENCE)}
    ),
    "lease.renew": record({"token": FENCE, "lease_s": LEASE_S}),
    "lease.listen": record({"token": FENCE, "key": HEX_TOKEN}),
    "lease.release": record({"token": FENCE}),
    "watchdog": record({}),
    "recover": record({"run_id": either(one_of(""), RUN_ID)}, {"accept": maybe(HEX_TOKEN)}),
    "prepare": record({"token": FENCE, "interfaces": listing(INTERFACE, 64), "places": listing(_place(), 1024)}),
    "adopt": record({"token": FENCE, "before": listing(_known_place, 1024)}),
    "apply": record(
        {"token": FENCE, "uses": listing(_place(may_be_as_found=True), 1024)},
        {"confirm_s": maybe(number(0.5, 600)), "keep_others": maybe(flag)},
    ),
    "confirm": record({"token": FENCE}),
    "control": record({}),
    "possible": record({"uses": listing(_place(), 1024)}),
    "verify": record({"uses": listing(_place(), 1024)}),
    "restore": record({"token": FENCE}),
    "restart": record({"token": FENCE}),
    "compare": record({"token": FENCE}),
    "ready": _READY,
    "forget": record({"interface": INTERFACE, "peer": ADDRESS}),
    "neighbours.answering": record({"interface": INTERFACE, "address": ADDRESS, "source": ADDRESS}),
    "path.surroundings": record({"interface": INTERFACE, "peer": ADDRESS}),
    "path.answer": _PATH,
    "path.probe": _PATH,
    "wiring.listen": record({"token": HEX_TOKEN, "timeout_s": number(0.1, 600)}),
    "wiring.call": record({"token": HEX_TOKEN, "interface": INTERFACE, "number": whole(0, 65535)}),
    "external.watch": record(
        {
            "uses": listing(_place(), 1024),
            "as_found": listing(_place(), 1024),
            "interfaces": listing(record({"interface": INTERFACE, "addresses": listing(ADDRESS, 16)}), 64),
        }
    ),
    "traffic.serve": _TRAFFIC,
    "traffic.dial": _TRAFFIC,
}
_ENVELOPE = record(
    {
        "id": whole(1, 2**53),
        "verb": text(longest=40),
        "args": plain(_ABOVE_A_VALUE + _DEEPEST_VALUE, 2**20),
        "timeout_s": number(0.001, LONGEST_TIMEOUT_S),
    }
)


class Envelope(TypedDict):
    """A message that asks for something."""

    id: int
    verb: str
    args: Arguments
    timeout_s: float


def check(message: Mapping[str, object]) -> Request:
    """The request in a message; Refusal "unknown_verb" or "bad_request" when it is not one that this host takes."""
    problem = _ENVELOPE(message)
    if problem:
        raise Refusal("bad_request", f"the request {problem}")
    asked = cast("Envelope", message)
    verb, args = asked["verb"], asked["args"]
    if verb not in VERBS:
        raise Refusal("unknown_verb", f"this host knows no {verb!r}", verb=verb)
    problem = VERBS[verb](args)
    if problem:
        raise Refusal("bad_request", f"{verb}: the request {problem}", verb=verb)
    return Request(verb, args, asked["timeout_s"])

"""What a host may answer, verb by verb: the one place where a message from a host becomes something to build on.

A host may be broken, an old version, or somebody's: whatever is read of its answers further in has its shape from here.
Checks say what is wrong in words, "" where nothing is. What is not read by key may be any plain value; figures may be
missing where a system has none (None), and are never negative but for those that say so.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from orchestrator.onhost.service.shapes import Check, either, flag, listing, maybe, number, one_of, text, whole

_LARGEST = 2.0**64
_SIGNED = frozenset(
    {"clock_skew_ppm", "edge_error_bytes", "highest_sequence", "temperature_max_c", "counter_lag_s", "last_interval"}
)
_MANY = 1 << 17
TEXT = text(r"[\s\S]*", 1 << 16)
SHORT = text(r"[\s\S]*", 4096)
NUMBER = number(0, _LARGEST)
SIGNED = number(-_LARGEST, _LARGEST)
COUNT = whole(0, 2**64)
FIGURE = maybe(NUMBER)
TEXTS = listing(SHORT, 4096)


def anything(_: Any) -> str:
    """Any plain value: it is carried, and not read by key."""
    return ""


def shape(
    needed: Mapping[str, Check],
    optional: Mapping[str, Check] | None = None,
    others: Callable[[str, Any], str] = lambda _name, _value: "",
) -> Check:
    """An object with all of `needed`; `optional` is checked where it is there, the rest by `others`."""
    known = {**(optional or {}), **needed}

    def check(value: Any) -> str:
        if not isinstance(value, dict):
            return "must be an object"
        for key in needed:
            if key not in value:
                return f"lacks {key!r}"
        for key, entry in value.items():
            own = known.get(key)
            problem = own(entry) if own is not None else others(key, entry)
            if problem:
                return f"{key[:40]!r} {problem}"
        return ""

    return check


def table(inner: Check, most: int = _MANY) -> Check:
    """An object of any keys, each with a value that `inner` accepts."""

    def check(value: Any) -> str:
        if not isinstance(value, dict):
            return "must be an object"
        if len(value) > most:
            return f"has more than {most} entries"
        return next((f"{key[:40]!r} {problem}" for key, entry in value.items() if (problem := inner(entry))), "")

    return check


def _figure(name: str, value: Any) -> str:
    if isinstance(value, bool):
        return ""
    return maybe(SIGNED)(value) if name in _SIGNED else FIGURE(value)


def figures(
    texts: str = "", nested: Mapping[str, Check] | None = None, needed: Mapping[str, Check] | None = None
) -> Check:
    """An object of figures; `texts` names, by spaces, what is text in it."""
    return shape(needed or {}, {**dict.fromkeys(texts.split(), maybe(SHORT)), **(nested or {})}, _figure)


def _addresses(value: Any) -> str:
    """An interface's addresses, each of which is one."""
    if problem := _SPELLED_ADDRESSES(value):
        return problem
    for each in value:
        try:
            ipaddress.ip_interface(f"{each['address'].partition('%')[0]}/{each['prefix']}")
        except ValueError:
            return f"has {each['address'][:60]!r}/{each['prefix']}, which is no address"
    return ""


_ADDRESS = shape(
    {"address": SHORT, "prefix": whole(0, 128), "family": whole(0, 255), "scope": whole(0, 255)},
    {"peer": SHORT, "tentative": flag, "duplicate": flag},
)
_SPELLED_ADDRESSES = listing(_ADDRESS, 4096)
_TABLE = maybe(either(table(either(FIGURE, flag, SHORT), 4096), TEXTS))
_BUS = maybe(
    shape(
        {"kind": SHORT}, {"mbit_s": FIGURE, "speed": SHORT, "best_speed": SHORT, "width": FIGURE, "best_width": FIGURE}
    )
)
_INTERFACE = shape(
    {
        "name": SHORT,
        "index": whole(0, 2**32),
        "mac": SHORT,
        "permanent_mac": SHORT,
        "driver": SHORT,
        "driver_version": SHORT,
        "firmware": SHORT,
        "bus": SHORT,
        "kind": SHORT,
        "mtu": whole(0, 2**32),
        "min_mtu": maybe(whole(0, 2**32)),
        "max_mtu": maybe(whole(0, 2**32)),
        "speed_bit_s": FIGURE,
        "duplex": SHORT,
        "operstate": SHORT,
        "carrier": flag,
        "loopback": flag,
        "up": flag,
        "addresses": _addresses,
    },
    {
        "master": SHORT,
        "master_kind": SHORT,
        "bus_link": _BUS,
        "features": TEXTS,
        "queues": _TABLE,
        "rings": _TABLE,
        "channels": _TABLE,
        "pause": _TABLE,
        "coalescing": _TABLE,
        "energy_efficiency": _TABLE,
        "errors": table(NUMBER),
    },
)
_FACTS = {
    "system": SHORT,
    "family": SHORT,
    "hostname": SHORT,
    "kernel": SHORT,
    "kernel_build": SHORT,
    "machine": SHORT,
    "model": SHORT,
    "python": SHORT,
    "boot_id": SHORT,
    "netns": either(FIGURE, SHORT),
    "machine_id": SHORT,
    "uid": COUNT,
    "cpus": COUNT,
    "online_cpus": listing(COUNT, 65536),
    "monotonic_ns": COUNT,
    "boottime_ns": COUNT,
    "wall_ns": COUNT,
    "interfaces": listing(_INTERFACE, 8192),
}
_MODULES = listing(either(SHORT, TEXTS, table(either(SHORT, TEXTS))), 65536)
_KERNEL = shape(
    {
        "release": SHORT,
        "build": SHORT,
        "build_id": SHORT,
        "boot_parameters": TEXT,
        "configuration_sha256": SHORT,
        "modules_sha256": SHORT,
        "modules": _MODULES,
    }
)
_CONTROL = shape({"local": SHORT, "peer": SHORT, "interface": SHORT, "interfaces": TEXTS})
_ACTIVITY = shape(
    {
        "services": table(SHORT),
        "connection_tracking": FIGURE,
        "filters": maybe(TEXTS),
        "firmware_missing": maybe(TEXTS),
        "traffic_bit_s": table(SIGNED),
        "new_errors": table(table(NUMBER)),
    }
)
_POLICY = figures(
    needed={
        **dict.fromkeys(("policy", "cores", "governor", "driver"), SHORT),
        "governors": TEXTS,
        "max_khz": FIGURE,
        "hardware_max_khz": FIGURE,
    }
)
_CARD = shape(
    {
        "slot": SHORT,
        "ids": SHORT,
        "driver": SHORT,
        "interfaces": TEXTS,
        "modules": TEXTS,
        "other_kernels": table(TEXTS),
        "options": table(SHORT),
    }
)
_MACHINE = shape(
    {
        "boot_parameters": TEXT,
        "memory_bytes": NUMBER,
        "processor": SHORT,
        "clock_simulated": flag,
        "policies": listing(_POLICY, 65536),
    },
    {
        "throttles": FIGURE,
        "temperature_max_c": maybe(SIGNED),
        "temperature_limit_c": maybe(SIGNED),
        "idle_states": FIGURE,
        "under_voltage": maybe(TEXTS),
        "configuration_sha256": SHORT,
    },
)

_PLACE = {"setting": SHORT, "target": SHORT}
_STAY = listing(shape(_PLACE, {"why": TEXT, "command": TEXT}), 4096)
_DIFFERENCES = shape({"ok": flag, "touched": listing(shape({}), _MANY), "other": listing(shape({}), _MANY)})
_OUTCOME = {"restored": listing(shape(_PLACE), 4096), "left": _STAY, "conflicts": _STAY}
_RESTART = {"mark": SHORT, "restart": maybe(listing(shape(_PLACE), 4096))}
_CHANGE = shape({})  # read as text whatever is in it
_USES = shape(
    {
        "uses": listing(
            shape(
                {**_PLACE, "level": anything, "ok": flag, "seen": anything},
                {
                    "why": TEXT,
                    "code": SHORT,
                    "took_s": FIGURE,
                    "restart": flag,
                    "changed_outside": maybe(listing(_CHANGE, 4096)),
                },
            ),
            4096,
        )
    }
)
_HELD = shape(
    {"run_id": SHORT, "holder": SHORT, "left_s": NUMBER, "standing": SHORT}, {"since_wall_ns": COUNT, "lease_s": NUMBER}
)
_BEFORE = listing(shape({**_PLACE, "level": anything, "value": anything}), 4096)

_PAIRS = listing(listing(COUNT, 2, 2), _MANY)
_NETWORK = shape(
    {
        "routers": listing(shape({"mtu_bytes": FIGURE, "reported_by": maybe(SHORT)}), 4096),
        "refusals": COUNT,
        "refused_by": TEXTS,
        "too_long_here": listing(COUNT, _MANY),
        "dropped_here": COUNT,
    }
)
_PATH = {
    "role": SHORT,
    "mtu": COUNT,
    "small_received": COUNT,
    "received": _PAIRS,
    "sent": _PAIRS,
    "network": _NETWORK,
    "learned_mtu_bytes": FIGURE,
    "learned_mtu_bytes_after": FIGURE,
}

_THIRD = maybe(figures(needed={"mean": NUMBER, "deviation": NUMBER}))
_STRETCHES = figures(needed={"stretches": whole(1, 2**62), "intervals": COUNT, "longest": COUNT})
_STEADY = figures(
    needed={
        "empty": listing(_STRETCHES, _MANY),
        "levels": maybe(listing(NUMBER, 64, 2)),
        "early": _THIRD,
        "late": _THIRD,
        "interval_s": NUMBER,
        "intervals": COUNT,
        "octets": NUMBER,
    }
)
_TCP = figures("congestion")
_STREAM = figures(
    "counted_by jitter_basis receive_path send_path congestion error",
    {"process": figures(), "tcp": _TCP, "steadiness": _STEADY, "datagrams_by_phase": listing(COUNT, 16)},
)
_ALWAYS = {  # of a part, by transport and end
    ("tcp", "send"): ("sent_bytes", "window_sent_bytes"),
    ("tcp", "receive"): ("goodput_bytes", "received_bytes"),
    ("udp", "send"): ("sent_bytes", "window_sent_bytes", "datagram_bytes", "datagrams_sent", "window_datagrams_sent"),
    ("udp", "receive"): (
        "goodput_bytes",
        "received_bytes",
        "datagram_bytes",
        "datagrams_received",
        "window_datagrams_received",
    ),
}


def _part(value: Any) -> str:
    """One half of one way: its figures, and among them those that its kind always has."""
    if problem := _PART(value):
        return problem
    lacking = [name for name in _ALWAYS[value["transport"], value["part"]] if value.get(name) is None]
    return f"lacks {lacking[0]!r}" if lacking else ""


_PART = figures(
    "counted_by jitter_basis receive_path send_path congestion error",
    {"process": figures(), "tcp": _TCP, "steadiness": _STEADY, "streams": listing(_STREAM, 256)},
    {
        "way": one_of("transmit", "receive"),
        "part": one_of("send", "receive"),
        "transport": one_of("tcp", "udp"),
        "window_s": number(1e-6, 1e9),
    },
)
_CORE = figures(needed=dict.fromkeys(("core", "busy", "softirq", "irq", "steal"), NUMBER))
_WATCH = figures(
    "",
    {
        "cores": listing(_CORE, 65536),
        "kernel_threads": listing(shape({"name": SHORT, "share": NUMBER}), 4096),
        "kernel_warnings": listing(TEXT, 4096),
        "clocks": listing(figures("policy", {"cores": listing(COUNT, 65536)}), 65536),
    },
)
_COUNTERS = shape({"before": table(COUNT), "after": table(COUNT)})
_SEGMENTS = figures(
    needed={
        "way": SHORT,
        "sends": flag,
        "transmitted_payload_bytes": FIGURE,
        "out_of_order": FIGURE,
        **dict.fromkeys(
            ("header_bytes", "transmitted", "received", "transmitted_data", "received_data", "received_payload_bytes"),
            COUNT,
        ),
    }
)
_OWN_FRAMES = figures(
    needed={
        "tcp": listing(_SEGMENTS, 4096),
        "control": maybe(shape({"local": SHORT, "peer": SHORT, "segments": _SEGMENTS})),
        "acknowledgement_header_bytes": FIGURE,
        **dict.fromkeys(
            (
                "from_ns",
                "to_ns",
                "acknowledgements_looked_at",
                "probes_transmitted",
                "probes_received",
                "probe_payload_bytes",
            ),
            COUNT,
        ),
    }
)
_PROBES = figures()
_TRAFFIC = shape(
    {"parts": listing(_part, 16), "watch": _WATCH, "counters": _COUNTERS},
    {
        "own_frames": maybe(_OWN_FRAMES),
        "told": figures(),
        "queue": anything,
        "round_trip": maybe(shape({}, {"idle": maybe(_PROBES), "load": maybe(_PROBES)})),
    },
)
_EMPTY = shape({})


def _heard(value: Any) -> str:
    """One call that was heard: the caller's number, its interface's, and by which interface of the hearer."""
    fits = isinstance(value, list) and len(value) == 3 and not (COUNT(value[0]) or COUNT(value[1]) or SHORT(value[2]))
    return "" if fits else "must be two numbers and a name"


DONE: dict[str, Check] = {
    "clock": shape({"monotonic_ns": COUNT, "boottime_ns": COUNT, "wall_ns": COUNT}),
    "facts": shape(_FACTS),
    "kernel": _KERNEL,
    "survey": shape(
        {
            **_FACTS,
            "kernel_identity": _KERNEL,
            "machine_depth": _MACHINE,
            "activity": _ACTIVITY,
            "control": _CONTROL,
            "cards": listing(_CARD, 4096),
        }
    ),
    "image": shape({}),
    "read": shape({"places": listing(shape({**_PLACE, "level": anything, "value": anything}, {"why": TEXT}), 4096)}),
    "lease.acquire": shape({"token": whole(1, 2**62), "joined": flag}, {"earlier": anything, "left_s": NUMBER}),
    "lease.renew": shape({"left_s": NUMBER}),
    "lease.listen": shape({"port": whole(1, 65535), "boottime_ns": COUNT}),
    "lease.release": _EMPTY,
    "watchdog": shape({"alive": flag, "pid": COUNT, "record": maybe(_HELD)}),
    "recover": shape({"found": maybe(_HELD), **_OUTCOME, "compared": maybe(_DIFFERENCES)}, _RESTART),
    "prepare": shape({"before": _BEFORE, "image": maybe(shape({}))}),
    "adopt": shape({"before": _BEFORE}),
    "apply": _USES,
    "confirm": _EMPTY,
    "control": _CONTROL,
    "possible": shape({"problems": listing(shape({"why": TEXT}), 4096)}),
    "verify": _USES,
    "restore": shape(_OUTCOME, _RESTART),
    "restart": _EMPTY,
    "compare": _DIFFERENCES,
    "ready": shape(
        {"ready": flag, "why": TEXT, "waited_s": NUMBER, "mtu": COUNT},
        {"carrier": flag, "address": SHORT, "speed_bit_s": FIGURE, "up": flag, "there": flag, "negotiates": flag},
    ),
    "forget": shape({"forgotten": flag}, {"why": TEXT}),
    "neighbours.answering": shape({"macs": listing(SHORT, 4096)}),
    "path.surroundings": shape(
        {"up": flag, "carrier": flag, "neighbour": SHORT, "gateway": SHORT},
        {
            "leaves_by": maybe(SHORT),
            "filters": maybe(TEXTS),
            "strict_reverse_path": maybe(flag),
            "lower": listing(shape({}), 4096),
        },
    ),
    "path.answer": shape({**_PATH, "finished": flag}),
    "path.probe": shape(
        {
            **_PATH,
            "acknowledged": _PAIRS,
            "asked": _PAIRS,
            "waited_s": NUMBER,
            "small_sent": COUNT,
            "small_behind_full": COUNT,
        }
    ),
    "wiring.listen": shape({"heard": listing(_heard, _MANY)}),
    "wiring.call": _EMPTY,
    "external.watch": shape({"changes": listing(_CHANGE, _MANY)}),
    "traffic.serve": _TRAFFIC,
    "traffic.dial": _TRAFFIC,
}
_COLUMN = either(maybe(whole(-1, 2**64)), listing(maybe(whole(-1, 2**64)), _MANY))
_SERIES = shape(
    {
        "way": one_of("transmit", "receive"),
        "part": one_of("send", "receive"),
        "first": COUNT,
        "window_ns": whole(1, 2**62),
        "bytes": listing(COUNT, _MANY),
        "datagrams": _COLUMN,
    }
)
_WATCHED = shape({"t_ms": listing(whole(-(2**62), 2**62), _MANY), "cores": table(listing(_COLUMN, 16))})
_INTERVALS = shape({"series": listing(_SERIES, 64), "watch": listing(_WATCHED, 4096)})
EVENT = shape(
    {}, {"change": _CHANGE, "stage": SHORT, "say": TEXT, "waited_s": NUMBER, "port": COUNT, "intervals": _INTERVALS}
)
ERROR = shape({"code": text(r"[A-Za-z0-9_.-]+", 80), "message": TEXT, "values": shape({})})
HELLO = shape({"code": SHORT, "pid": COUNT, "uid": COUNT, "python": SHORT, "verbs": TEXTS})


# What answers place by place: the arguments' list, the answer's list.
_PLACE_BY_PLACE = {"read": ("places", "places"), "verify": ("uses", "uses"), "apply": ("uses", "uses")}


def problem_with(verb: str, kind: str, content: Any, args: Mapping[str, Any] | None = None) -> str:
    """What is wrong with an answer to `verb`; `kind` is event, done or error. "" when it is one of ours.

    `args` are what the host was asked, where the answer must be about just that.
    """
    if kind == "error":
        return ERROR(content)
    if kind == "event":
        return EVENT(content)
    problem = DONE.get(verb, _EMPTY)(content)
    if problem or args is None or verb not in _PLACE_BY_PLACE:
        return problem
    asked, told = _PLACE_BY_PLACE[verb]
    return "" if _names(args.get(asked, ())) == _names(content[told]) else "is about other places than were asked for"


def _names(places: Iterable[Mapping[str, Any]]) -> list[tuple[str, str]]:
    return sorted((str(place["setting"]), str(place["target"])) for place in places)

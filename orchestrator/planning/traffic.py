"""The traffic factors: what a plan can vary about the traffic itself, and what each level may be."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from orchestrator.planning.document import Json, shown
from orchestrator.planning.fields import spell
from orchestrator.planning.together import read_level
from orchestrator.words import units
from orchestrator.words.suggest import closest

# Every key of a flow, with what it is where the plan says nothing; None leaves it to the traffic pair. A cell that runs
# on several links at once has the key `together` beside them.
DEFAULTS: Mapping[str, Any] = MappingProxyType(
    {
        "transport": "tcp",
        "direction": "transmit",
        "streams": 1,
        "ip": None,
        "intended_load": None,
        "datagram_bytes": None,
        "congestion": None,
        "socket_buffer_bytes": None,
        "segment_bytes": None,
        "pacing_bit_s": None,
        "dscp": None,
        "sender_core": None,
        "receiver_core": None,
        "zero_copy": False,
        "burst_datagrams": None,
        "send_path": None,
        "receive_path": None,
        "loss_ratio_limit": None,
    }
)
# RFC 2474 s4.2.2.2, RFC 2597 s6, RFC 3246 s2.6: the code points that have names.
CODE_POINTS = {
    **{f"cs{number}": number * 8 for number in range(8)},
    **{f"af{group}{drop}": group * 8 + drop * 2 for group in range(1, 5) for drop in range(1, 4)},
    "ef": 46,
}
_MOST_SHARE = 2  # above 1 is an overload, which RFC 2285 s3.5.4 knows
_LEAST_DATAGRAM = 16  # a number and a time, of 8 bytes each, are in front of every payload
_LARGEST_DATAGRAM = 65_507  # 65,535 less 20 bytes of IPv4 header and 8 of UDP header (RFC 791, RFC 768)


class LevelError(ValueError):
    """A level that the traffic factor cannot have."""

    def __init__(self, message: str, suggestion: str = "", code: str = "bad-level") -> None:
        """What is wrong, and what to write instead."""
        super().__init__(message)
        self.code = code
        self.message = message
        self.suggestion = suggestion


@dataclass(frozen=True)
class TrafficFactor:
    """One traffic factor: its key in a cell's traffic, and how a level is read as (shown level, value of that key)."""

    name: str
    key: str
    unit: str
    domain_text: str
    example: str
    doc: str
    read: Callable[[Json], tuple[Json, Json]]
    transport: str = ""  # the only transport it applies to


def _one_of(*words: Json) -> Callable[[Json], tuple[Json, Json]]:
    """A reader of a closed set."""

    def read(level: Json) -> tuple[Json, Json]:
        for word in words:
            if type(level) is type(word) and level == word:
                return word, word
        same = next((word for word in words if str(word) == str(level)), None)
        near = closest(str(level), [str(word) for word in words])
        suggestion = f"did you mean {near}?" if near else ""
        if same is not None:
            suggestion = f'write "{same}" in quotes' if isinstance(same, str) else f"write {same} without quotes"
        raise LevelError(f"{shown(level)} is none of {', '.join(map(shown, words))}", suggestion)

    return read


def _whole(least: int, most: int) -> Callable[[Json], tuple[Json, Json]]:
    """A reader of a whole number between two bounds."""

    def read(level: Json) -> tuple[Json, Json]:
        if isinstance(level, bool) or not isinstance(level, int):
            digits = isinstance(level, str) and level.isdecimal() and level.isascii()
            raise LevelError(f"{shown(level)} is not a whole number", f"write {level} without quotes" if digits else "")
        if not least <= level <= most:
            raise LevelError(f"{level} is outside {least} to {most}")
        return level, level

    return read


def _quantity(kind: units.Kind, least: int, most: int) -> Callable[[Json], tuple[Json, Json]]:
    """A reader of a quantity between two bounds (base units)."""

    def read(level: Json) -> tuple[Json, Json]:
        value = _parsed(level, kind)[1]
        if not least <= value <= most:
            raise LevelError(f"{level} is outside {units.format_as(kind, least)} to {units.format_as(kind, most)}")
        return units.format_as(kind, value), value

    return read


def _parsed(level: Json, *kinds: units.Kind) -> tuple[units.Kind, int | float]:
    """A quantity, or the LevelError that says why not."""
    try:
        return units.parse(level, *kinds)
    except units.UnitError as error:
        raise LevelError(error.message, spell(error.spellings), error.code) from None


def _intended_load(level: Json) -> tuple[Json, Json]:
    """A payload rate, a share of the link's frame rate (RFC 2544), a frame rate, or `search`."""
    if level == "search":
        return "search", {"search": True}
    kind, value = _parsed(level, units.RATE, units.RATIO, units.FRAME_RATE)
    if kind is units.RATIO:
        if not 0 < value <= _MOST_SHARE:
            raise LevelError(f"{level} is outside 0% to {_MOST_SHARE:.0%} of the link's frame rate")
        return units.format_as(kind, value), {"link_share": value}
    if value <= 0:
        raise LevelError(f"{level} sends nothing")
    return units.format_as(kind, value), {"frames_s" if kind is units.FRAME_RATE else "bit_s": value}


def _dscp(level: Json) -> tuple[Json, Json]:
    """A code point by number or by name."""
    if isinstance(level, str):
        if level in CODE_POINTS:
            return level, CODE_POINTS[level]
        near = closest(level, CODE_POINTS)
        raise LevelError(
            f"'{level[:40]}' is no code point", f"did you mean {near}?" if near else "write 0 to 63, or cs1, af41, ef"
        )
    return _whole(0, 63)(level)


def _congestion(level: Json) -> tuple[Json, Json]:
    """A congestion control's name, as the kernel knows it."""
    if not isinstance(level, str) or not re.fullmatch(r"[a-z][a-z0-9_-]{0,15}", level, re.ASCII):
        raise LevelError(f"{shown(level)} cannot be the name of a congestion control", "such as cubic, reno or bbr")
    return level, level


def _together(level: Json) -> tuple[Json, Json]:
    """Which links run at once."""
    try:
        return read_level(level)
    except ValueError as error:
        raise LevelError(str(error), "write alone, all, or the links' names: [uplink, spare]") from None


def _loss_limit(level: Json) -> tuple[Json, Json]:
    """The largest loss that a search accepts."""
    value = _parsed(level, units.RATIO)[1]
    if not 0 <= value < 1:
        raise LevelError(f"{level} is outside 0% to 100%")
    return units.format_as(units.RATIO, value), value


_ALL = (
    TrafficFactor(
        "transport", "transport", "", "tcp, udp", "[tcp, udp]", "What carries the payload.", _one_of("tcp", "udp")
    ),
    TrafficFactor(
        "direction",
        "direction",
        "",
        "transmit, receive, bidirectional",
        "[transmit, receive]",
        "Which way traffic runs, seen from the interface under test.",
        _one_of("transmit", "receive", "bidirectional"),
    ),
    TrafficFactor(
        "streams", "streams", "", "1 to 128", "[1, 4]", "Connections or flows at once, each way.", _whole(1, 128)
    ),
    TrafficFactor(
        "ip",
        "ip",
        "",
        "4, 6",
        "[4, 6]",
        "The IP version; where it is no factor, IPv4 if both ends have it.",
        _one_of(4, 6),
    ),
    TrafficFactor(
        "intended_load",
        "intended_load",
        "bit/s, % or frame/s",
        "a payload rate; a share of the link's frame rate; frames",
        "[50%, 500Mbit/s, 100kframe/s]",
        "How fast UDP is sent, all streams together; unlimited where it is no factor.",
        _intended_load,
        "udp",
    ),
    TrafficFactor(
        "datagram_size",
        "datagram_bytes",
        "B",
        "16B to 65507B",
        "[64B, 1472B]",
        "UDP payload of one datagram; fills the MTU where it is no factor.",
        _quantity(units.SIZE, _LEAST_DATAGRAM, _LARGEST_DATAGRAM),
        "udp",
    ),
    TrafficFactor(
        "congestion",
        "congestion",
        "",
        "what the sending kernel offers",
        "[cubic, reno]",
        "TCP's congestion control.",
        _congestion,
        "tcp",
    ),
    TrafficFactor(
        "socket_buffer",
        "socket_buffer_bytes",
        "B",
        "4KiB to 1GiB",
        "[256KiB, 4MiB]",
        "Send and receive buffer of each socket; sized by the kernel where it is no factor.",
        _quantity(units.SIZE, 4096, 2**30),
    ),
    TrafficFactor(
        "mss",
        "segment_bytes",
        "B",
        "88B to 32767B",
        "[536B, 1448B]",
        "Upper bound of TCP's segment size.",
        _quantity(units.SIZE, 88, 32_767),
        "tcp",
    ),
    TrafficFactor(
        "pacing",
        "pacing_bit_s",
        "bit/s",
        "1Mbit/s to 1Tbit/s",
        "[900Mbit/s]",
        "Upper bound of each TCP stream's sending rate, kept by the kernel.",
        _quantity(units.RATE, 10**6, 10**12),
        "tcp",
    ),
    TrafficFactor(
        "dscp", "dscp", "", "0 to 63, or cs0..cs7, af11..af43, ef", "[0, ef]", "Code point in the IP header.", _dscp
    ),
    TrafficFactor(
        "sender_core",
        "sender_core",
        "",
        "0 to 1023",
        "[0, 3]",
        "The core that the sending process is kept on.",
        _whole(0, 1023),
    ),
    TrafficFactor(
        "receiver_core",
        "receiver_core",
        "",
        "0 to 1023",
        "[0, 3]",
        "The core that the receiving process is kept on.",
        _whole(0, 1023),
    ),
    TrafficFactor(
        "zero_copy",
        "zero_copy",
        "",
        "true, false",
        "[false, true]",
        "Send from kernel memory, without a copy.",
        _one_of(False, True),
        "tcp",
    ),
    TrafficFactor(
        "burst",
        "burst_datagrams",
        "",
        "1 to 1024",
        "[1, 8]",
        "Datagrams sent at once; at most 100 us of line time where it is no factor.",
        _whole(1, 1024),
        "udp",
    ),
    TrafficFactor(
        "send_with",
        "send_path",
        "",
        "segment, batch, single",
        "[segment, single]",
        "How UDP is handed to the kernel; the quickest that works where it is no factor.",
        _one_of("segment", "batch", "single"),
        "udp",
    ),
    TrafficFactor(
        "receive_with",
        "receive_path",
        "",
        "coalesce, batch, single",
        "[coalesce, single]",
        "How UDP is taken from the kernel; the quickest that works where it is no factor.",
        _one_of("coalesce", "batch", "single"),
        "udp",
    ),
    TrafficFactor(
        "loss_limit",
        "loss_ratio_limit",
        "%",
        "0% to 100%",
        "[0%, 0.001%]",
        "The largest loss that a throughput search accepts.",
        _loss_limit,
        "udp",
    ),
    TrafficFactor(
        "together",
        "together",
        "",
        "alone, all, or a list of links (the same as uplink+spare)",
        "[alone, all, [uplink, spare]]",
        "Whether the same traffic runs on several links at once, for cards with several ports; each link and their sum "
        "are reported.",
        _together,
    ),
)
TRAFFIC_FACTORS: Mapping[str, TrafficFactor] = MappingProxyType({factor.name: factor for factor in _ALL})

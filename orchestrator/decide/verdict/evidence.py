"""A trial's record laid out by way: what was sent, what arrived, and what both hosts' counters and cores did. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Protocol, cast

from orchestrator.decide.shapes.flows import (
    EndName,
    FlowResult,
    PartName,
    TcpFigures,
    WatchResult,
    WayName,
)
from orchestrator.decide.shapes.record import LinkFactsRecord, LinkRecord, LinkView, TrialRecord
from orchestrator.metrics.counters import increase
from orchestrator.wire import goodput_ceiling, segment_payload, wire_occupancy
from orchestrator.wire.segments import packet_of_datagram, packet_of_segment, packets_of_datagram, packets_of_segment

ETHERNET_HEADER_BYTES = 14  # what interface counters add to an IP packet; some cards add the check sequence too
_PAUSE = re.compile(r"^driver\.(?=.*(pause|xoff))(?!.*(xon|cbfc|prio|watchdog|storm|transition|duration))")


class _WireArithmetic(Protocol):
    """Something about packets of a payload on a line, given its rate in bit/s, MTU and family."""

    def __call__(self, rate: float, mtu: int, family: int, /, *, timestamps: bool, payload: int | None) -> float:
        """The figure."""


@dataclass(frozen=True)
class Side:
    """One end of the link in a trial: its counters' changes over the trial and its cores during the window."""

    host: str
    interface: str
    driver: str
    changes: Mapping[str, int]
    watch: WatchResult
    before: Mapping[str, int] = field(default_factory=dict)
    after: Mapping[str, int] = field(default_factory=dict)

    def until(self, last: Side) -> dict[str, int]:
        """The changes from this side's first reading to another's last one, of the same interface."""
        return _changes(self.before, last.after)

    def change(self, *names: str) -> int | None:
        """The sum of these counters' changes; None when the host keeps none of them."""
        known = [self.changes[name] for name in names if name in self.changes]
        return sum(known) if known else None

    def pause_frames(self, prefix: str) -> int | None:
        """Pause frames received ("rx") or sent ("tx"). A driver may count them twice, whole and by kind: the most."""
        named = [
            value
            for name, value in self.changes.items()
            if _PAUSE.match(name) and name.split(".", 1)[1].startswith(prefix)
        ]
        return max(named, default=None)


@dataclass(frozen=True)
class Way:
    """One way of a trial. `send` and `receive` are {} when that end gave no result."""

    way: WayName
    sender: Side
    receiver: Side
    send: FlowResult
    receive: FlowResult
    traffic: Mapping[str, Any]
    link_facts: LinkFactsRecord
    opposite_goodput_bit_s: float = 0.0
    links_at_once: int = 1
    role: str = "measure"  # of the trial
    fills_before: tuple[float, ...] = ()  # fills of the same way in earlier trials of the cell
    probes_lost: int = 0  # of the round-trip flow: frames of ours that were lost somewhere on the same link

    @property
    def transport(self) -> str:
        """The transport: tcp or udp."""
        return str(self.traffic.get("transport", "tcp"))

    @property
    def goodput_bit_s(self) -> float | None:
        """Payload bits per second at the receiver over its window; None without a result."""
        window_s = self.receive.get("window_s")
        return 8 * self.receive["goodput_bytes"] / window_s if window_s else None

    @property
    def offered_load_bit_s(self) -> float | None:
        """Payload bits per second that the sending host's queue took in its window."""
        window_s, sent = self.send.get("window_s"), self.send.get("window_sent_bytes")
        return 8 * sent / window_s if window_s and sent is not None else None

    @property
    def tcp(self) -> TcpFigures:
        """The sending kernel's view of the connections; {} for UDP."""
        return self.send.get("tcp") or {}

    @property
    def streams(self) -> int:
        """How many streams the cell asks for."""
        return int(self.traffic.get("streams") or 1)

    def tcp_share(self, name: str) -> float | None:
        """A time of TCP's own account, "busy_s" for one, as a share of the window, mean of the streams.

        A host that is late looks at other instants than the window's ends, and says how far apart they were.
        """
        seconds = cast("Mapping[str, float | None]", self.tcp).get(name)
        window_s = self.tcp.get("span_s") or self.send.get("window_s")
        return (
            seconds / window_s / max(len(self.send.get("streams") or ()), 1)
            if (seconds is not None and window_s)
            else None
        )

    @property
    def timestamps(self) -> bool:
        """Whether TCP carried timestamps: the segment size tells, as their 12 bytes come out of it."""
        mss, full = self.tcp.get("mss_bytes"), self._full_segment(timestamps=False)
        return not (mss is not None and full is not None and mss >= full)

    def _full_segment(self, *, timestamps: bool) -> int | None:
        if not self.link_facts:
            return None
        try:
            return segment_payload(
                int(self.link_facts["mtu"]),
                int(self.link_facts["family"]),
                timestamps=timestamps,
                segment_limit_bytes=self.traffic.get("segment_bytes"),
            )
        except ValueError:
            return None

    @property
    def expected_segment_bytes(self) -> int | None:
        """The segment size that the cell's MTU and clamp imply."""
        return self._full_segment(timestamps=self.timestamps)

    @property
    def payload_bytes(self) -> int | None:
        """Payload of one packet on the wire: the segment size in use, or the datagram's size."""
        size = self.tcp.get("mss_bytes") if self.transport == "tcp" else self.send.get("datagram_bytes")
        size = size or self.traffic.get("datagram_bytes")
        return int(size) if size else self._payload_of_mtu()

    def _payload_of_mtu(self) -> int | None:
        if self.transport == "tcp" or not self.link_facts:
            return self.expected_segment_bytes
        overhead = packet_of_datagram(0, int(self.link_facts["family"]))
        return int(self.link_facts["mtu"]) - overhead

    @property
    def packets_each(self) -> int:
        """IP packets that one payload makes: more than one where the MTU cuts a datagram into fragments."""
        return len(self._packets(self.payload_bytes or 0)) or 1

    def _packets(self, payload: int) -> list[int]:
        mtu, family = self.link_facts.get("mtu"), self.link_facts.get("family")
        if not payload or not mtu or not family:
            return []
        if self.transport == "udp":
            return packets_of_datagram(payload, int(mtu), int(family))
        return packets_of_segment(payload, int(mtu), int(family), timestamps=self.timestamps)

    @property
    def ceiling_bit_s(self) -> float | None:
        """The most goodput of this way, where the link's rate is known."""
        return self._wire(lambda rate, mtu, family, **how: goodput_ceiling(rate, mtu, family, self.transport, **how))

    @property
    def fill(self) -> float | None:
        """Goodput / ceiling."""
        goodput, ceiling = self.goodput_bit_s, self.ceiling_bit_s
        return goodput / ceiling if goodput is not None and ceiling else None

    @property
    def edge_error_ratio(self) -> float | None:
        """The most by which goodput may be off, as a share, for want of knowledge about the window's two ends."""
        octets, goodput = self.receive.get("edge_error_bytes"), self.receive.get("goodput_bytes")
        return octets / goodput if octets is not None and goodput else None

    @property
    def opposite_fill(self) -> float | None:
        """The other way's goodput over the same ceiling; None when nothing went the other way."""
        ceiling = self.ceiling_bit_s
        return self.opposite_goodput_bit_s / ceiling if ceiling and self.opposite_goodput_bit_s else None

    @property
    def wire_fill(self) -> float | None:
        """Share of this way's line time that is used, the other way's acknowledgements included."""
        goodput = self.goodput_bit_s
        if goodput is None:
            return None
        return self._wire(
            lambda rate, mtu, family, **how: wire_occupancy(
                goodput, rate, mtu, family, self.transport, opposite_goodput_bit_s=self.opposite_goodput_bit_s, **how
            )
        )

    def _wire(self, arithmetic: _WireArithmetic) -> float | None:
        facts = self.link_facts
        rate, mtu, family = facts.get("rate_bit_s"), facts.get("mtu"), facts.get("family")
        if not rate or not mtu or not family:
            return None
        try:
            return float(arithmetic(rate, mtu, family, timestamps=self.timestamps, payload=self.payload_bytes))
        except ValueError:
            return None

    @property
    def bytes_on_wire(self) -> float | None:
        """Octets that our own payload of this way makes on an interface's counters, acknowledgements apart."""
        payload, sent = self.payload_bytes, self.send.get("sent_bytes")
        if not payload or sent is None:
            return None
        again = self.tcp.get("bytes_retransmitted") or 0
        return float(sent + again) * sum(packet + ETHERNET_HEADER_BYTES for packet in self._packets(payload)) / payload


def each_link(record: TrialRecord) -> tuple[LinkView, ...]:
    """The record of each link of a trial as if it were alone; those of several at once share what is the trial's."""
    return tuple(one_link(record, part) for part in link_parts(record))


def link_parts(record: TrialRecord) -> tuple[LinkRecord, ...]:
    """What each link of a trial has of its own; the first link's part is the record itself."""
    whole = cast("LinkView", record).get("whole") or record
    return (whole, *(whole.get("beside") or ()))


def one_link(record: TrialRecord, part: LinkRecord) -> LinkView:
    """A trial as one of its links saw it."""
    whole = cast("LinkView", record).get("whole") or record
    after = {**(whole.get("after") or {}), **(part.get("after") or {})}
    at_once = 1 + len(whole.get("beside") or ())
    view = {**whole, **part, "after": after, "beside": None, "at_once": at_once, "whole": whole}
    return cast("LinkView", view)


def ways(record: TrialRecord) -> tuple[Way, ...]:
    """The ways of a trial in the order transmit, receive; those that were asked for, with or without a result."""
    facts = record.get("link_facts") or {}
    sides: dict[EndName, Side] = {"first": _side(record, "first"), "second": _side(record, "second")}
    found = [_way(record, way, sides, facts) for way in _ways_asked(record)]
    if len(found) == 2:
        goodputs = [way.goodput_bit_s or 0.0 for way in found]
        found = [
            replace(way, opposite_goodput_bit_s=other) for way, other in zip(found, reversed(goodputs), strict=True)
        ]
    return tuple(found)


def goodputs(record: TrialRecord) -> dict[str, float]:
    """Way -> goodput in bit/s of those that gave one; with the link before the way where several ran at once."""
    links = each_link(record)
    return {
        way.way if len(links) == 1 else f"{one['link']} {way.way}": way.goodput_bit_s
        for one in links
        for way in ways(one)
        if way.goodput_bit_s is not None
    }


def _ways_asked(record: TrialRecord) -> Iterator[WayName]:
    direction = (record.get("traffic") or {}).get("direction") or "transmit"
    if direction in ("transmit", "bidirectional"):
        yield "transmit"
    if direction in ("receive", "bidirectional"):
        yield "receive"


def _way(record: TrialRecord, way: WayName, sides: Mapping[EndName, Side], facts: LinkFactsRecord) -> Way:
    sender: EndName = "first" if way == "transmit" else "second"
    receiver: EndName = "second" if way == "transmit" else "first"
    return Way(
        way,
        sides[sender],
        sides[receiver],
        _part(record, sender, way, "send"),
        _part(record, receiver, way, "receive"),
        record.get("traffic") or {},
        facts,
        links_at_once=cast("LinkView", record).get("at_once") or 1,
        role=str(record.get("role") or "measure"),
        fills_before=tuple((record.get("fills_before") or {}).get(f"{record.get('link')} {way}") or ()),
        probes_lost=_probes_lost(record),
    )


def _probes_lost(record: TrialRecord) -> int:
    flow = (record.get("first") or {}).get("round_trip") or {}
    return sum(int((part or {}).get("lost") or 0) for part in (flow.get("idle"), flow.get("load")))


def _part(record: TrialRecord, end: EndName, way: WayName, part: PartName) -> FlowResult:
    for found in (record.get(end) or {}).get("parts") or ():
        if found.get("way") == way and found.get("part") == part:
            return found
    return {}


def _side(record: TrialRecord, end: EndName) -> Side:
    facts = (record.get("link_facts") or {}).get(end) or {}
    result = record.get(end) or {}
    counters = result.get("counters") or {}
    before, after = counters.get("before") or {}, counters.get("after") or {}
    return Side(
        str(facts.get("host", "")),
        str(facts.get("interface", "")),
        str(facts.get("driver") or ""),
        _changes(before, after),
        result.get("watch") or {},
        before,
        after,
    )


def _changes(before: Mapping[str, int], after: Mapping[str, int]) -> dict[str, int]:
    return {
        name: moved
        for name in after
        if name in before
        if (moved := _moved(name, before[name], after[name])) is not None
    }


def _moved(name: str, before: int, after: int) -> int | None:
    """A counter's change; what a driver shows among its counters may be a level, which falls as well as it rises."""
    return after - before if name.startswith("driver.") else increase(before, after)


def both_sides(record: TrialRecord) -> tuple[Side, Side]:
    """The first and the second end."""
    return _side(record, "first"), _side(record, "second")


def cross_traffic_bytes(side: Side, all_ways: tuple[Way, ...]) -> float | None:
    """An estimate of the octets that are not ours, both directions together; None when it cannot be told.

    For records whose hosts did not tell of our flows: `decide/verdict/account.py` knows better where they did.

    Acknowledgements are ours too, and how many were sent depends on the receiver: up to one for every second segment
    (RFC 9293 s3.8.6.3) they are not held against the link.
    """
    seen = side.change("interface.rx_bytes", "interface.tx_bytes")
    own = [way.bytes_on_wire for way in all_ways]
    if seen is None or not own or any(octets is None for octets in own):
        return None
    return max(
        0.0,
        seen
        - sum(octets + _acknowledgements(way) for octets, way in zip(own, all_ways, strict=True) if octets is not None)
        - _small_talk_bytes(all_ways),
    )


# Ours as well: the greeting, address resolution, the frame a second that keeps switches from flooding, and the
# round-trip flow (200 frames a second before the traffic and 50 within, each way, of 74 octets and more).
_SMALL_TALK_BYTES, _SMALL_TALK_BYTES_S = 30_000.0, 10_000.0


def _small_talk_bytes(all_ways: tuple[Way, ...]) -> float:
    window_s = max(float(way.receive.get("window_s") or 0.0) for way in all_ways)
    return _SMALL_TALK_BYTES + _SMALL_TALK_BYTES_S * window_s


def _acknowledgements(way: Way) -> float:
    payload, sent = way.payload_bytes, way.send.get("sent_bytes")
    if way.transport != "tcp" or not payload or sent is None:
        return 0.0
    bare = packet_of_segment(0, int(way.link_facts["family"]), timestamps=way.timestamps) + ETHERNET_HEADER_BYTES
    return float(sent) / payload / 2 * bare

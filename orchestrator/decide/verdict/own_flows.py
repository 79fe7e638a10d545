"""The frames and octets of our own flows at one end of a link, from what that end's host told of them. Pure.

Each end counts its own flows in the kernel's terms (`onhost/traffic/own_frames.py`), between the two readings of its
interface's counters; here they become frames and octets as an interface counts them, from the Ethernet header on.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from orchestrator.decide.shapes.flows import EndResult, FlowResult, OwnFrames, Segments
from orchestrator.decide.shapes.record import TrialRecord
from orchestrator.decide.verdict.evidence import ETHERNET_HEADER_BYTES, Side, Way, both_sides, ways
from orchestrator.decide.verdict.losses import dropped_in_silence
from orchestrator.wire.segments import ip_header_bytes, packet_of_datagram, packets_of_datagram

_MOST_SELECTIVE_BYTES = 28  # RFC 2018: what three blocks take beside timestamps


@dataclass(frozen=True)
class Carried:
    """Frames and octets in one direction of an interface. `unsure_bytes`: so many octets fewer it may have been."""

    frames: float = 0.0
    octets: float = 0.0
    unsure_bytes: float = 0.0

    def __add__(self, other: Carried) -> Carried:
        return Carried(self.frames + other.frames, self.octets + other.octets, self.unsure_bytes + other.unsure_bytes)

    def without(self, frames: float) -> Carried:
        """The same without so many frames of the mean size: those that a queue dropped."""
        left = max(0.0, 1 - frames / self.frames) if self.frames else 0.0
        return Carried(self.frames * left, self.octets * left, self.unsure_bytes * left)


@dataclass(frozen=True)
class LinkEnd:
    """One end of one link of a trial: what its host told, and what the other end's did."""

    side: Side
    address: str
    told: EndResult
    far: EndResult
    sends: tuple[Way, ...]
    receives: tuple[Way, ...]
    family: int
    mtu: int

    @property
    def own(self) -> OwnFrames:
        """The host's account of our flows; {} when it gave none."""
        return self.told.get("own_frames") or {}


def link_ends(link: TrialRecord) -> Iterator[LinkEnd]:
    """Both ends of one link's part of a record, where both gave results."""
    facts, first, second = link.get("link_facts"), link.get("first"), link.get("second")
    if not facts or not first or not second:
        return
    all_ways, (first_side, second_side) = ways(link), both_sides(link)
    for side, told, far, about, sent in (
        (first_side, first, second, facts.get("first"), "transmit"),
        (second_side, second, first, facts.get("second"), "receive"),
    ):
        yield LinkEnd(
            side,
            str((about or {}).get("address") or ""),
            told,
            far,
            tuple(way for way in all_ways if way.way == sent),
            tuple(way for way in all_ways if way.way != sent),
            int(facts["family"]),
            int(facts["mtu"]),
        )


def transmitted(end: LinkEnd) -> Carried:
    """What our flows put on this end's interface."""
    dropped = end.side.change("queue.drops") or 0 if not _sends_datagrams(end) else 0  # of those each sender was told
    segments = _sum(_connection(each, end, transmits=True) for each in end.own["tcp"]).without(dropped)
    return _sum(
        (
            segments,
            _probes(end, end.own["probes_transmitted"]),
            _control(end, transmits=True),
            *(_datagrams_sent(way, end) for way in end.sends if way.transport == "udp"),
            *(_signs(way.send, end) for way in end.sends),
            *(_signs(way.receive, end) for way in end.receives),
        )
    )


def received(end: LinkEnd) -> Carried:
    """What our flows brought to this end's interface."""
    return _sum(
        (
            *(_connection(each, end, transmits=False) for each in end.own["tcp"]),
            _probes(end, end.own["probes_received"]),
            _control(end, transmits=False),
            *(_datagrams_received(way, end) for way in end.receives if way.transport == "udp"),
            *(_signs(way.send, end) for way in end.receives),
            *(_signs(way.receive, end) for way in end.sends),
        )
    )


def _sum(parts: Iterable[Carried]) -> Carried:
    return sum(parts, Carried())


def _sends_datagrams(end: LinkEnd) -> bool:
    return any(way.transport == "udp" for way in end.sends)


def _connection(segments: Segments, end: LinkEnd, *, transmits: bool) -> Carried:
    """The segments of one connection in one direction: those with data, or the acknowledgements that come back."""
    frames = int(segments["transmitted" if transmits else "received"])
    bare = frames * (ETHERNET_HEADER_BYTES + ip_header_bytes(end.family) + int(segments["header_bytes"]))
    if segments["sends"] != transmits:
        return _acknowledgements(segments, end, frames, bare)
    data = int(segments["transmitted_data" if transmits else "received_data"])
    return Carried(frames, bare + data * _segment_payload(segments["way"], end, sends=transmits))


def _segment_payload(way: str, end: LinkEnd, *, sends: bool) -> float:
    """Mean payload of the way's segments that carried any, repeats included: only the sender knows their octets."""
    flows = [
        each
        for each in ((end.told if sends else end.far).get("own_frames") or {}).get("tcp", ())
        if each["way"] == way and each["sends"]
    ]
    data = sum(int(each["transmitted_data"]) for each in flows)
    known_octets = [each["transmitted_payload_bytes"] for each in flows]
    octets = [count for count in known_octets if count is not None]
    if data and len(octets) == len(flows):
        return float(sum(octets)) / data
    known = next((each.payload_bytes for each in (*end.sends, *end.receives) if each.way == way), None)
    return float(known or 0)


def _acknowledgements(segments: Segments, end: LinkEnd, frames: int, bare: int) -> Carried:
    """Bare acknowledgements, with the selective ones in their headers: as the data's sender saw a sample of them."""
    looked = (end.told if segments["sends"] else end.far).get("own_frames") or {}
    mean = looked.get("acknowledgement_header_bytes")
    if mean is not None:
        return Carried(frames, bare + frames * (mean - int(segments["header_bytes"])))
    if not _lossy(segments["way"], end):
        return Carried(frames, bare)
    return Carried(frames, bare + frames * _MOST_SELECTIVE_BYTES, frames * _MOST_SELECTIVE_BYTES)


def _lossy(way: str, end: LinkEnd) -> bool:
    """Whether segments of this way arrived out of order, or it is not known: then acknowledgements were selective."""
    counts = [
        each["out_of_order"]
        for told in (end.told, end.far)
        for each in (told.get("own_frames") or {}).get("tcp", ())
        if each["way"] == way and not each["sends"]
    ]
    return not counts or any(count != 0 for count in counts)


def _small(frames: int, payload_bytes: int, end: LinkEnd) -> Carried:
    """Small datagrams of ours, with all their payload."""
    return Carried(frames, frames * (ETHERNET_HEADER_BYTES + packet_of_datagram(0, end.family)) + payload_bytes)


def _probes(end: LinkEnd, frames: int) -> Carried:
    return _small(frames, frames * int(end.own["probe_payload_bytes"]), end)


def _signs(part: FlowResult, end: LinkEnd) -> Carried:
    """What an end of a UDP flow says beside its datagrams: that it is alive, or that this was the end."""
    return _small(int(part.get("signs_sent") or 0), int(part.get("signs_sent_bytes") or 0), end)


def _datagrams_sent(way: Way, end: LinkEnd) -> Carried:
    """Those that came to the interface: accepted by the own queue, and not dropped there afterwards."""
    return _datagrams(int(way.send.get("datagrams_sent") or 0) - dropped_in_silence(way), way, end)


def _datagrams_received(way: Way, end: LinkEnd) -> Carried:
    """Those that came to the interface, wherever they ended: in the process, at the socket or in the backlog."""
    got = int(way.receive.get("datagrams_received") or 0)
    came = got + int(way.receive.get("datagrams_duplicate") or 0) + int(way.receive.get("socket_drops") or 0)
    most = came + (end.side.change("softnet.dropped") or 0)
    if way.receive.get("socket_drops") and way.receive.get("receive_path") == "coalesce":
        most += max(0, int(way.send.get("datagrams_sent") or 0) - got)  # blocks were dropped, of unknown length
    whole = _datagrams(most, way, end)
    return whole + _fragments(way, end, whole.frames) + Carried(0, 0, whole.octets * (1 - came / most) if most else 0)


def _datagrams(count: int, way: Way, end: LinkEnd) -> Carried:
    packets = packets_of_datagram(int(way.payload_bytes or 0), end.mtu, end.family)
    return Carried(count * len(packets), count * sum(packet + ETHERNET_HEADER_BYTES for packet in packets))


def _fragments(way: Way, end: LinkEnd, whole: float) -> Carried:
    """Fragments of datagrams that were never whole again: the host counts each that it was to put together."""
    packets = packets_of_datagram(int(way.payload_bytes or 0), end.mtu, end.family)
    came = end.side.change("ip.ReasmReqds")
    if len(packets) == 1 or came is None or way.links_at_once > 1:
        return Carried()
    mean = sum(packets) / len(packets) + ETHERNET_HEADER_BYTES
    return Carried(max(0.0, came - whole), max(0.0, came - whole) * mean)


def _control(end: LinkEnd, *, transmits: bool) -> Carried:
    """The connection that carries our orders: as this end's host told it, or as the far end's did of its other side."""
    told, sent = end.own.get("control"), transmits
    if told is None:
        told, sent = (end.far.get("own_frames") or {}).get("control"), not transmits
        if told is None or told["peer"] != end.address:
            return Carried()
    segments, family = told["segments"], 6 if ":" in told["peer"] else 4
    frames = int(segments["transmitted" if sent else "received"])
    payload = segments["transmitted_payload_bytes" if sent else "received_payload_bytes"] or 0
    return Carried(
        frames, payload + frames * (ETHERNET_HEADER_BYTES + ip_header_bytes(family) + int(segments["header_bytes"]))
    )

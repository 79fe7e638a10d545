"""Whose the frames on a measured interface were: our own by flow, and what is left over, which is cross traffic. Pure.

Frames lead: how many of ours there were is known exactly, while the octets of some (acknowledgements with selective
ones in their headers; datagrams that a socket dropped in blocks) may be known within bounds only. So no frame left over
means no cross traffic, whatever the octets.

Where counters take a block of segments for one frame, fewer frames are counted than there were segments of ours. Then
only octets tell, short of the headers that were never counted: cross traffic is what no number of our own headers
explains, and `unsure_bytes` says how much more there may be.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from orchestrator.decide.shapes.record import TrialRecord
from orchestrator.decide.verdict.evidence import (
    ETHERNET_HEADER_BYTES,
    Side,
    both_sides,
    cross_traffic_bytes,
    link_parts,
    one_link,
    ways,
)
from orchestrator.decide.verdict.own_flows import Carried, LinkEnd, link_ends, received, transmitted

Place = tuple[str, str]  # a host and one of its interfaces
_Beside = tuple[int | None, int | None]
Basis = Literal["frames", "blocks", "estimate"]
_SMALLEST_FRAME_BYTES = 42  # address resolution over Ethernet, as an interface counts it before padding
_BESIDE_THE_PACKET_BYTES = 18  # header and tag
_CHECK_SEQUENCE_BYTES = 4
# What interfaces count of a frame: all from the Ethernet header on; none of that header (veth that polls, some virtual
# cards); the check sequence as well (some cards). Common practice of drivers, no source.
_COUNTED_BESIDE = (0, -ETHERNET_HEADER_BYTES, _CHECK_SEQUENCE_BYTES)
_STRAY_FRAMES, _STRAY_SHARE = 3, 0.002  # so many fewer than ours: read while they moved, or dropped on the way out
_UNSURE_SHARE = 0.0005  # of the octets: what a sample of acknowledgements may be off
_HEADERS_BYTES = ETHERNET_HEADER_BYTES + 20 + 32  # of a segment that left in a block, and was not counted with it


@dataclass(frozen=True)
class Account:
    """One interface in one trial, both directions together, in octets of frames from the Ethernet header on.

    `own_bytes` are those that our flows explain, `cross_bytes` the rest; that may be `unsure_bytes` more.
    """

    host: str
    interface: str
    seen_bytes: float
    cross_bytes: float
    unsure_bytes: float
    basis: Basis

    @property
    def own_bytes(self) -> float:
        """What is not cross traffic."""
        return self.seen_bytes - self.cross_bytes

    @property
    def cross_share(self) -> float:
        """Cross traffic / all octets."""
        return self.cross_bytes / self.seen_bytes if self.seen_bytes else 0.0


def accounts(record: TrialRecord) -> dict[Place, Account]:
    """(host, interface) -> its account, over all links of the trial that the record, or one link's part, is of."""
    links = [one_link(record, part) for part in link_parts(record)]
    found: dict[Place, list[LinkEnd]] = {}
    for end in (end for link in links for end in link_ends(link)):
        found.setdefault((end.side.host, end.side.interface), []).append(end)
    told = {place: _directions(ends) for place, ends in found.items() if all(end.own for end in ends)}
    drivers = _by_driver({place: found[place][0].side.driver for place in told}, told)
    made = {
        place: _account(place, both, drivers.get(found[place][0].side.driver, (None, None)))
        for place, both in told.items()
    }
    for link in links:
        for side in both_sides(link):
            if (side.host, side.interface) not in made:
                made[side.host, side.interface] = _estimated(side, link)
    return {place: account for place, account in made.items() if account is not None}


def _estimated(side: Side, link: TrialRecord) -> Account | None:
    """For a record whose hosts did not tell of our flows."""
    octets, seen = cross_traffic_bytes(side, ways(link)), side.change("interface.rx_bytes", "interface.tx_bytes")
    if octets is None or seen is None:
        return None
    return Account(side.host, side.interface, seen, octets, 0.0, "estimate")


def _directions(ends: Sequence[LinkEnd]) -> tuple[_Direction, _Direction] | None:
    """What one interface sent and received, and what of it was of the links of the trial that ended there."""
    counted = _counted(ends)
    if counted is None:
        return None
    largest = max(end.mtu for end in ends) + _BESIDE_THE_PACKET_BYTES
    sent, got = (
        _Direction(seen, sum(map(ours, ends), Carried()), largest)
        for seen, ours in zip(counted, (transmitted, received), strict=True)
    )
    return sent, got


def _by_driver(drivers: Mapping[Place, str], told: Mapping[Place, Directions | None]) -> dict[str, _Beside]:
    """What interfaces of a driver count beside a frame (sent, received), where an interface of the trial tells."""
    found: dict[str, _Beside] = {}
    for place, both in told.items():
        known = found.get(drivers[place], (None, None))
        mine = (both[0].seen_beside, both[1].seen_beside) if both else (None, None)
        found[drivers[place]] = (known[0] if mine[0] is None else mine[0], known[1] if mine[1] is None else mine[1])
    return found


def _account(place: Place, both: Directions | None, of_driver: _Beside) -> Account | None:
    """The account of one interface. What it counts beside a frame is told by this direction, by another interface of
    the same driver, or by the other direction.
    """
    if both is None:
        return None
    sent, got = both
    rests = (
        sent.rest(next((each for each in (of_driver[0], got.seen_beside) if each is not None), None)),
        got.rest(next((each for each in (of_driver[1], sent.seen_beside) if each is not None), None)),
    )
    return Account(
        *place,
        sum(rest.seen for rest in rests),
        sum(rest.octets for rest in rests),
        sum(rest.unsure_bytes for rest in rests),
        "blocks" if any(rest.basis == "blocks" for rest in rests) else "frames",
    )


def _counted(ends: Sequence[LinkEnd]) -> tuple[Carried, Carried] | None:
    """What the interface counted (sent, received), from the earliest reading to the latest of its links' ends."""
    first, last = (min(ends, key=lambda end: int(end.own["from_ns"])), max(ends, key=lambda end: int(end.own["to_ns"])))
    moved = first.side.until(last.side)
    names = [f"interface.{direction}_{what}" for direction in ("tx", "rx") for what in ("packets", "bytes")]
    if any(name not in moved for name in names):
        return None
    tx_frames, tx_octets, rx_frames, rx_octets = (moved[name] for name in names)
    return Carried(tx_frames, tx_octets), Carried(rx_frames, rx_octets)


@dataclass(frozen=True)
class _Direction:
    """One direction of an interface: what it counted, and what our own flows explain."""

    counted: Carried
    own: Carried
    largest: float

    @property
    def frames(self) -> float:
        """Frames left over; fewer than none where blocks of our segments were counted as one."""
        return self.counted.frames - self.own.frames

    @property
    def in_blocks(self) -> bool:
        """Whether counters took blocks of our segments for one frame."""
        return self.frames < -max(_STRAY_FRAMES, _STRAY_SHARE * self.own.frames)

    @property
    def seen_beside(self) -> int | None:
        """What the interface counts of a frame beside what lies between the Ethernet header's beginning and the check
        sequence: the only thing that leaves the frames left over a size that frames have; None where several do.
        """
        if self.in_blocks or not self.counted.frames:
            return None
        if self.frames <= 0:
            each = (self.counted.octets - self.own.octets + self.own.unsure_bytes / 2) / self.counted.frames
            return min(_COUNTED_BESIDE, key=lambda beside: abs(each - beside))
        able = [beside for beside in _COUNTED_BESIDE if self._is_possible(beside)]
        return able[0] if len(able) == 1 else None

    def _is_possible(self, beside: int) -> bool:
        octets = self.counted.octets - beside * self.counted.frames - self.own.octets
        tolerated = _UNSURE_SHARE * self.counted.octets
        return (
            _SMALLEST_FRAME_BYTES * self.frames - tolerated <= octets + self.own.unsure_bytes
            and octets <= self.largest * self.frames + tolerated
        )

    def rest(self, beside: int | None) -> _Rest:
        """What our own flows do not explain; `beside` as the other direction tells it, where this one does not."""
        if self.in_blocks:
            return self._rest_of_blocks()
        own_beside = self.seen_beside if self.seen_beside is not None else beside
        seen = self.counted.octets - (own_beside or 0) * self.counted.frames
        if self.frames <= 0:
            return _Rest(seen, 0.0, 0.0)
        octets = seen - self.own.octets
        least, most = _SMALLEST_FRAME_BYTES * self.frames, self.largest * self.frames
        in_doubt = self.own.unsure_bytes + (ETHERNET_HEADER_BYTES * self.counted.frames if own_beside is None else 0)
        if octets > most + in_doubt:
            return _Rest(seen, octets, in_doubt)  # somebody else's blocks, each counted as one frame
        octets = min(max(octets, least), most)
        return _Rest(seen, octets, min(in_doubt, most - octets))

    def _rest_of_blocks(self) -> _Rest:
        """Each frame that is missing is a header that was not counted; as many as if every frame were ours."""
        beyond = self.counted.octets - self.own.octets - self.frames * _HEADERS_BYTES
        unsure = self.counted.frames * _HEADERS_BYTES + self.own.unsure_bytes
        cross = beyond * self.largest / (self.largest - _HEADERS_BYTES)
        return _Rest(
            self.counted.octets, cross if beyond > _STRAY_SHARE * self.counted.octets else 0.0, unsure, "blocks"
        )


Directions = tuple[_Direction, _Direction]


@dataclass(frozen=True)
class _Rest:
    """What of one direction our own flows do not explain; all in octets from the Ethernet header on."""

    seen: float
    octets: float
    unsure_bytes: float
    basis: Basis = "frames"

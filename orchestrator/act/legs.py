"""What a trial runs between: its links with both their ends, and what each end's host is to watch meanwhile."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from orchestrator.act.session import HostSession
from orchestrator.decide.setup import LinkSetup
from orchestrator.decide.shapes.host_facts import InterfaceFacts
from orchestrator.decide.shapes.record import LinkRecord, Ready
from orchestrator.decide.state import RunState, place_of
from orchestrator.planning.cells import Cell
from orchestrator.stored import Json


@dataclass
class End:
    """One end of the link in this trial."""

    host: str
    session: HostSession
    token: int
    interface: str
    address: str
    facts: InterfaceFacts


@dataclass
class Leg:
    """One of the links that the trial runs on at once, with its part of the record; ordinarily there is one."""

    link: LinkSetup
    first: End
    second: End
    family: int
    record: LinkRecord

    @property
    def ends(self) -> tuple[End, End]:
        """The first and the second end."""
        return self.first, self.second


def look_at(end: End, answer: Ready) -> str:
    """What to look at when an end did not become ready."""
    if answer.get("carrier") and not answer.get("address", "unknown"):
        return f"look at its addresses: ip address show dev {end.interface} (on {end.host})"
    return "look at the cable, the peer and the link's settings"


def watch_orders(state: RunState, cell: Cell, legs: Sequence[Leg]) -> dict[str, tuple[HostSession, Json]]:
    """What each host of a trial is to watch: the cell's settings, those it leaves as found, and the measured ends."""
    ends = [end for leg in legs for end in leg.ends]
    orders: dict[str, tuple[HostSession, Json]] = {}
    for end in ends:
        host = state.hosts[end.host]
        used = {place_of(use, host): use for use in cell.settings if use.host == end.host}
        orders[end.host] = (
            end.session,
            {
                "uses": [{**host.places[place], "level": use.level} for place, use in used.items()],
                "as_found": [
                    {**where, "level": host.before_levels.get(place)}
                    for place, where in host.places.items()
                    if place not in used
                ],
                "interfaces": [
                    {
                        "interface": name,
                        "addresses": sorted(
                            {
                                one.address
                                for one in ends
                                if one.address and (one.host, one.interface) == (end.host, name)
                            }
                        ),
                    }
                    for name in sorted({one.interface for one in ends if one.host == end.host})
                ],
            },
        )
    return orders

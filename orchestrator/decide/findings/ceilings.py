"""What a link can carry at best, and which of its parts is the narrowest: port, bus, plan, framing. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass

from orchestrator import wire
from orchestrator.decide.findings.bus import bus_bit_s, bus_words
from orchestrator.decide.findings.finding import LinkNeed, rate_words
from orchestrator.decide.shapes.host_facts import InterfaceFacts, Survey

_DIRECTIONS = ("transmit", "receive")
PROCESSOR = "unknown until measured"


@dataclass(frozen=True)
class Ceiling:
    """The most goodput of a link in one direction at one MTU; None where no part's rate is known."""

    link: str
    direction: str
    mtu: int
    rate_bit_s: float | None
    tcp_bit_s: float | None
    udp_bit_s: float | None
    narrowest: str
    processor: str = PROCESSOR

    def as_dict(self) -> dict[str, object]:
        """For `--json` and the run's folder."""
        return asdict(self)


def ceilings(surveys: Mapping[str, Survey], needs: Sequence[LinkNeed], family: int = 4) -> list[Ceiling]:
    """For each link, direction and MTU asked for; the processor's part nobody knows beforehand.

    Every part here is as wide in one direction as in the other; the directions are told apart because the ends are.
    """
    found = []
    for need in needs:
        parts = list(_parts(need, surveys))
        rate, narrowest = min(parts, default=(None, "no part's rate is known"), key=lambda part: part[0] or 0)
        for mtu in need.mtus or _present_mtu(need, surveys):
            goodput = [
                None if rate is None else wire.goodput_ceiling(rate, mtu, family, transport)
                for transport in ("tcp", "udp")
            ]
            found += [
                Ceiling(need.name, direction, mtu, rate, goodput[0], goodput[1], narrowest) for direction in _DIRECTIONS
            ]
    return found


def _parts(need: LinkNeed, surveys: Mapping[str, Survey]) -> Iterator[tuple[float, str]]:
    """(bit/s, what it is) of every part whose rate is known; earlier ones win a tie."""
    if need.rate_bit_s:
        yield need.rate_bit_s, f"the rate that the plan names for the link ({rate_words(need.rate_bit_s)})"
    for host, name in need.ends:
        interface = _interface(surveys.get(host), name)
        if interface is None:
            continue
        if interface["speed_bit_s"]:
            yield interface["speed_bit_s"], f"the port of {host}:{name} ({rate_words(interface['speed_bit_s'])})"
        link = interface.get("bus_link")
        carries = bus_bit_s(link) if link else None
        if link and carries:
            yield carries, f"the bus of {host}:{name} ({bus_words(link)}, {rate_words(carries)} of payload)"


def _present_mtu(need: LinkNeed, surveys: Mapping[str, Survey]) -> list[int]:
    """Without levels in a plan: the smaller of the MTUs that the ends have now."""
    found = [
        interface["mtu"]
        for host, name in need.ends
        for interface in (_interface(surveys.get(host), name),)
        if interface
    ]
    return [min(found)] if found else []


def _interface(survey: Survey | None, name: str) -> InterfaceFacts | None:
    return next((each for each in survey["interfaces"] if each["name"] == name), None) if survey else None

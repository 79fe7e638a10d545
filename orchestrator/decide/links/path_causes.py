"""Why a path does not carry, from what both ends see around them: only what was looked at is named. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from orchestrator.decide.shapes.path import Lower, Surroundings
from orchestrator.decide.shapes.record import PathResult, Refusals

_UNANSWERED = ("", "incomplete", "failed")  # states of a neighbour entry without a hardware address
_NOTHING_FOUND = (
    "Both ends have carrier and know where to send, and no packet filter was found at either: what stops "
    "the frames lies between them."
)


@dataclass(frozen=True)
class EndSeen:
    """One end of a path and what its host sees around (onhost/path/surroundings.py); None where it could not look."""

    host: str
    interface: str
    address: str
    around: Surroundings | None

    @property
    def name(self) -> str:
        """host:interface."""
        return f"{self.host}:{self.interface}"


def explained(result: PathResult, first: EndSeen, second: EndSeen) -> str:
    """The path result's sentence, with the cause as far as it was found at the ends."""
    if result["verdict"] == "too_small":
        own = [text for end in (first, second) for text in _too_small_below(end, int(result["mtu"]))]
        if not own:
            return str(result["sentence"])
        return f"{result['finding']} {' '.join(own)}{_further(result, (first, second))}"
    causes = [*_off(first), *_off(second)]
    if not causes:
        refused = result["verdict"] == "refused"
        for end, other, place in ((first, second, "first"), (second, first, "second")):
            causes += _refused(result["refusals"][place], end, other) if refused else _silent(end, other)
    if not causes and first.around and second.around:
        causes = [_NOTHING_FOUND]
    return " ".join([str(result["sentence"]), *dict.fromkeys(causes)])


def _too_small_below(end: EndSeen, mtu: int) -> Iterator[str]:
    """What the end's interface lies on and what is not set to carry the frames."""
    for lower in _small(end, mtu):
        yield (
            f"{lower['name']} of {end.host}, {_part(lower)}, has an MTU of {lower['mtu']}: set it to {mtu} too (in "
            f"the plan: `at: {end.host} {lower['name']}`, or by hand: ip link set dev {lower['name']} mtu {mtu})."
        )


def _small(end: EndSeen, mtu: int) -> list[Lower]:
    return [lower for lower in (end.around or {}).get("lower", ()) if int(lower["mtu"]) < mtu]


def _part(lower: Lower) -> str:
    kinds = {"bridge": "a port of the bridge", "bond": "a part of the bond", "team": "a part of the team"}
    return (
        f"{kinds[lower['kind_above']]} {lower['above']}"
        if lower["kind_above"] in kinds
        else f"on which {lower['above']} lies"
    )


def _further(result: PathResult, ends: Sequence[EndSeen]) -> str:
    """Whether less passed than what the ends' own parts let through."""
    least = min(int(lower["mtu"]) for end in ends for lower in _small(end, int(result["mtu"])))
    passed = min(size for way, size in result["largest"].items() if not result["full"][way])
    return "" if passed >= least else f" Beyond that, something between the ends stops frames above {passed} bytes."


def _off(end: EndSeen) -> Iterator[str]:
    around = end.around
    if around is None:
        return
    if not around["up"]:
        yield f"{end.name} is switched off: ip link set dev {end.interface} up."
    elif not around["carrier"]:
        yield f"{end.name} has no carrier: look at its cable and at what it is plugged into."


def _refused(refusals: Refusals, end: EndSeen, other: EndSeen) -> Iterator[str]:
    """Who refused what `end` has sent."""
    if not refusals["times"]:
        return
    by = refusals["by"]
    if not by:
        yield f"A packet filter of {end.host} itself refuses what it is to send{_loaded(end)}."
    elif other.address in by:
        filters = (other.around or {}).get("filters")
        if filters:
            yield (f"{other.host} listens there, so a packet filter of it refuses{_loaded(other)}: {_allow(other)}.")
        elif filters is None:
            yield (
                f"{other.host} listens there, so either a packet filter of it refuses (not looked at: that needs "
                f"root), or the frames come in by another interface than {other.interface}."
            )
        else:
            yield (
                f"{other.host} listens on {other.interface} and has no packet filter: the frames come in by another "
                f"interface of it, or another machine answers with its address."
            )
    else:
        yield f"{', '.join(by)} is neither end: a router or firewall between them refuses."


def _silent(end: EndSeen, other: EndSeen) -> Iterator[str]:
    """What could swallow what comes from `other` to `end`, or keeps `end` from sending."""
    around = end.around
    if around is None:
        return
    if around["neighbour"] in _UNANSWERED:
        whom = f"the router {around['gateway']}" if around["gateway"] else other.address
        yield (
            f"{end.name} gets no answer when it asks its link for {whom}: a cable, a VLAN or a switch port between, "
            "or an address of another network."
        )
    elif around["strict_reverse_path"] and around["leaves_by"] not in (None, end.interface):
        yield (
            f"{end.host} drops what comes in by {end.interface}: its reverse-path filter is strict (rp_filter 1, "
            f"RFC 3704) and its way back leaves by {around['leaves_by']}: "
            f"sysctl -w net.ipv4.conf.{end.interface.replace('.', '/')}.rp_filter=2."
        )
    if around["filters"]:
        yield f"A packet filter is loaded on {end.host}{_loaded(end)} and may drop them: {_allow(end)}."


def _loaded(end: EndSeen) -> str:
    filters = (end.around or {}).get("filters")
    return f" (tables: {', '.join(filters)})" if filters else ""


def _allow(end: EndSeen) -> str:
    return (
        f'let the plan\'s ports in, for example: nft insert rule inet filter input iifname "{end.interface}" '
        "meta l4proto { tcp, udp } accept"
    )

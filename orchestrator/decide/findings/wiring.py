"""Whether the ends that a plan names are the ends of one cable, by frames that were heard. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from orchestrator.decide.findings.finding import Finding, LinkNeed

End = tuple[str, str]


@dataclass(frozen=True)
class Wire:
    """A broadcast frame of one end that was heard at another: both are (host, interface)."""

    caller: End
    hearer: End

    @property
    def words(self) -> str:
        """As a line for people."""
        return f"{place(self.caller)} is heard at {place(self.hearer)}"


def wiring_findings(wires: Sequence[Wire], needs: Sequence[LinkNeed]) -> list[Finding]:
    """Links whose ends do not hear each other although frames of theirs arrive somewhere else."""
    return [finding for need in needs for finding in _of_link(wires, need)]


def _of_link(wires: Sequence[Wire], need: LinkNeed) -> Iterator[Finding]:
    for caller, wanted in (need.ends, need.ends[::-1]):
        hearers = [wire.hearer for wire in wires if wire.caller == caller]
        if not hearers or wanted in hearers:
            continue  # heard nowhere says nothing: a router lies between, or there is no path, which its proof tells
        elsewhere = ", ".join(map(place, hearers))
        there = " or ".join(" ".join(hearer) for hearer in hearers)  # as a plan writes it
        yield Finding(
            "wired_elsewhere",
            "stops",
            caller[0],
            caller[1],
            f"frames of {place(caller)} arrive at {elsewhere}, and not at {place(wanted)}, which the plan "
            f"names as the other end of {need.name}",
            "another link than the one named would be measured, or none",
            f"name {there} in the plan, or put the cable where the plan says",
        )


def place(end: End) -> str:
    """host:interface."""
    return ":".join(end)

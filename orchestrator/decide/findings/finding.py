"""What a finding is, and what a plan needs of a bench. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass

from orchestrator.decide.shapes.host_facts import InterfaceFacts, Survey
from orchestrator.words.figures import stated_rate_text

# stops: the plan cannot be done so; limits: it measures this instead of the card; disturbs: it may spoil a trial;
# differs: two ends that a comparison would want alike
SEVERITIES = ("stops", "limits", "disturbs", "differs")


@dataclass(frozen=True)
class Finding:
    """One thing that is wrong, for a person."""

    code: str
    severity: str
    host: str
    subject: str  # an interface, a card's place, a service; "" for the host itself
    seen: str
    why: str
    what_to_do: str

    def as_dict(self) -> dict[str, str]:
        """For `--json` and the run's folder."""
        return asdict(self)


@dataclass(frozen=True)
class LinkNeed:
    """What a plan asks of a link: its two ends as (host, interface), the greatest MTUs, the ports."""

    name: str
    ends: tuple[tuple[str, str], tuple[str, str]]
    rate_bit_s: float | None = None
    mtus: tuple[int, ...] = ()
    ports: tuple[int, ...] = ()


def measured_interfaces(host: str, survey: Survey, needs: Iterable[LinkNeed]) -> list[InterfaceFacts]:
    """The interfaces to be looked at: the ends of the plan's links, or without a plan all that are switched on.

    Without a plan nobody knows what is to be measured: interfaces without hardware below them are left out then.
    """
    named = {interface for need in needs for end, interface in need.ends if end == host}
    return [
        each
        for each in survey["interfaces"]
        if each["name"] in named or (not named and each["operstate"] == "up" and each.get("bus"))
    ]


def needs_of(host: str, interface: str, needs: Iterable[LinkNeed]) -> Iterator[LinkNeed]:
    """The links that end at an interface."""
    return (need for need in needs if (host, interface) in need.ends)


def rate_words(rate_bit_s: float) -> str:
    """A rate as people say it."""
    return stated_rate_text(rate_bit_s)

"""The two ends side by side: what the survey said of each host, and where they differ. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from orchestrator.results.comparison.environment import facts_of, interface_of
from orchestrator.words.figures import rate_text
from orchestrator.words.plain_text import shortened

_HOST_FACTS = (
    ("model", "model"),
    ("machine", "architecture"),
    ("kernel", "kernel"),
    ("kernel_build", "kernel build"),
    ("python", "Python"),
    ("cpus", "cores"),
)
_INTERFACE_FACTS = (
    ("driver", "driver"),
    ("driver_version", "driver version"),
    ("firmware", "firmware"),
    ("bus", "bus address"),
    ("speed_bit_s", "speed"),
    ("duplex", "duplex"),
    ("max_mtu", "maximum MTU"),
    ("mac", "MAC"),
    ("addresses", "addresses"),
)
# These differ between any two machines, so a difference says nothing.
_ALWAYS_DIFFERENT = ("MAC", "addresses", "bus address")
_MEASURED = "the traffic pair alone"


@dataclass(frozen=True)
class EndRow:
    """One property, its value for every host in order; '' where unknown."""

    what: str
    values: tuple[str, ...]

    @property
    def differs(self) -> bool:
        """Whether hosts that know it disagree, where agreeing could be expected."""
        known = {value for value in self.values if value}
        return len(known) > 1 and not self.what.endswith(_ALWAYS_DIFFERENT) and not self.what.startswith(_MEASURED)


def compare(run: dict[str, Any]) -> tuple[tuple[str, ...], list[EndRow]]:
    """(the hosts' names, one row per property that any host knows)."""
    hosts = run.get("hosts")
    known = {str(name): facts_of(host) for name, host in hosts.items()} if isinstance(hosts, dict) else {}
    rows = [EndRow(what, tuple(_text(facts.get(key), key) for facts in known.values())) for key, what in _HOST_FACTS]
    rows += _instrument_rows(run, tuple(known))
    rows += [row for link, ends in _links(run) for row in _interface_rows(link, ends, known)]
    return tuple(known), [row for row in rows if any(row.values)]


def _instrument_rows(run: dict[str, Any], hosts: tuple[str, ...]) -> list[EndRow]:
    """What our own traffic pair reaches on each host over its loopback: no figure of that host can be more."""
    instrument = run.get("instrument")
    known = (
        {host: found for host, found in instrument.items() if isinstance(found, dict)}
        if isinstance(instrument, dict)
        else {}
    )
    transports = dict.fromkeys(str(name) for found in known.values() for name in found)
    return [
        EndRow(f"{_MEASURED}, {name}", tuple(_text(known.get(host, {}).get(name), "speed_bit_s") for host in hosts))
        for name in transports
    ]


def _links(run: dict[str, Any]) -> list[tuple[str, dict[str, str]]]:
    """Each link with its ends as {host: selector of the interface}."""
    links = run.get("links")
    out = []
    for name, link in links.items() if isinstance(links, dict) else ():
        ends = link.get("ends") if isinstance(link, dict) else None
        pairs = [end for end in ends if isinstance(end, list) and len(end) == 2] if isinstance(ends, list) else []
        out.append((str(name), {str(host): str(selector) for host, selector in pairs}))
    return out


def _interface_rows(link: str, ends: dict[str, str], known: dict[str, dict[str, Any]]) -> list[EndRow]:
    found = {host: interface_of(known[host], selector) for host, selector in ends.items() if host in known}
    rows = [EndRow(f"{link}: interface", tuple(str(found.get(host, {}).get("name", "")) for host in known))]
    rows += [
        EndRow(f"{link}: {what}", tuple(_text(found.get(host, {}).get(key), key) for host in known))
        for key, what in _INTERFACE_FACTS
    ]
    return rows


def _text(value: Any, key: str) -> str:
    if value in (None, "", []):
        return ""
    if key == "speed_bit_s" and isinstance(value, (int, float)):
        return rate_text(value)
    if key == "addresses" and isinstance(value, list):
        return ", ".join(f"{one.get('address')}/{one.get('prefix')}" for one in value if isinstance(one, dict))
    return shortened(value, 120)

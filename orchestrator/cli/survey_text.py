"""A survey as lines of text for a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from orchestrator.act.surveying import Surveyed
    from orchestrator.decide.findings import Ceiling, Finding
    from orchestrator.decide.shapes.host_facts import InterfaceFacts, Survey

_WIDTH = 110
_WORDS = {
    "stops": "stops the plan",
    "limits": "limits what can be measured",
    "disturbs": "may disturb a trial",
    "differs": "the ends differ",
}


def survey_lines(
    surveyed: Surveyed, found: list[Finding], rows: list[Ceiling], changes: list[str] | None
) -> Iterator[str]:
    """What the hosts are, what is wrong, what the links can carry; `changes` is None when nothing was compared."""
    for name, survey in surveyed.surveys.items():
        yield from _host(name, survey)
    for each in found:
        yield ""
        yield f"{each.host + ': ' if each.host else ''}{_WORDS[each.severity]} [{each.code}]"
        for text in (each.seen, f"why it matters: {each.why}", f"what to do: {each.what_to_do}"):
            yield from textwrap.wrap(text, _WIDTH, initial_indent="  ", subsequent_indent="    ")
    if surveyed.surveys and not found:
        yield ""
        yield "Nothing was found that stops, limits or disturbs a run."
    if rows:
        yield ""
        yield "The most that each link can carry (the processors' part is unknown until measured):"
        yield from (line for row in rows for line in _ceiling(row))
    if surveyed.wires or surveyed.wiring_fault:
        yield ""
        yield "Wiring, by a broadcast frame from each end:"
        yield from (f"  {wire.words}" for wire in surveyed.wires)
    if surveyed.wiring_fault:
        yield f"  not looked at: {surveyed.wiring_fault.message}"
    for name, path in surveyed.paths.items():
        yield ""
        yield f"Path of {name}: {path['sentence'] or 'frames of the present size pass both ways'}"
    if changes is not None:
        yield ""
        yield "Changed since the earlier survey:"
        yield from (f"  {line}" for line in changes or ["nothing"])


def _host(name: str, survey: Survey) -> Iterator[str]:
    machine = survey["machine_depth"]
    governors = ", ".join(sorted({each["governor"] for each in machine["policies"]}))
    parts = (
        survey["model"] or survey["machine"],
        f"kernel {survey['kernel']}",
        f"{survey['cpus']} cores",
        f"{machine['memory_bytes'] / 2**30:.1f} GiB",
        governors or "no choice of clock",
        f"Python {survey['python']}",
    )
    yield f"{name}: {', '.join(parts)}"
    for each in survey["interfaces"]:
        if not each["loopback"]:
            yield f"  {each['name']}: {', '.join(_interface_words(each))}"


def _interface_words(interface: InterfaceFacts) -> Iterator[str]:
    speed = interface["speed_bit_s"]
    yield interface["driver"] or interface["kind"] or "no driver"
    yield "carrier" if interface["carrier"] else "no carrier"
    yield f"{speed / 1e6:g} Mb/s {interface['duplex']} duplex" if speed else "speed unknown"
    yield f"MTU {interface['mtu']} (at most {interface['max_mtu'] or 'unknown'})"
    yield " ".join(one["address"] for one in interface["addresses"]) or "no address"


def _ceiling(row: Ceiling) -> Iterator[str]:
    where = f"  {row.link} {row.direction}, MTU {row.mtu}: "
    if row.tcp_bit_s is None or row.udp_bit_s is None:
        yield where + row.narrowest
    else:
        figures = f"TCP {row.tcp_bit_s / 1e6:.1f}, UDP {row.udp_bit_s / 1e6:.1f} Mb/s"
        yield f"{where}{figures}; the narrowest part is {row.narrowest}"

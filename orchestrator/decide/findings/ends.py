"""Two ends of a link that a comparison would want alike. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from orchestrator.decide.findings.finding import Finding, LinkNeed, rate_words
from orchestrator.decide.shapes.host_facts import InterfaceFacts, Survey

# offloads whose difference changes how frames look on the line and how many the stack sees
_OFFLOADS = (
    "tx-tcp-segmentation",
    "tx-tcp6-segmentation",
    "tx-udp-segmentation",
    "tx-generic-segmentation",
    "rx-gro",
    "rx-gro-hw",
    "rx-lro",
    "rx-checksum",
)


def end_findings(need: LinkNeed, surveys: Mapping[str, Survey]) -> Iterator[Finding]:
    """Where the two ends differ; nothing when one of them was not surveyed."""
    if not all(host in surveys for host, _ in need.ends):
        return
    (a, first), (b, second) = ((end, _interface(surveys[end[0]], end[1])) for end in need.ends)
    if not first or not second:
        return
    hosts = f"{a[0]} and {b[0]}"
    for what, one, other, why in _differences(surveys[a[0]], surveys[b[0]], first, second):
        yield Finding(
            "ends_differ",
            "differs",
            hosts,
            need.name,
            f"the ends of {need.name} differ in {what}: {a[0]} {one}, {b[0]} {other}",
            why,
            "make them alike, or name the difference when you compare",
        )


def _differences(
    one: Survey, other: Survey, first: InterfaceFacts, second: InterfaceFacts
) -> Iterator[tuple[str, str, str, str]]:
    if first["mtu"] != second["mtu"]:
        yield (
            "MTU",
            str(first["mtu"]),
            str(second["mtu"]),
            "the smaller one holds for both; larger frames of the other end vanish without a word",
        )
    if first["speed_bit_s"] and second["speed_bit_s"] and first["speed_bit_s"] != second["speed_bit_s"]:
        yield (
            "speed",
            rate_words(first["speed_bit_s"]),
            rate_words(second["speed_bit_s"]),
            "the slower port is the ceiling, and a switch between them queues and drops",
        )
    if one["kernel"] != other["kernel"]:
        yield "kernel", one["kernel"], other["kernel"], "a difference between directions may be one between kernels"
    if first["driver"] != second["driver"]:
        yield "driver", first["driver"], second["driver"], "a difference between directions may be one between drivers"
    unlike = [name for name in _OFFLOADS if (name in first.get("features", [])) != (name in second.get("features", []))]
    if unlike:
        yield (
            "offloads",
            _on(first, unlike),
            _on(second, unlike),
            "they decide how many packets the stack sees for the same traffic",
        )


def _on(interface: InterfaceFacts, names: list[str]) -> str:
    return "has " + (", ".join(name for name in names if name in interface.get("features", [])) or "none of these")


def _interface(survey: Survey, name: str) -> InterfaceFacts | None:
    return next((each for each in survey["interfaces"] if each["name"] == name), None)

"""What is wrong with a host as a whole: clocks, heat, power, services, packet filters. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from orchestrator.decide.findings.finding import Finding, LinkNeed, measured_interfaces
from orchestrator.decide.shapes.host_facts import ClockPolicy, MachineFacts, Survey

# drivers whose `powersave` follows the load like others' `schedutil`
_OWN_MEANING_OF_POWERSAVE = ("intel_pstate", "amd-pstate-epp")
_HOT_BELOW_LIMIT_C = 10.0
_HOT_C = 85.0  # where the machine names no limit: what small boards begin to slow down at; from memory, no source
_CLOCK_OFFSET_S = 60.0


def host_findings(host: str, survey: Survey, needs: Sequence[LinkNeed]) -> Iterator[Finding]:
    """In the order in which a person would check."""
    machine = survey.get("machine_depth") or {}
    yield from _power(host, machine)
    yield from _heat(host, machine)
    yield from _clocks(host, machine)
    yield from _services(host, survey)
    yield from _filters(host, survey, needs)
    yield from _wall_clock(host, survey)


def _power(host: str, machine: MachineFacts) -> Iterator[Finding]:
    for sensor in machine.get("under_voltage") or []:
        yield Finding(
            "under_voltage",
            "limits",
            host,
            sensor,
            f"the sensor {sensor} says that the voltage is too low",
            "a board with too little voltage slows itself down or drops its bus",
            "use the supply and the cable that the maker names",
        )


def _heat(host: str, machine: MachineFacts) -> Iterator[Finding]:
    celsius, limit = machine.get("temperature_max_c"), machine.get("temperature_limit_c")
    if celsius is not None and celsius >= ((limit - _HOT_BELOW_LIMIT_C) if limit else _HOT_C):
        at = f", and slows down at {limit:.0f}" if limit else ""
        yield Finding(
            "hot",
            "disturbs",
            host,
            "",
            f"it is {celsius:.0f} degrees Celsius warm before any load{at}",
            "it will slow itself down under load, and later trials will look worse than earlier ones",
            "cool it, or let the plan settle longer between trials",
        )
    if machine.get("throttles"):
        yield Finding(
            "throttled",
            "disturbs",
            host,
            "",
            f"its processor has slowed itself down {machine['throttles']} times since it started",
            "it gets too warm, or its power too little, for its full clock",
            "cool it before a long run, and look at the clock in the trials' rows",
        )


def _clocks(host: str, machine: MachineFacts) -> Iterator[Finding]:
    policies = machine.get("policies") or []
    slow = [
        each for each in policies if each["governor"] == "powersave" and each["driver"] not in _OWN_MEANING_OF_POWERSAVE
    ]
    if slow:
        yield Finding(
            "powersave",
            "limits",
            host,
            "",
            f"the governor of {_named(slow)} is powersave",
            "with this driver it holds the lowest clock, whatever the load",
            "vary it or hold it: governor: performance",
        )
    capped = [each for each in policies if 0 < (each["max_khz"] or 0) < (each["hardware_max_khz"] or 0)]
    if capped:
        present_khz, able_khz = capped[0]["max_khz"] or 0, capped[0]["hardware_max_khz"] or 0
        yield Finding(
            "clock_capped",
            "limits",
            host,
            "",
            f"the clock of {_named(capped)} may rise to {present_khz / 1e6:.2f} GHz, and could to {able_khz / 1e6:.2f}",
            "somebody, or a service, limits it",
            "max-frequency: highest, unless that is meant",
        )


def _named(policies: Sequence[ClockPolicy]) -> str:
    return ", ".join(str(each["policy"]) for each in policies)


def _services(host: str, survey: Survey) -> Iterator[Finding]:
    for name, what in sorted(((survey.get("activity") or {}).get("services") or {}).items()):
        yield Finding(
            "disturbing_service",
            "disturbs",
            host,
            name,
            f"{name} runs, which {what}",
            "it may change or load the host in the middle of a trial",
            f"stop it for the night (systemctl stop {name}), or tell it to leave the measured interfaces alone",
        )


def _filters(host: str, survey: Survey, needs: Sequence[LinkNeed]) -> Iterator[Finding]:
    activity = survey.get("activity") or {}
    tracked, filters = activity.get("connection_tracking"), activity.get("filters") or []
    if tracked:
        yield Finding(
            "connection_tracking",
            "limits",
            host,
            "",
            f"the kernel tracks connections ({tracked} now)",
            "every packet is looked up in a table: small frames feel it, and a full table drops new flows",
            'leave the measured interface out of it, for example: nft add rule ... iifname "eth1" notrack',
        )
    if filters:
        yield Finding(
            "packet_filter",
            "disturbs",
            host,
            "",
            f"packet filters are loaded: {', '.join(filters)}",
            "a filter may drop the test traffic, and costs time for every packet",
            "allow the plan's ports" + _rule(host, survey, needs),
        )


def _rule(host: str, survey: Survey, needs: Sequence[LinkNeed]) -> str:
    """The rule to add, for the ports and the interface that are to be measured."""
    ports = sorted({port for need in needs for port in need.ports if host in (end for end, _ in need.ends)})
    names = [each["name"] for each in measured_interfaces(host, survey, needs)]
    if not ports or not names:
        return ""
    return (
        f': nft insert rule inet filter input iifname "{names[0]}" meta l4proto {{ tcp, udp }} '
        f"th dport {ports[0]}-{ports[-1]} accept"
    )


def _wall_clock(host: str, survey: Survey) -> Iterator[Finding]:
    offset_s = survey.get("clock_offset_s")
    if offset_s is not None and abs(offset_s) > _CLOCK_OFFSET_S:
        yield Finding(
            "wall_clock",
            "disturbs",
            host,
            "",
            f"its clock is {offset_s:+.0f} s from ours",
            "measurements do not use it, but logs of the two cannot be laid side by side",
            "set it, or let it be synchronised before the run: a jump in mid-run confuses everybody's logs",
        )

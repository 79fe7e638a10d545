"""What changed between two surveys of the same hosts, one line each. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from orchestrator.decide.shapes.host_facts import InterfaceFacts, Survey

_HOST = {
    "kernel": "kernel",
    "kernel_build": "kernel build",
    "machine": "architecture",
    "model": "model",
    "python": "Python",
    "cpus": "cores",
    "online_cpus": "cores online",
}
_MACHINE = {
    "boot_parameters": "boot parameters",
    "configuration_sha256": "kernel configuration",
    "memory_bytes": "memory",
    "processor": "processor",
}
_IDENTITY = {"build_id": "kernel build id", "modules_sha256": "loaded modules"}
_INTERFACE = {
    "driver": "driver",
    "driver_version": "driver version",
    "firmware": "firmware",
    "bus": "bus address",
    "bus_link": "bus",
    "mtu": "MTU",
    "max_mtu": "greatest MTU",
    "speed_bit_s": "speed",
    "duplex": "duplex",
    "autoneg": "negotiation",
    "rings": "rings",
    "channels": "channels",
    "pause": "pause frames",
    "coalescing": "interrupt coalescing",
    "interrupts": "interrupt cores",
    "queues": "queues",
}
_POLICY = {"governor": "governor", "min_khz": "least clock", "max_khz": "greatest clock"}
_MOST_CHARACTERS = 60
_Things = Mapping[str, Mapping[str, object]]  # by name


def survey_changes(before: Mapping[str, Survey], now: Mapping[str, Survey]) -> list[str]:
    """Kernel, driver, firmware and settings that differ, for every host of both surveys, in a stable order."""
    return [line for host in before if host in now for line in _host_changes(host, before[host], now[host])]


def _host_changes(host: str, before: Survey, now: Survey) -> Iterator[str]:
    yield from _values(host, _HOST, before, now)
    yield from _values(host, _IDENTITY, before.get("kernel_identity") or {}, now.get("kernel_identity") or {})
    yield from _values(host, _MACHINE, before.get("machine_depth") or {}, now.get("machine_depth") or {})
    yield from _named(
        host,
        _POLICY,
        *(
            {each["policy"]: each for each in (survey.get("machine_depth") or {}).get("policies", [])}
            for survey in (before, now)
        ),
    )
    interfaces = [{each["name"]: each for each in survey["interfaces"]} for survey in (before, now)]
    yield from _named(host, _INTERFACE, *interfaces)
    for name in sorted(interfaces[0].keys() & interfaces[1].keys()):
        yield from _features(f"{host}:{name}", interfaces[0][name], interfaces[1][name])


def _named(host: str, words: Mapping[str, str], before: _Things, now: _Things) -> Iterator[str]:
    """Things with names: those that came, went, or have other values."""
    for name in sorted(before.keys() | now.keys()):
        if name not in now:
            yield f"{host}: {name} is gone"
        elif name not in before:
            yield f"{host}: {name} is new"
        else:
            yield from _values(f"{host}:{name}", words, before[name], now[name])


def _values(
    where: str, words: Mapping[str, str], before: Mapping[str, object], now: Mapping[str, object]
) -> Iterator[str]:
    for key, called in words.items():
        if key in before and key in now and before[key] != now[key]:
            yield f"{where}: {called} {_shown(before[key])} -> {_shown(now[key])}"


def _features(where: str, before: InterfaceFacts, now: InterfaceFacts) -> Iterator[str]:
    was, is_now = set(before.get("features") or []), set(now.get("features") or [])
    if "features" in before and "features" in now:
        yield from (f"{where}: {name} on -> off" for name in sorted(was - is_now))
        yield from (f"{where}: {name} off -> on" for name in sorted(is_now - was))


def _shown(value: object) -> str:
    text = "none" if value in (None, "") else str(value)
    return text if len(text) <= _MOST_CHARACTERS else text[:_MOST_CHARACTERS] + "..."

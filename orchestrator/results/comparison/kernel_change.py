"""Whether hosts run another kernel than a reference run did: what `run --if-changed kernel` asks. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from orchestrator.results.comparison.environment import Unlike, facts_of, interface_of
from orchestrator.words.plain_text import shortened

_LONGEST = 200
_MOST_MODULES = 5
_ALWAYS_THERE = (("kernel", "kernel"), ("kernel_build", "kernel build"))
_IDENTITY = (
    ("build_id", "kernel build id"),
    ("configuration_sha256", "kernel configuration"),
    ("boot_parameters", "boot parameters"),
)
_DRIVER = (("driver", "driver"), ("driver_version", "driver version"), ("firmware", "firmware"))

Facts = Mapping[str, Any]


def kernel_changes(reference: Mapping[str, Any], now: Mapping[str, Facts]) -> list[Unlike]:
    """What differs, host by host, between a reference's run.json and what hosts tell now.

    Kernel, build, configuration, boot parameters, modules that were rebuilt, and the driver of measured interfaces.
    What only one side tells is no difference, save the kernel itself: an older run recorded less. Modules that are
    loaded on one side only are none either, because measuring loads some.
    """
    hosts = reference.get("hosts")
    was = {name: facts_of(host) for name, host in hosts.items()} if isinstance(hosts, dict) else {}
    return [
        change
        for name, facts in now.items()
        for change in (*_of_host(name, was.get(name, {}), facts), *_of_links(reference, name, was.get(name, {}), facts))
    ]


def _of_host(name: str, was: Facts, now: Facts) -> Iterator[Unlike]:
    for key, what in _ALWAYS_THERE:
        if was.get(key) != now.get(key):
            yield Unlike(f"{name}: {what}", _text(was.get(key)), _text(now.get(key)))
    one, other = _identity(was), _identity(now)
    for key, what in _IDENTITY:
        yield from _if_both(f"{name}: {what}", one.get(key), other.get(key))
    if was.get("kernel") == now.get("kernel"):  # another kernel's modules are all others
        yield from _rebuilt(name, _modules(one), _modules(other))


def _rebuilt(name: str, was: Mapping[str, str], now: Mapping[str, str]) -> Iterator[Unlike]:
    found = [module for module in was if was[module] and now.get(module) and was[module] != now[module]]
    for module in found[:_MOST_MODULES]:
        yield Unlike(f"{name}: module {shortened(module, _LONGEST)}", was[module], now[module])
    if len(found) > _MOST_MODULES:
        yield Unlike(f"{name}: more rebuilt modules", "", str(len(found) - _MOST_MODULES))


def _of_links(reference: Mapping[str, Any], name: str, was: Facts, now: Facts) -> Iterator[Unlike]:
    links = reference.get("links")
    for link, about in links.items() if isinstance(links, dict) else ():
        for end in about.get("ends", ()) if isinstance(about, dict) else ():
            if not (isinstance(end, list) and len(end) == 2 and end[0] == name):
                continue
            one, other = (interface_of(dict(facts), str(end[1])) for facts in (was, now))
            for key, what in _DRIVER:
                yield from _if_both(f"{link}, {name}: {what}", one.get(key), other.get(key))


def _if_both(what: str, was: Any, now: Any) -> Iterator[Unlike]:
    if was and now and was != now:
        yield Unlike(what, _text(was), _text(now))


def _identity(facts: Facts) -> Mapping[str, Any]:
    identity = facts.get("kernel_identity")
    return identity if isinstance(identity, dict) else {}


def _modules(identity: Mapping[str, Any]) -> dict[str, str]:
    listed = identity.get("modules")
    pairs = (str(line).partition(" ") for line in listed) if isinstance(listed, list) else ()
    return {module: known for module, _, known in pairs}


def _text(value: Any) -> str:
    return "" if value is None else shortened(value, _LONGEST)

"""Which interface an end of a link is, from what the host told about itself."""

from __future__ import annotations

from orchestrator.decide.shapes.host_facts import HostFacts, InterfaceFacts
from orchestrator.faults import HostError
from orchestrator.planning.cells import BOOT_LINES, COMMAND, SettingUse

_BY = {"mac": ("mac", "permanent_mac"), "bus": ("bus",), "driver": ("driver",)}


def interface_of(selector: str, facts: HostFacts, host: str = "") -> str:
    """The name of the interface that the plan means by name, `mac:`, `bus:` or `driver:`; HostError when not one."""
    kind, separator, wanted = selector.partition(":")
    interfaces = facts.get("interfaces", [])
    if separator and kind in _BY:
        found = [
            i["name"] for i in interfaces if any(str(i.get(key) or "").lower() == wanted.lower() for key in _BY[kind])
        ]
    else:
        found = [i["name"] for i in interfaces if i["name"] == selector]
    if len(found) == 1:
        return str(found[0])
    names = ", ".join(i["name"] for i in interfaces if not i.get("loopback")) or "none"
    why = "no interface of this host is" if not found else f"{len(found)} interfaces ({', '.join(found)}) are"
    raise HostError(
        "interface_unknown",
        f"{host}: {why} {selector!r}",
        host=host,
        selector=selector,
        next_step=f"name one of its interfaces in the plan: {names}",
    )


def target_of(use: SettingUse, facts: HostFacts) -> str:
    """What a setting acts on at the host: an interface's name; its factor's, where there may be several; or nothing."""
    if use.setting in (COMMAND, BOOT_LINES):
        return use.factor
    return interface_of(use.selector, facts, use.host) if use.selector else ""


def interface_facts(name: str, facts: HostFacts) -> InterfaceFacts:
    """What the host told about one of its interfaces."""
    return next(i for i in facts["interfaces"] if i["name"] == name)


def same_network_namespace(one: HostFacts, other: HostFacts) -> bool:
    """Whether two hosts are one machine whose traffic would never leave it."""
    return bool(one["boot_id"] == other["boot_id"] and one["netns"] == other["netns"])

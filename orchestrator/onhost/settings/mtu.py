"""The largest IP packet an interface sends, in bytes."""

from __future__ import annotations

from shlex import quote
from typing import Dict, Iterator, List, Tuple, TypedDict, cast

from orchestrator.onhost.netlink.entries import Link
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety.told import Told, came_or_went, told
from orchestrator.onhost.settings import ipv6_state, levels
from orchestrator.onhost.settings.base import CANNOT, SettingOf
from orchestrator.onhost.settings.ipv6_state import Ipv6State

_MIN, _MAX = 68, 65535  # RFC 791's minimum, and the kernel's constant ceiling
IPV6_LEAST = 1280  # RFC 8200; below it the kernel takes IPv6 off the interface
_ORDINARY = 1500
# kinds whose MTU is bound to that of the interface they lie on; a veth's "parent" is only its peer
_STACKED = ("vlan", "macvlan", "macvtap", "ipvlan", "ipvtap", "macsec")


class _TakenAway(TypedDict):
    """What a lower MTU takes along: MTUs of interfaces on top of this one, and IPv6, by the interface's name."""

    children: Dict[str, int]
    ipv6: Dict[str, Ipv6State]


class MtuValue(_TakenAway):
    """An interface's MTU in bytes, and what goes with it."""

    mtu: int


class Mtu(SettingOf[int, MtuValue]):
    """MTU by netlink, which alone says what the driver's limits are.

    Two things go with it. Below 1280 the kernel drops every IPv6 address, route, neighbour and sysctl of the
    interface; they are remembered before and given back when the MTU rises again. Interfaces on top of this one
    (VLANs) are lowered along and not raised again; that is done here.
    """

    name = "mtu"
    unit = "bytes"
    doc = "Largest IP packet of an interface; both ends and everything between must carry it."
    example = "9000"
    domain_text = f"{_MIN} to {_MAX}, within the driver's limits"
    costly = True
    touches = ("link:{target}:mtu", "sysctl:{target}:ipv6/*")
    may_lose: Tuple[str, ...] = ("address:{target}:*", "route:{target}:*", "neighbour:{target}:*")
    # A ring's buffers limit the MTU of some drivers. Others switch offloads off while frames are large: what was
    # applied before is restored after the MTU, when they are allowed again.
    after = (
        "receive-ring",
        "transmit-ring",
        "checksum-offload",
        "scatter-gather",
        "segmentation-offload",
        "receive-offload",
        "feature.*",
    )

    def may_be_moved_by(self, other: str) -> bool:
        """By none: a driver refuses an MTU that its rings or features do not carry, and changes none."""
        return False

    def forget(self, target: str) -> None:
        """What was noted for a change that was never made, or that somebody else has undone."""
        self._kernel.drop(_saved_state(target))

    def _parsed(self, level: object) -> int:
        return levels.whole(level, _MIN, _MAX, "an MTU (RFC 791: every link carries 68)", "bytes")

    def _mended(self, target: str, value: MtuValue) -> str:
        """The interface's own MTU first, then those on top of it, then what IPv6 lost."""
        lines = [self._command(name, mtu) for name, mtu in [(target, value["mtu"]), *value["children"].items()]]
        for name, state in value["ipv6"].items():
            lines += ipv6_state.mend_commands(self._kernel, name, state)
        return " && ".join(lines)

    def _told(self, target: str, before: MtuValue, now: MtuValue) -> Iterator[Told]:
        """The MTU, those on top of it, and what IPv6 lost; below 1280 it is lost whole, and comes back with the MTU."""
        sizes = {target: before["mtu"], **before["children"]}
        sizes_now = {target: now["mtu"], **now["children"]}
        for name in [name for name in sizes if sizes[name] != sizes_now.get(name)]:
            yield told(f"mtu of {name}", sizes[name], sizes_now.get(name), self._command(name, sizes[name]))
        for name in [name for name in sizes_now if name not in sizes]:
            yield told(f"mtu of {name}", None, sizes_now[name])
        for name, state in before["ipv6"].items():
            if name in now["ipv6"]:
                yield from ipv6_state.told_missing(name, state, now["ipv6"][name])
            else:
                commands = " && ".join(ipv6_state.mend_commands(self._kernel, name, state))
                yield came_or_went(f"IPv6 of {name}", state, commands)

    def _kept(self, target: str, level: object) -> str:
        return self._command(target, self._parsed(level))

    def _command(self, name: str, mtu: int) -> str:
        return f"ip link set dev {quote(name)} mtu {mtu}"

    def _same(self, before: MtuValue, now: MtuValue) -> bool:
        """Equal in size, and nothing that IPv6 had is missing; more (a test address) is no difference."""
        return (
            before["mtu"] == now["mtu"]
            and before["children"] == now["children"]
            and all(
                name in now["ipv6"] and not ipv6_state.missing(state, now["ipv6"][name])
                for name, state in before["ipv6"].items()
            )
        )

    def _current(self, target: str, level: object) -> int:
        return self._link(target)["mtu"]

    def _read(self, target: str, level: object) -> MtuValue:
        family = self._family(target)
        return {
            "mtu": family[0]["mtu"],
            "children": {link["name"]: link["mtu"] for link in family[1:]},
            "ipv6": {link["name"]: ipv6_state.take(self._kernel, link) for link in family if link["mtu"] >= IPV6_LEAST},
        }

    def _cannot(self, target: str, level: object) -> str:
        link = self._link(target)
        wanted, most, least = self._parsed(level), link["max_mtu"] or _MAX, link["min_mtu"] or 0
        if wanted > most:
            if most <= _ORDINARY:
                return f"{target} cannot do jumbo frames: its driver's maximum MTU is {most}"
            return f"{target} cannot take an MTU of {wanted}: its driver's maximum is {most}"
        if wanted < least:
            return f"{target} cannot take an MTU of {wanted}: its driver's minimum is {least}"
        below = (each for each in self._kernel.links() if each["index"] == link["parent"])
        parent = next(below, None) if link["kind"] in _STACKED else None
        if parent is not None and parent["mtu"] < wanted:
            return f"{target} cannot take an MTU of {wanted}: it lies on {parent['name']}, whose MTU is {parent['mtu']}"
        return ""

    def _write(self, target: str, level: object) -> None:
        wanted = self._parsed(level)
        family = self._family(target)
        if wanted < family[0]["mtu"]:
            self._remember(target, wanted, family)
        self._kernel.set_link(family[0]["index"], mtu=wanted)
        if wanted > family[0]["mtu"]:
            self._give_back(target, wanted)

    def _restored(self, target: str, before: MtuValue) -> None:
        family = self._family(target)
        if family[0]["mtu"] != before["mtu"]:
            self._kernel.set_link(family[0]["index"], mtu=before["mtu"])
        self._raise_children(before["children"], before["mtu"])
        self._restore_ipv6(before["ipv6"])
        self._kernel.drop(_saved_state(target))

    def _family(self, target: str) -> List[Link]:
        """The interface and those that lie on it, parents before children."""
        everyone = self._kernel.links()
        family = [link for link in everyone if link["name"] == target]
        if not family:
            raise Refusal(CANNOT, f"this host has no interface {target}", target=target)
        for parent in family:  # grows while it is walked: grandchildren follow
            family += [link for link in stacked_on(parent, everyone) if link not in family]
        return family

    def _remember(self, target: str, wanted: int, family: List[Link]) -> None:
        """Keep what this step takes away; what an earlier step took away is kept already and stays."""
        kept = self._taken_away(target)
        for link in family[1:]:
            if link["mtu"] > wanted:
                kept["children"].setdefault(link["name"], link["mtu"])
        for link in family:
            if wanted < IPV6_LEAST <= link["mtu"]:
                kept["ipv6"].setdefault(link["name"], ipv6_state.take(self._kernel, link))
        if kept["children"] or kept["ipv6"]:
            self._kernel.keep(_saved_state(target), kept)

    def _give_back(self, target: str, reached: int) -> None:
        """Undo what lower levels took away, as far as the MTU reached now allows."""
        kept = self._taken_away(target)
        if not kept["children"] and not kept["ipv6"]:
            return
        self._raise_children(kept["children"], reached)
        if reached >= IPV6_LEAST:
            self._restore_ipv6(kept["ipv6"])
            kept["ipv6"] = {}
        kept["children"] = {name: mtu for name, mtu in kept["children"].items() if mtu > reached}
        if kept["children"] or kept["ipv6"]:
            self._kernel.keep(_saved_state(target), kept)
        else:
            self._kernel.drop(_saved_state(target))

    def _taken_away(self, target: str) -> _TakenAway:
        """What was kept since the MTU was first lowered."""
        kept = self._kernel.kept(_saved_state(target))
        return cast(_TakenAway, kept) if kept else {"children": {}, "ipv6": {}}

    def _raise_children(self, children: Dict[str, int], most: int) -> None:
        for name, mtu in children.items():
            link = self._kernel.find_link(name)
            if link is not None and link["mtu"] != min(mtu, most):
                self._kernel.set_link(link["index"], mtu=min(mtu, most))

    def _restore_ipv6(self, states: Dict[str, Ipv6State]) -> None:
        for name, state in states.items():
            link = self._kernel.find_link(name)
            if link is not None and link["mtu"] >= IPV6_LEAST:
                ipv6_state.restored(self._kernel, link, state)


def stacked_on(link: Link, everyone: List[Link]) -> List[Link]:
    """The interfaces that lie directly on `link` and whose MTU is bound to its own."""
    return [each for each in everyone if each["parent"] == link["index"] and each["kind"] in _STACKED]


def _saved_state(target: str) -> str:
    return f"mtu-{target}"

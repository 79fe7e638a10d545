"""Addresses that a link has only for the length of a run, from the blocks set aside for benchmarking."""

from __future__ import annotations

import ipaddress
from shlex import quote
from typing import Iterator, List, Optional, Tuple, Union

from orchestrator.onhost.netlink.entries import AddressEntry
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety.spelled import address_command
from orchestrator.onhost.safety.told import Told, came_or_went
from orchestrator.onhost.settings import levels
from orchestrator.onhost.settings.base import CANNOT, SettingOf

_Network = Union[ipaddress.IPv4Network, ipaddress.IPv6Network]
_Interface = Union[ipaddress.IPv4Interface, ipaddress.IPv6Interface]
# RFC 2544 appendix C.2.2, RFC 5180 section 8
_BLOCKS: Tuple[_Network, ...] = (ipaddress.ip_network("198.18.0.0/15"), ipaddress.ip_network("2001:2::/48"))
_MOST = 4
LEAST_IPV6_MTU_BYTES = 1280  # RFC 8200 s5


class TemporaryAddress(SettingOf[List[str], List[str]]):
    """One address or several, with their prefix length. An address that anybody uses is never taken.

    IPv6 addresses are usable at once: the duplicate check of the kernel takes seconds and is replaced by asking the
    link ourselves. Nothing but neighbour requests is sent for it.
    """

    name = "test-address"
    unit = ""
    doc = "Temporary addresses from the benchmarking blocks; taken away at the end, never one in use."
    example = "198.18.0.11/24"
    domain_text = "addresses with prefix length from 198.18.0.0/15 and 2001:2::/48"
    touches = (
        "address:{target}:198.1[89].*",
        "address:{target}:2001:2:*",
        "route:{target}:* 198.1[89].*",
        "route:{target}:* 2001:2:*",
    )
    # an MTU below 1280 leaves no room for IPv6
    after = ("mtu",)

    def forget(self, target: str) -> None:
        """What was noted for a change that was never made, or that somebody else has undone."""
        self._kernel.drop(_saved_state(target))

    def _parsed(self, level: object) -> List[str]:
        texts = level if isinstance(level, list) else level.split() if isinstance(level, str) else []
        if not 0 < len(texts) <= _MOST or not all(isinstance(text, str) for text in texts):
            raise ValueError(f"a test address is written as {self.example}, not {levels.shown(level)}")
        return [str(_from_block(text)) for text in texts]

    def _current(self, target: str, level: object) -> List[str]:
        present = self._present(target)
        asked = self._parsed(level) if level is not None else present
        return [text for text in asked if text in present]

    def _read(self, target: str, level: object) -> List[str]:
        """The addresses of the benchmarking blocks that are there now, whoever gave them."""
        return [text for text in self._present(target) if _block_of(ipaddress.ip_interface(text))]

    def _present(self, target: str) -> List[str]:
        return sorted(
            f"{each['address']}/{each['prefix']}" for each in self._kernel.addresses(self._link(target)["index"])
        )

    def _cannot(self, target: str, level: object) -> str:
        own = self._link(target)
        names = {link["index"]: link["name"] for link in self._kernel.links()}
        for text in self._parsed(level):
            wanted = ipaddress.ip_interface(text)
            for index, name in names.items():
                for each in self._kernel.addresses(index):
                    there = ipaddress.ip_interface(f"{each['address']}/{each['prefix']}")
                    if there == wanted and index == own["index"]:
                        continue
                    if there.ip == wanted.ip or (
                        index != own["index"] and there.network.overlaps(wanted.network)
                        if there.version == wanted.version
                        else False
                    ):
                        return f"{text} is not free: {name} of this host has {there}"
            if wanted.version == 6 and own["mtu"] < LEAST_IPV6_MTU_BYTES:
                return f"{target} cannot have {text}: with an MTU of {own['mtu']} it has no IPv6"
        return "" if own["up"] else f"{target} is switched off: nobody could be asked whether the address is in use"

    def _write(self, target: str, level: object) -> None:
        """Add what is missing and take away what an earlier level added; what is ours is remembered first."""
        index, present, wanted = self._link(target)["index"], self._present(target), self._parsed(level)
        missing = [text for text in wanted if text not in present]
        for text in missing:
            address = str(ipaddress.ip_interface(text).ip)
            owner = self._kernel.owner_of(index, address)
            if owner:
                raise Refusal(CANNOT, f"{address} is in use on the link of {target}, by {owner}", owner=owner)
        ours = self._given(target)
        self._kernel.keep(_saved_state(target), sorted({*ours, *missing}))
        # first, because the kernel takes later IPv4 addresses of a subnet away with the first one
        self._take_away(target, [text for text in ours if text not in wanted])
        for text in missing:
            self._kernel.add_address(index, _entry(text), no_duplicate_check=":" in text)
        # below 1280 the kernel has taken IPv6 away itself, and gives it back with the MTU: then it is ours still
        away = self._link(target)["mtu"] < LEAST_IPV6_MTU_BYTES
        self._kernel.keep(
            _saved_state(target),
            [text for text in sorted({*ours, *missing}) if text in wanted or (away and ":" in text)],
        )

    def _restored(self, target: str, before: List[str]) -> None:
        ours = self._given(target)
        self._take_away(target, [text for text in ours if text not in before])
        self._kernel.drop(_saved_state(target))

    def _given(self, target: str) -> List[str]:
        """The addresses that we gave it."""
        kept = self._kernel.kept(_saved_state(target))
        return [str(text) for text in kept] if isinstance(kept, list) else []

    def _take_away(self, target: str, texts: List[str]) -> None:
        index, present = self._link(target)["index"], self._present(target)
        for text in texts:
            if text in present:
                self._kernel.remove_address(index, _entry(text))

    def _kept(self, target: str, level: object) -> str:
        """Empty: these addresses are for tests and are not to stay."""
        return ""

    def _mended(self, target: str, value: List[str]) -> str:
        added = [text for text in self._read(target, None) if text not in value]
        return " && ".join(f"ip address delete {text} dev {quote(target)}" for text in added)

    def _told(self, target: str, before: List[str], now: List[str]) -> Iterator[Told]:
        for text in before:
            if text not in now:
                yield came_or_went(f"address {text} of {target}", text, address_command(_entry(text), target))
        for text in now:
            if text not in before:
                yield came_or_went(f"address {text} of {target}", None, f"ip address delete {text} dev {quote(target)}")


def _saved_state(target: str) -> str:
    return f"test-address-{target}"


def _entry(text: str) -> AddressEntry:
    wanted = ipaddress.ip_interface(text)
    return {"address": str(wanted.ip), "prefix": wanted.network.prefixlen}


def _block_of(wanted: _Interface) -> Optional[_Network]:
    """The benchmarking block that an address is from, or None."""
    return next((block for block in _BLOCKS if block.version == wanted.version and wanted.ip in block), None)


def _from_block(text: str) -> _Interface:
    try:
        wanted = ipaddress.ip_interface(text)
    except ValueError:
        raise ValueError(f"{levels.shown(text)} is no address with a prefix length") from None
    block = _block_of(wanted)
    if block is None or "/" not in text or "%" in text:
        raise ValueError(f"{levels.shown(text)} is not from a benchmarking block ({', '.join(map(str, _BLOCKS))})")
    if (
        wanted.network.prefixlen < block.prefixlen
        or wanted.network.num_addresses < 4
        or wanted.ip in (wanted.network.network_address, wanted.network.broadcast_address)
    ):
        raise ValueError(f"{levels.shown(text)} cannot be a host's address on a link")
    return wanted

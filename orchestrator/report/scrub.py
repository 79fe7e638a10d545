"""Replacing what identifies people and machines, the same thing always by the same stand-in. Pure.

Stand-ins are from the ranges that standards keep for documentation, so that nobody is hit by chance: RFC 5737 and
RFC 3849 (addresses), RFC 7042 section 2.1.2 (MACs). Names are replaced as whole words wherever they stand, also inside
a longer name (`dome-to-vault`), because a run's id is made of them.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterable, Mapping
from typing import Any

_MAC = re.compile(r"(?:(?<=mac:)|(?<![0-9A-Fa-f:]))(?:[0-9A-Fa-f]{2}:){5}[0-9A-Fa-f]{2}(?![0-9A-Fa-f:])")
# Interfaces that are named after their MAC (systemd's enx scheme) and MACs written without colons.
_MAC_NAME = re.compile(r"\benx[0-9a-f]{12}\b")
_IPV4 = re.compile(r"(?<![\d.])(?:\d{1,3}\.){3}\d{1,3}(?![\d.]|\.\d)")
_IPV6 = re.compile(r"(?<![0-9A-Za-z:.])[0-9A-Fa-f]{0,4}(?::[0-9A-Fa-f]{0,4}){2,7}(?:\.\d{1,3}){0,3}(?![0-9A-Za-z:])")
_UUID = re.compile(r"(?i)\b[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}\b")
_ACCOUNT = re.compile(r"\b([A-Za-z_][\w.-]*)@([A-Za-z0-9][\w.-]*)")
_HOME = re.compile(r"(/home/|/Users/)([^/\s:\"']+)")
_SERIAL_KEY = re.compile(r"serial|uuid|machine_id|boot_id|asset|netns|permanent_address|host_key|fingerprint")
_KEY_TEXT = re.compile(r"\b(?:SHA256:[A-Za-z0-9+/]{20,}=*|AAAA[A-Za-z0-9+/]{20,}=*)")
# Never replaced as names: they are words of the tables, and a host that is called so stays recognisable anyway.
OUR_WORDS = frozenset({
    "valid", "suspect", "impossible", "failed", "skipped", "transmit", "receive", "bidirectional", "measure", "search",
    "confirm", "control", "tcp", "udp", "both", "first", "second", "root", "sudo", "none", "auto", "true", "false",
    "localhost", "host", "link", "plan", "trial", "cell", "linux"})
_LEAST_NAME = 2
# Four numbers between dots are a version here, not an address.
_VERSION_KEY = re.compile(r"version|kernel|firmware|python|linktrial")
# Addresses that say nothing about anybody: loopback, unspecified, and the benchmarking ranges of RFC 2544 and RFC 5180.
_SAYS_NOTHING = tuple(ipaddress.ip_network(text) for text in (
    "127.0.0.0/8", "::1/128", "0.0.0.0/32", "::/128", "255.255.255.255/32"))


def is_serial(key: str) -> bool:
    """Whether what stands under this key tells one machine from all others."""
    return bool(_SERIAL_KEY.search(key.lower()))


class Scrubber:
    """Stand-ins handed out in the order of appearance; `replaced` counts the different things per kind."""

    def __init__(self, names: Iterable[tuple[str, str]] = (), ours: Iterable[str] = ()) -> None:
        """`names` are pairs of a kind ("host", "user") and a name that is replaced wherever it stands as a word.

        Words of the tables and records (`ours`) are no names: replacing them would make the files unreadable.
        """
        self._given: dict[tuple[str, str], str] = {}
        self._issued: set[str] = set()
        self._names: dict[str, str] = {}
        self.kept: list[str] = []
        reserved = OUR_WORDS | {word.lower() for word in ours}
        for kind, name in names:
            known = name.strip().lower()
            if known in reserved:
                self.kept.append(name)
            elif len(known) >= _LEAST_NAME and not known.isdigit():
                self._names.setdefault(known, self._stand_in(kind, known))
        words = sorted(self._names, key=len, reverse=True)
        self._word = re.compile(r"(?i)(?<![A-Za-z0-9])(?:" + "|".join(map(re.escape, words)) + r")(?![A-Za-z0-9])") \
            if words else None

    @property
    def replaced(self) -> dict[str, int]:
        """How many different things of each kind got a stand-in."""
        out: dict[str, int] = {}
        for kind, _ in self._given:
            out[kind] = out.get(kind, 0) + 1
        return out

    @property
    def originals(self) -> list[str]:
        """Everything that has a stand-in, for the second look at what was written."""
        return [original for _, original in self._given]

    def _stand_in(self, kind: str, original: str) -> str:
        if original in self._issued:
            return original
        key = (kind, original)
        if key not in self._given:
            made = _MAKERS.get(kind, _named)(kind, sum(known == kind for known, _ in self._given) + 1)
            self._given[key] = made
            self._issued.add(made)
        return self._given[key]

    def text(self, text: str) -> str:
        """`text` without what identifies."""
        text = self._serials(text)
        text = _IPV4.sub(lambda found: self._address(found.group()), text)
        text = _IPV6.sub(lambda found: self._address(found.group()), text)
        return self._called(text)

    def _serials(self, text: str) -> str:
        text = _KEY_TEXT.sub(lambda found: self._stand_in("key", found.group()), text)
        text = _UUID.sub(lambda found: self._stand_in("serial", found.group().lower()), text)
        text = _MAC.sub(lambda found: self._stand_in("MAC", found.group().lower()), text)
        return _MAC_NAME.sub(lambda found: self._stand_in("interface", found.group()), text)

    def _called(self, text: str) -> str:
        text = _ACCOUNT.sub(self._account, text)
        text = _HOME.sub(lambda found: found[1] + self._stand_in("user", found[2].lower()), text)
        return self._word.sub(lambda found: self._names[found.group().lower()], text) if self._word else text

    def _account(self, found: re.Match[str]) -> str:
        user, host = found.group(1).lower(), found.group(2).lower()
        place = self._names.get(host) or self._stand_in("host", host)
        return f"{self._names.get(user) or self._stand_in('user', user)}@{place}"

    def _address(self, text: str) -> str:
        try:
            address = ipaddress.ip_address(text)
        except ValueError:
            return text
        if any(address in network for network in _SAYS_NOTHING if network.version == address.version):
            return text
        return self._stand_in(f"IPv{address.version} address", str(address))

    def value(self, value: Any, key: str = "") -> Any:
        """A JSON value without what identifies; `key` is the name it stands under."""
        if isinstance(value, Mapping):
            return {self.text(str(name)): self.value(inner, str(name)) for name, inner in value.items()}
        if isinstance(value, (list, tuple)):
            return [self.value(inner, key) for inner in value]
        if is_serial(key) and value not in (None, "", 0) and not isinstance(value, bool):
            return self._stand_in("serial", str(value).lower())
        if not isinstance(value, str):
            return value
        return self._called(self._serials(value)) if _VERSION_KEY.search(key.lower()) else self.text(value)


def _named(kind: str, number: int) -> str:
    return f"{kind}-{number}"


def _ipv4(kind: str, number: int) -> str:  # noqa: ARG001 - all makers are called alike
    nets = ("192.0.2.", "198.51.100.", "203.0.113.")
    net, host = divmod(number - 1, 254)
    return f"{nets[net]}{host + 1}" if net < len(nets) else f"192.0.2.0#{number}"


def _ipv6(kind: str, number: int) -> str:  # noqa: ARG001 - as above
    return f"2001:db8::{number:x}"


def _mac(kind: str, number: int) -> str:  # noqa: ARG001 - as above
    return f"00:00:5e:00:53:{number:02x}" if number < 256 else f"00:00:5e:00:53:ff#{number}"


_MAKERS = {"IPv4 address": _ipv4, "IPv6 address": _ipv6, "MAC": _mac}

"""Stand-ins: the same thing always by the same one, from the ranges that standards keep for documentation. Pure.

RFC 5737 and RFC 3849 (addresses), RFC 7042 section 2.1.2 (MACs), so that nobody is hit by chance.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Callable, Iterable

MAC_SHAPE = re.compile(
    r"(?i)(?:[0-9a-f]{2}([:-]))(?:[0-9a-f]{2}\1){4}[0-9a-f]{2}|(?:[0-9a-f]{4}\.){2}[0-9a-f]{4}|"
    r"[0-9a-f]{12}"
)
_DOCUMENTATION_V4 = ("192.0.2.", "198.51.100.", "203.0.113.")
_IN_A_NET = 254


class StandIns:
    """Handed out in the order of appearance; none equals anything that the run itself names."""

    def __init__(self, taken: Iterable[str] = ()) -> None:
        """`taken` are names of the run: a host may be called `host-2` already."""
        self._taken = {name.casefold() for name in taken}
        self._given: dict[tuple[str, str], str] = {}
        self._last: dict[str, int] = {}
        self._originals: dict[tuple[str, str], None] = {}

    def give(self, kind: str, original: str) -> str:
        """The stand-in of this thing; spellings of one MAC or one address have the same."""
        key = (kind, _spelled_alike(kind, original))
        if key not in self._given:
            make = _MAKERS.get(kind) or (lambda number: f"{kind.replace(' ', '-')}-{number}")
            self._given[key] = self._next(kind, make)
        self._originals.setdefault((kind, original))
        return self._given[key]

    def _next(self, kind: str, make: Callable[[int], str]) -> str:
        while True:
            self._last[kind] = self._last.get(kind, 0) + 1
            made = make(self._last[kind])
            if made.casefold() not in self._taken:
                return made

    @property
    def replaced(self) -> dict[str, int]:
        """How many different things of each kind got a stand-in."""
        out: dict[str, int] = {}
        for kind, _ in self._given:
            out[kind] = out.get(kind, 0) + 1
        return out

    @property
    def originals(self) -> list[tuple[str, str]]:
        """(kind, as it was written) of everything that has a stand-in."""
        return list(self._originals)


def as_mac(text: str) -> str:
    """A MAC in any spelling as its 12 hex digits; "" when the text is none."""
    return re.sub(r"[:.-]", "", text).lower() if MAC_SHAPE.fullmatch(text) else ""


def as_address(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    """The address in a text: without brackets, zone, prefix length and port, if it has them."""
    bare = re.sub(r"^\[([^\]]*)\](:\d+)?$", r"\1", text.partition("/")[0]).partition("%")[0]
    for candidate in (bare, bare.rpartition(":")[0] if bare.count(":") == 1 else ""):
        try:
            return ipaddress.ip_address(candidate)
        except ValueError:
            continue
    return None


def _spelled_alike(kind: str, original: str) -> str:
    if kind == "MAC":
        return as_mac(original) or original
    address = as_address(original) if kind.startswith("IPv") else None
    return str(address) if address is not None else original


def _ipv4(number: int) -> str:
    net, host = divmod(number - 1, _IN_A_NET)
    # More than the three documentation nets hold is more than anybody reads: a mark follows.
    return f"{_DOCUMENTATION_V4[net]}{host + 1}" if net < len(_DOCUMENTATION_V4) else f"192.0.2.0#{number}"


def _ipv6(number: int) -> str:
    return f"2001:db8::{number:x}"


def _mac(number: int) -> str:
    return f"00:00:5e:00:53:{number:02x}" if number < 256 else f"00:00:5e:00:53:ff#{number}"


_MAKERS: dict[str, Callable[[int], str]] = {"IPv4 address": _ipv4, "IPv6 address": _ipv6, "MAC": _mac}

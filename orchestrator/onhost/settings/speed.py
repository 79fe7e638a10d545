"""The speed and duplex of a link: negotiated freely, negotiated with one offer, or forced."""

from __future__ import annotations

import time
from shlex import quote
from typing import Iterator, List, NamedTuple, Optional, Set, TypedDict

from orchestrator.onhost import ethtool
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety.told import Told, told
from orchestrator.onhost.settings import levels
from orchestrator.onhost.settings.base import CANNOT, SettingOf

_AUTO, _FORCED = "auto", "forced"
_WAYS = ("full", "half")
_KNOWN_WITHIN_S = 10.0  # copper takes 2 to 4 s to come back, and the driver knows no speed until then


class _Wish(NamedTuple):
    forced: bool
    speed_bit_s: Optional[int]
    duplex: str


class _Negotiation(TypedDict):
    """How the link was negotiated or forced; with negotiation speed and duplex are its outcome and not kept."""

    autoneg: bool
    advertised: List[int]
    supported: List[int]
    speed_bit_s: Optional[int]
    duplex: str


class Speed(SettingOf[_Wish, _Negotiation]):
    """`auto` offers all that the driver can do; `1Gbit/s` offers only that; `forced 100Mbit/s half` asks nobody.

    From 1 Gb/s on copper has to negotiate (IEEE 802.3 clause 28), and an end that forces a speed makes the other fall
    back to half duplex.
    """

    name = "speed"
    unit = ""
    doc = "The link's speed and duplex: negotiated freely (auto), with one offer (1Gbit/s), or forced."
    example = "1Gbit/s"
    domain_text = "auto, a speed such as 2.5Gbit/s, 100Mbit/s half, forced 100Mbit/s full"
    costly = True
    touches = ("negotiation:{target}:*", "pause:{target}:*")

    def _parsed(self, level: object) -> _Wish:
        words = level.split() if isinstance(level, str) else []
        if words == [_AUTO]:
            return _Wish(False, None, "")
        forced = words[:1] == [_FORCED]
        words = words[1:] if forced else words
        if not 1 <= len(words) <= 2 or (len(words) == 2 and words[1] not in _WAYS):
            raise ValueError(f"a speed is {self.domain_text}, not {levels.shown(level)}")
        wish = _Wish(forced, levels.rate_bit_s(words[0], "it"), words[1] if len(words) == 2 else "full")
        if not ethtool.modes_of(wish.speed_bit_s or 0, wish.duplex):
            raise ValueError(f"Ethernet has no {levels.shown(' '.join(words))}")
        return wish

    def _current(self, target: str, level: object) -> object:
        """The level where it holds; otherwise what is offered or forced, as text."""
        found = self._read(target, level)
        if level is not None and self._fits(found, self._parsed(level)):
            return level
        return _in_words(found)

    def _matches(self, level: object, seen: object) -> bool:
        return bool(level == seen)

    def _fits(self, found: _Negotiation, wish: _Wish) -> bool:
        if wish.forced or not found["autoneg"]:
            return bool(
                wish.forced
                and not found["autoneg"]
                and found["speed_bit_s"] == wish.speed_bit_s
                and found["duplex"] == wish.duplex
            )
        offered = ethtool.speed_modes() & set(found["advertised"])
        return offered == self._offer(found["supported"], wish)

    def _offer(self, supported: List[int], wish: _Wish) -> Set[int]:
        can = set(ethtool.speed_modes() & set(supported))
        return can if wish.speed_bit_s is None else can & ethtool.modes_of(wish.speed_bit_s, wish.duplex)

    def _settings(self, target: str) -> ethtool.LinkSettings:
        self._link(target)
        found = self._kernel.link_settings(target)
        if found is None:
            raise Refusal(CANNOT, f"the driver of {target} has no speed to set")
        return found

    def _read(self, target: str, level: object) -> _Negotiation:
        found = self._settings(target)
        return {
            "autoneg": found["autoneg"],
            "advertised": found["advertised"],
            "supported": found["supported"],
            "speed_bit_s": None if found["autoneg"] else found["speed_bit_s"],
            "duplex": "" if found["autoneg"] else found["duplex"],
        }

    def _cannot(self, target: str, level: object) -> str:
        found, wish = self._settings(target), self._parsed(level)
        if not found["supported"]:
            return f"the driver of {target} has no speed to set"
        if wish.speed_bit_s is not None and not self._offer(found["supported"], wish):
            fastest = ethtool.fastest(found["supported"])
            return f"{target} cannot do {level}" + (f": its fastest is {fastest / 1e6:g} Mbit/s" if fastest else "")
        return ""

    def _write(self, target: str, level: object) -> None:
        found, wish = self._settings(target), self._parsed(level)
        if wish.forced:
            self._kernel.set_link_settings(target, autoneg=False, speed_bit_s=wish.speed_bit_s, duplex=wish.duplex)
            self._until_known(target)  # also where none is known yet: the link may still come back from the last change
        else:
            # modes that are no speed (pause, the kind of port) are offered as before
            others = set(found["advertised"]) - ethtool.speed_modes()
            self._kernel.set_link_settings(
                target, autoneg=True, advertised=sorted(others | self._offer(found["supported"], wish))
            )

    def _restored(self, target: str, before: _Negotiation) -> None:
        now = self._read(target, None)
        if now == before:
            return
        if before["autoneg"]:
            self._kernel.set_link_settings(target, autoneg=True, advertised=before["advertised"])
        else:
            self._kernel.set_link_settings(
                target,
                autoneg=False,
                speed_bit_s=before["speed_bit_s"],
                duplex=before["duplex"] or None,
                advertised=before["advertised"],
            )
            if before["speed_bit_s"]:
                self._until_known(target)

    def _until_known(self, target: str) -> None:
        """A forced speed can be read back only when the link is up again; without a cable it never is."""
        until = time.monotonic() + (_KNOWN_WITHIN_S if self._link(target)["up"] else 0.0)
        while self._settings(target)["speed_bit_s"] is None and time.monotonic() < until:
            time.sleep(0.05)

    def _kept(self, target: str, level: object) -> str:
        wish = self._parsed(level)
        if wish.speed_bit_s is None:
            return f"ethtool -s {quote(target)} autoneg on"
        if wish.forced:
            return f"ethtool -s {quote(target)} autoneg off speed {wish.speed_bit_s // 10**6} duplex {wish.duplex}"
        modes = sum(1 << bit for bit in ethtool.modes_of(wish.speed_bit_s, wish.duplex))
        return f"ethtool -s {quote(target)} autoneg on advertise {modes:#x}"

    def _mended(self, target: str, value: _Negotiation) -> str:
        if value["autoneg"]:
            return f"ethtool -s {quote(target)} autoneg on advertise {sum(1 << bit for bit in value['advertised']):#x}"
        speed = (value["speed_bit_s"] or 0) // 10**6
        return f"ethtool -s {quote(target)} autoneg off speed {speed} duplex {value['duplex']}"

    def _told(self, target: str, before: _Negotiation, now: _Negotiation) -> Iterator[Told]:
        yield told(self._called(target), _in_words(before), _in_words(now), self._mended(target, before))


def _in_words(found: _Negotiation) -> str:
    if found["autoneg"]:
        return "offers " + ", ".join(filter(None, map(ethtool.mode_name, found["advertised"])))
    return f"forced {(found['speed_bit_s'] or 0) / 1e6:g}Mbit/s {found['duplex']}".rstrip()

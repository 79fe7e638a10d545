"""The settings on a host of the BSD family: the MTU, by ifconfig(8). Every other is known by name, and impossible."""

from __future__ import annotations

from shlex import quote
from typing import Iterator, List, Mapping

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.settings.base import CANNOT, Setting, SettingOf, Verified
from orchestrator.onhost.settings.kernel import Kernel
from orchestrator.onhost.settings.mtu import IPV6_LEAST, Mtu, MtuValue, stacked_on
from orchestrator.onhost.settings.this_host import this_host

FAMILIES: List[object] = []


class BsdMtu(Mtu):
    """MTU by ifconfig, which does not say what the driver's limits are: a refusal does, and is a level's end."""

    # Nothing here is sure to be undone by a restart that may only be a clock that was set (bsd/system/boot.py): what
    # was changed stays on the record, and is restored where it reads as ours.
    survives_reboot = True
    may_lose = ()

    def _cannot(self, target: str, level: object) -> str:
        above = stacked_on(self._link(target), self._kernel.links())
        if above:
            return (
                f"{target} is not given another MTU while {above[0]['name']} lies on it: what the systems of this "
                "family then do with that one is not known"
            )
        if self._parsed(level) < IPV6_LEAST:
            return (
                f"{target} is not given an MTU below {IPV6_LEAST}: what the systems of this family then do with "
                "IPv6, and give back, is not known"
            )
        return ""

    def _read(self, target: str, level: object) -> MtuValue:
        return {"mtu": self._current(target, level), "children": {}, "ipv6": {}}

    def _write(self, target: str, level: object) -> None:
        """Nothing else goes with it, and nothing needs to be remembered: see `_cannot`."""
        self._kernel.set_link(self._link(target)["index"], mtu=self._parsed(level))

    def forget(self, target: str) -> None:
        """Nothing was remembered."""

    def _command(self, name: str, mtu: int) -> str:
        return f"ifconfig {quote(name)} mtu {mtu}"


class NotHere(SettingOf[object, object]):
    """A setting of Linux."""

    def __init__(self, kernel: Kernel, name: str) -> None:
        super().__init__(kernel)
        self.name = name

    def check(self, target: str, level: object) -> str:
        """Never possible."""
        return f"{self.name} cannot be set on a host of the BSD family: only mtu can"

    def read(self, target: str, level: object = None) -> object:
        """There is no such thing."""
        return None

    def apply(self, target: str, level: object) -> None:
        """Refused."""
        raise Refusal(CANNOT, self.check(target, level), setting=self.name, target=target)

    def verify(self, target: str, level: object) -> Verified:
        """It has not the level."""
        return {"ok": False, "seen": None, "why": self.check(target, level)}


class Catalogue(Mapping[str, Setting]):
    """Settings by name; a name that is none here is one that cannot be set."""

    def __init__(self, kernel: Kernel) -> None:
        self._kernel = kernel
        self._mtu = BsdMtu(kernel)

    def __getitem__(self, name: str) -> Setting:
        return self._mtu if name == self._mtu.name else NotHere(self._kernel, name)

    def __iter__(self) -> Iterator[str]:
        return iter([self._mtu.name])

    def __len__(self) -> int:
        return 1


def catalogue(kernel: Kernel) -> Catalogue:
    """The settings of another machine than this one."""
    return Catalogue(kernel)


CATALOGUE = Catalogue(this_host())

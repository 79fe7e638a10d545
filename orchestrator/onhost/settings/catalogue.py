"""Every setting by name."""

from __future__ import annotations

from typing import Dict, Iterator, Mapping, Tuple, Type

from orchestrator.onhost.settings.base import Setting
from orchestrator.onhost.settings.command import Command
from orchestrator.onhost.settings.governor import Governor
from orchestrator.onhost.settings.kernel import Kernel
from orchestrator.onhost.settings.mtu import Mtu

_CLASSES: Tuple[Type[Setting], ...] = (Mtu, Governor, Command)


class Catalogue(Mapping[str, Setting]):
    """Settings by name; iterating gives those with a fixed name, in the order in which people look for them."""

    def __init__(self, kernel: Kernel) -> None:
        self._fixed: Dict[str, Setting] = {each.name: each(kernel) for each in _CLASSES}

    def __getitem__(self, name: str) -> Setting:
        return self._fixed[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._fixed)

    def __len__(self) -> int:
        return len(self._fixed)


def catalogue(kernel: Kernel) -> Catalogue:
    """The settings of another machine than this one: a double in memory."""
    return Catalogue(kernel)


CATALOGUE = Catalogue(Kernel())

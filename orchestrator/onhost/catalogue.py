"""The rooms that most sessions never need, imported when a job asks for them."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Iterable, List, Protocol, Sequence, TypeVar, cast

from orchestrator.onhost.safety.state import Differences, Image, Place

if TYPE_CHECKING:
    from orchestrator.onhost.settings.base import Setting

SomePlace = TypeVar("SomePlace", bound=Place)


class ImageRoom(Protocol):
    """What `orchestrator.onhost.image` offers."""

    def take_image(self, interfaces: List[str]) -> Image:
        """The host as it is."""

    def differences(self, before: Image, now: Image, touched: Iterable[Place]) -> Differences:
        """How two images differ."""


def setting_of(name: str) -> Setting:
    """A setting with its five verbs; KeyError for an unknown name."""
    return cast("Setting", importlib.import_module("orchestrator.onhost.settings").CATALOGUE[name])


def in_order(places: Sequence[SomePlace]) -> List[SomePlace]:
    """The places so that settings that depend on others come after them; restoring goes through it backwards."""
    room = importlib.import_module("orchestrator.onhost.settings")
    return list(room.in_order(places, room.CATALOGUE))


def image_room() -> ImageRoom:
    """The module that takes and compares images of a host."""
    return cast("ImageRoom", importlib.import_module("orchestrator.onhost.image"))


def survives_reboot(name: str) -> bool:
    """Whether a reboot keeps what this setting changed; unknown ones are taken to survive."""
    try:
        return setting_of(name).survives_reboot
    except KeyError:
        return True

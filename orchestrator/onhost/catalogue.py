"""The rooms that most sessions never need, imported when a job asks for them."""

from __future__ import annotations

import importlib
from typing import Any


def setting_of(name: str) -> Any:
    """A setting with its five verbs; KeyError for an unknown name."""
    return importlib.import_module("orchestrator.onhost.settings").CATALOGUE[name]


def in_order(places: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The places so that settings that depend on others come after them; restoring goes through it backwards."""
    room = importlib.import_module("orchestrator.onhost.settings")
    return list(room.in_order(places, room.CATALOGUE))


def image_room() -> Any:
    """The module that takes and compares images of a host."""
    return importlib.import_module("orchestrator.onhost.image")


def survives_reboot(name: str) -> bool:
    """Whether a reboot keeps what this setting changed; unknown ones are taken to survive."""
    try:
        return bool(setting_of(name).survives_reboot)
    except KeyError:
        return True

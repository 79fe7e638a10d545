"""The settings of a cell, and those that the cell leaves as found: whether each still reads so."""

from __future__ import annotations

from typing import TYPE_CHECKING, List, NamedTuple, Optional, Sequence, Tuple

from orchestrator.onhost.catalogue import setting_of
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety.state import Before, LevelOfPlace, Place
from orchestrator.onhost.safety.told import Told, told

if TYPE_CHECKING:
    from orchestrator.onhost.settings.base import Setting


class _Held(NamedTuple):
    place: LevelOfPlace
    setting: Setting
    as_found: bool  # the cell leaves it as it was before the run
    value: object  # as `read` gave it when the watch began, or when the run began for what is as found


class Places:
    """What the plan sets on this host, in this cell."""

    def __init__(self, uses: Sequence[LevelOfPlace], as_found: Sequence[Before]) -> None:
        """`as_found` places have the value found before the run."""
        self._held = [_Held(use, setting_of(use["setting"]), False, _read(use)) for use in uses if _cheap(use)]
        self._held += [
            _Held(one, setting_of(one["setting"]), True, _read(one) if _may_be_moved(one, uses) else one["value"])
            for one in as_found
            if _cheap(one)
        ]

    def look(self) -> List[Tuple[Place, List[Told]]]:
        """The places that do not hold any more, with what differs."""
        found: List[Tuple[Place, List[Told]]] = [(held.place, _differences(held)) for held in self._held]
        return [(place, lines) for place, lines in found if lines]

    def place_of(self, setting: str, target: str) -> Optional[Place]:
        """The place, when the plan has it; None when it has not."""
        return next(
            (held.place for held in self._held if held.place["setting"] == setting and held.place["target"] == target),
            None,
        )


def _may_be_moved(place: Place, uses: Sequence[Place]) -> bool:
    """Whether it may read otherwise than as found only because of what the cell sets: then it has to stay as it is."""
    setting = setting_of(place["setting"])
    return any(setting.may_be_moved_by(use["setting"]) for use in uses)


def _cheap(place: Place) -> bool:
    return setting_of(place["setting"]).cheap_to_read


def _read(place: LevelOfPlace) -> object:
    """The value, or None where it cannot be read: what `verify` says then has to do."""
    try:
        return setting_of(place["setting"]).read(place["target"], place["level"])
    except Refusal:
        return None


def _differences(held: _Held) -> List[Told]:
    place, setting = held.place, held.setting
    target, level = place["target"], place["level"]
    what = f"{place['setting']} of {target}" if target else place["setting"]
    wanted = "as found" if held.as_found else setting.in_words(level)
    try:
        seen = None if held.as_found else setting.verify(target, level)
        if seen is not None and seen["ok"]:
            return []
        now = setting.read(target, level)
        if held.as_found and setting.same(held.value, now):
            return []
        lines = setting.told(target, held.value, now)
        return lines or [told(what, wanted, "different" if seen is None else seen["seen"])]
    except Refusal as refusal:
        return [told(what, wanted, refusal.message)]

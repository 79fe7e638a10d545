"""plan.yaml, read as every plan is and written anew from what its grammar knows. Pure.

Comments, people, keys, programs and free text are not carried over. Where the grammar asks for something that was left
out, a word stands that no host has, so that the plan can still be read and checked.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

import yaml

from orchestrator.planning.document import Json
from orchestrator.planning.links import ENDS
from orchestrator.report.public.fields import Fields
from orchestrator.words.statuses import NOT_VALID

LEFT_OUT = "left-out"
_HEAD = (
    "# Written anew for publication from the plan as it was run: names are stand-ins; comments, users, keys,\n"
    "# SSH's names and ports, programs and free text are left out: it can be read, but not be run as it stands.\n"
)
_UNREADABLE = "# The plan as it was run could not be read, so nothing of it is here.\n"
_QUANTITY = re.compile(
    r"\d{1,9}(\.\d{1,6})?\s?([kMGT]?bit/s|[kM]?frame/s|[kKMG]i?B|%|ms|us|min)|"
    r"\d{1,5}(\.\d{1,3})?\s?[shdB]"
)
_PORTS = re.compile(r"\d{1,5}(-\d{1,5})?")
_WORDS = {
    "privilege": {"root", "sudo", "none"},
    "system": {"linux", "bsd"},
    "changed_outside": {"reapply", "stop"},
    "form": {"block", "words"},
    "effect": {"command-line"},
}
_PROGRAMS = ("read", "write", "check")
_BOOT_FILES = frozenset({"/boot/config", "/boot/cmdline", "/boot/parameters", "/boot/choice-once", "/etc/default/grub"})
_PLACES = ("first", "second", "both", "under_test", "far")

Judge = Callable[[Any], Any]
OfRecord = Callable[[Any], dict[str, Any]]


def settings_of(plan: Any) -> dict[str, str]:
    """Factor -> the setting it varies; one without a setting is its own, a bundle has none ("")."""
    planned = _mapping(plan)
    found: dict[str, str] = {}
    for name, about in _mapping(planned.get("factors")).items():
        entry = _mapping(about)
        bundle = isinstance(entry.get("levels"), dict)
        found[name] = "" if bundle else str(entry.get("setting") or name)
    held = planned.get("hold")
    for number, entry in enumerate(held if isinstance(held, list) else [], 1):
        found[f"hold-{number}"] = str(_mapping(entry).get("setting", ""))
    return found


class PlanText:
    """Writes the plan of a copy; `fields` has the run's stand-ins."""

    def __init__(self, fields: Fields) -> None:
        self._fields = fields
        self._name = fields.scrubber.name

    def written(self, plan: Json) -> str:
        """The text of the copy's plan.yaml; one comment where there was nothing to read."""
        if not isinstance(plan, dict):
            return _UNREADABLE
        of = settings_of(plan)
        quantity, flag = self._quantity, _flag
        judges: dict[str, Judge] = {
            "plan": lambda value: self._name("plan", str(value)),
            "hosts": self._named("host", self._host),
            "links": self._named("link", self._link),
            "hold": _each(self._hold),
            "factors": lambda value: {
                self._fields.factor(name): self._factor(name, about, of) for name, about in _mapping(value).items()
            },
            "leave_out": _each(lambda value: self._condition(value, of)),
            "trial": _only(
                {
                    "length": quantity,
                    "warmup": quantity,
                    "settle": quantity,
                    "precision": quantity,
                    "confirm": flag,
                    "replicates": self._replicates,
                }
            ),
            "order": _only({"shuffle": flag, "seed": self._fields.number, "control": flag}),
            "lease": quantity,
            "patience": quantity,
            "budget": quantity,
            "threshold": quantity,
            "screen": flag,
            "changed_outside": _word("changed_outside"),
            "accept": _each(lambda value: value if value in NOT_VALID else None),
        }
        return _HEAD + yaml.safe_dump(_only(judges)(plan), sort_keys=False, allow_unicode=True, width=110)

    # -- parts of a plan

    def _named(self, kind: str, judge: Judge) -> Judge:
        return lambda value: {
            self._name(kind, str(name)): judge(inner)
            | ({"ssh": self._name(kind, str(name))} if kind == "host" and "ssh" in _mapping(inner) else {})
            for name, inner in _mapping(value).items()
        }

    def _host(self, value: Any) -> dict[str, Any]:
        return _only({"here": _flag, "privilege": _word("privilege"), "system": _word("system")})(value)

    def _link(self, value: Any) -> dict[str, Any]:
        return _only(
            {
                "ends": _each(self._end),
                "under_test": self._end,
                "far": self._end,
                "rate": self._quantity,
                "address": self._address,
                "ports": _ports,
                "isolated": _flag,
            }
        )(value)

    def _end(self, value: Any) -> Any:
        if isinstance(value, str):
            apart = ":" if " " not in value and ":" in value else " "  # the colon: in a plan's words of before
            host, between, selector = value.partition(apart)
            return f"{self._name('host', host)}{between}{self._fields.interface(selector)}"
        return _only(
            {
                "host": lambda host: self._name("host", str(host)),
                "interface": self._text(self._fields.interface),
                "mac": self._text(self._fields.scrubber.mac),
                "bus": self._text(self._fields.bus),
                "driver": self._text(self._fields.driver),
            }
        )(value)

    def _address(self, value: Any) -> Any:
        if value in ("auto", "temporary"):
            return value
        address = self._fields.scrubber.address
        if isinstance(value, dict):
            return {end: address(str(value[end])) for end in ENDS if end in value}
        return [address(str(one)) for one in value[:2]] if isinstance(value, list) else None

    def _hold(self, value: Any) -> dict[str, Any]:
        entry = _mapping(value)
        setting = str(entry.get("setting", ""))
        return {
            "setting": self._fields.factor(setting),
            **self._where(entry),
            "level": self._fields.level(setting, entry.get("level")),
            **self._own_keys(entry),
        }

    def _factor(self, name: str, value: Any, of: Mapping[str, str]) -> Any:
        setting = of.get(name, name)
        if isinstance(value, list):
            return self._levels(setting, value)
        entry = _mapping(value)
        out: dict[str, Any] = {"setting": self._fields.factor(str(entry["setting"]))} if "setting" in entry else {}
        out |= self._where(entry)
        if "levels" in entry:
            out["levels"] = self._levels(setting, entry["levels"])
        if "only" in entry:
            out["only"] = self._condition(entry["only"], of)
        return out | self._own_keys(entry)

    def _levels(self, setting: str, value: Any) -> Any:
        if isinstance(value, list):
            return [self._level(setting, level) for level in value]
        return {
            self._fields.level_text(setting, str(name)): {
                self._fields.factor(str(inner)): self._level(str(inner), level)
                for inner, level in _mapping(about).items()
            }
            for name, about in _mapping(value).items()
        }

    def _level(self, setting: str, level: Any) -> Any:
        if setting == "boot-lines" and isinstance(level, list):
            return [self._fields.boot_parameters(str(line)) for line in level]
        return self._fields.level(setting, level)

    def _condition(self, value: Any, of: Mapping[str, str]) -> dict[str, Any]:
        return {
            self._fields.factor(str(name)): self._levels(of.get(name, name), level)
            if isinstance(level, list)
            else self._fields.level(of.get(name, name), level)
            for name, level in _mapping(value).items()
        }

    def _where(self, entry: Mapping[str, Any]) -> dict[str, Any]:
        place = entry.get("at")
        if not isinstance(place, str):
            return {}
        return {
            "at": place if place in _PLACES and not self._fields.scrubber.names.is_personal(place) else self._end(place)
        }

    def _own_keys(self, entry: Mapping[str, Any]) -> dict[str, Any]:
        """What only some settings have: which programs and files is nobody's business, that there are some is."""
        out: dict[str, Any] = {
            key: [LEFT_OUT, "{level}"] if key == "write" else [LEFT_OUT] for key in _PROGRAMS if key in entry
        }
        if "file" in entry:
            out["file"] = entry["file"] if entry["file"] in _BOOT_FILES else f"/boot/{LEFT_OUT}"
        judges: dict[str, Judge] = {
            "wait": self._quantity,
            "reboot": _flag,
            "form": _word("form"),
            "effect": _word("effect"),
        }
        return out | _only(judges)(entry)

    # -- leaves

    def _text(self, judge: Callable[[str], str]) -> Judge:
        return lambda value: judge(value) if isinstance(value, str) else None

    def _quantity(self, value: Any) -> Any:
        if isinstance(value, str):
            return value if _QUANTITY.fullmatch(value) else None
        return self._fields.number(value)

    def _replicates(self, value: Any) -> Any:
        number = self._fields.number
        return (
            _only({"min": number, "max": number, "least": number, "most": number})(value)
            if isinstance(value, dict)
            else number(value)
        )


def _mapping(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, dict) else {}


def _only(judges: Mapping[str, Judge]) -> OfRecord:
    """A mapping of the keys that are known, in the plan's order; what has no harmless value is not there."""

    def judged(value: Any) -> dict[str, Any]:
        found = {key: judges[key](inner) for key, inner in _mapping(value).items() if key in judges}
        return {key: inner for key, inner in found.items() if inner is not None}

    return judged


def _each(judge: Judge) -> Judge:
    return lambda value: (
        [found for one in value if (found := judge(one)) is not None] if isinstance(value, list) else None
    )


def _word(key: str) -> Judge:
    return lambda value: value if isinstance(value, str) and value in _WORDS[key] else None


def _flag(value: Any) -> Any:
    return value if isinstance(value, bool) else None


def _ports(value: Any) -> Any:
    return value if not isinstance(value, bool) and _PORTS.fullmatch(str(value)) else None

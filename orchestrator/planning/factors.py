"""Looks up what a plan's factors and held settings mean: settings in the catalogue, traffic factors in their table."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from orchestrator.planning import grammar
from orchestrator.planning.cells import MOST_CELLS
from orchestrator.planning.document import Document, Json, Path, shown
from orchestrator.planning.fields import NAME
from orchestrator.planning.links import ENDS, FAR, UNDER_TEST, EndName, host_and_selector, selector_problem
from orchestrator.planning.names import HOST_WORDS, RESERVED
from orchestrator.planning.own_keys import NOT_IN_A_BUNDLE, OWN_KEYS, check_own_keys, own_level
from orchestrator.planning.plan import BOTH, Catalogue, Change, Factor, LevelOf, SettingInfo, Where, level_text
from orchestrator.planning.synonyms import did_you_mean
from orchestrator.planning.traffic import TRAFFIC_FACTORS, LevelError, TrafficFactor

_ENDS_OF: Mapping[str, tuple[EndName, ...]] = {UNDER_TEST: (UNDER_TEST,), FAR: (FAR,), BOTH: ENDS}


@dataclass
class Lookup:
    """Turns the grammar's factors into factors with their changes; notes what is wrong in the document."""

    document: Document
    catalogue: Catalogue
    hosts: frozenset[str]  # as declared, whether or not their own part is right

    def hold(self, number: int, text: grammar.Hold) -> Change | None:
        """What one entry of `hold` changes."""
        path: Path = ("hold", number)
        if self.document.full:
            return None
        setting = self._setting(text.setting, (*path, "setting"))
        where = self._where(text.at, setting, path)
        if setting is None or not check_own_keys(self.document, text, setting.name, path):
            return None
        level = self._level(text, setting, text.level, (*path, "level"))
        return self._change(setting, where, level.value) if level and where else None

    def factor(self, name: str, text: grammar.Factor) -> Factor | None:
        """A factor with its levels, or None when it is not usable."""
        path: Path = ("factors", name)
        levels_path = path if isinstance(self.document.at(path), list) else (*path, "levels")
        if self.document.full or not self._looks_like_a_factor(name, text, levels_path):
            return None
        if isinstance(text.levels, dict):
            return self._bundle(name, text, levels_path)
        if text.setting is None and name in TRAFFIC_FACTORS:
            return self._traffic(TRAFFIC_FACTORS[name], text, levels_path)
        return self._of_setting(name, text, levels_path)

    def _looks_like_a_factor(self, name: str, text: grammar.Factor, levels_path: Path) -> bool:
        """Whether the name can be a factor's, and the levels are some levels."""
        if name in RESERVED:
            said = f"'{name}' is the name of a column of the results"
            hint = f"give the factor another name, such as {name}-level"
            self.document.report(("factors", name), "bad-name", said, hint, key=True)
            return False
        if isinstance(text.levels, dict):
            return True
        if not isinstance(text.levels, list) or not text.levels:
            found = "an empty list" if text.levels == [] else shown(text.levels)
            said = f"levels of '{name}' is a list of levels, or a mapping of named levels, not {found}"
            hint = f"write levels: [{level_text(text.levels)}]" if isinstance(text.levels, str | int) else ""
            self.document.report(levels_path, "wrong-type", said, hint)
            return False
        if len(text.levels) > MOST_CELLS:
            said = f"{len(text.levels)} levels of '{name}': a plan has at most {MOST_CELLS} cells"
            self.document.report(levels_path, "too-many-cells", said)
            return False
        return True

    def _of_setting(self, name: str, text: grammar.Factor, levels_path: Path) -> Factor | None:
        """A factor that varies one setting."""
        path: Path = ("factors", name)
        if text.setting is None and name not in self.catalogue:
            self.document.report(
                path,
                "unknown-factor",
                f"'{name}' is neither a setting nor a traffic factor",
                did_you_mean(name, [*self.catalogue, *TRAFFIC_FACTORS])
                or "a factor under a name of its own says which setting: it varies",
                key=True,
            )
            return None
        if text.setting is not None and name != text.setting and (name in self.catalogue or name in TRAFFIC_FACTORS):
            self.document.report(
                path,
                "clash",
                f"'{name}' varies {text.setting}, but {name} is itself something to vary",
                "give the factor another name",
                key=True,
            )
        setting = self._setting(text.setting or name, (*path, "setting"))
        where = self._where(text.at or BOTH, setting, path)
        if setting is None or not check_own_keys(self.document, text, setting.name, path):
            return None
        found = [
            self._level(text, setting, raw, (*levels_path, number))
            for number, raw in enumerate(text.levels)
            if not self.document.full
        ]
        self._refuse_twins(name, levels_path, [level.shown if level else None for level in found])
        if where is None:
            return None
        levels = [LevelOf(level.shown, (self._change(setting, where, level.value),)) for level in found if level]
        return Factor(name, "setting", tuple(levels), unit=setting.unit, doc=setting.doc) if levels else None

    def _traffic(self, known: TrafficFactor, text: grammar.Factor, levels_path: Path) -> Factor | None:
        """A factor that varies the traffic."""
        path: Path = ("factors", known.name)
        for key in ("at", *OWN_KEYS):
            if self.document.at((*path, key)) is not None:
                self.document.report(
                    (*path, key),
                    "clash",
                    f"{known.name} varies the traffic, not a host: '{key}' does not belong here",
                    f"leave {key} out",
                    key=True,
                )
        shown_levels: list[Json] = []
        levels = []
        for number, raw in enumerate(text.levels):
            if self.document.full:
                break
            try:
                level, value = known.read(raw)
            except LevelError as error:
                self._report_level((*levels_path, number), known.name, error)
                shown_levels.append(None)
            else:
                levels.append(LevelOf(level, traffic={known.key: value}))
                shown_levels.append(level)
        self._refuse_twins(known.name, levels_path, shown_levels)
        return (
            Factor(known.name, "traffic", tuple(levels), transport=known.transport, unit=known.unit, doc=known.doc)
            if levels
            else None
        )

    def _report_level(self, path: Path, name: str, error: LevelError) -> None:
        """A level that the traffic factor cannot have."""
        known = TRAFFIC_FACTORS[name]
        self.document.report(
            path,
            error.code,
            f"{name}: {error.message}",
            error.suggestion
            or did_you_mean(str(self.document.at(path)), known.domain_text.split(", "))
            or f"{name} takes {known.domain_text}, such as {known.example}",
        )

    def _bundle(self, name: str, text: grammar.Factor, levels_path: Path) -> Factor | None:
        """A factor whose levels each stand for several settings."""
        path: Path = ("factors", name)
        if name in self.catalogue or name in TRAFFIC_FACTORS:
            self.document.report(
                path,
                "clash",
                f"a bundle cannot have the name of a setting or traffic factor, as '{name}' is",
                "write a list of levels, or name the bundle otherwise",
                key=True,
            )
        for key in ("setting", *OWN_KEYS):
            if self.document.at((*path, key)) is not None:
                self.document.report(
                    (*path, key),
                    "clash",
                    f"the levels of '{name}' name their settings themselves: '{key}' does not belong here",
                    f"leave {key} out",
                    key=True,
                )
        if not text.levels:
            self.document.report(levels_path, "wrong-type", f"'{name}' has no levels")
        levels = []
        for level, settings in text.levels.items():
            where = (*levels_path, level)
            if not re.fullmatch(NAME, level, re.ASCII):
                self.document.report(
                    where,
                    "bad-name",
                    f"'{level[:40]}' cannot be the name of a level",
                    "a name begins with a lower-case letter and goes on with letters, digits, _ and -",
                    key=True,
                )
            elif not isinstance(settings, dict):
                self.document.report(
                    where,
                    "wrong-type",
                    f"level '{level}' is a mapping of settings, not {shown(settings)}",
                    f"write {level}: {{}} for the host as it is"
                    if settings is None
                    else f"write {level}: {{mtu: 9000}}, or {{}} for the host as it is",
                )
            else:
                levels.append(LevelOf(level, self._bundled(settings, text.at or BOTH, where, path)))
        return Factor(name, "bundle", tuple(levels)) if levels else None

    def _bundled(self, settings: dict[str, Any], at: str, path: Path, factor_path: Path) -> tuple[Change, ...]:
        """The changes of one level of a bundle."""
        changes = []
        for name, raw in settings.items():
            if self.document.full:
                break
            if name in TRAFFIC_FACTORS or name in NOT_IN_A_BUNDLE:
                self.document.report(
                    (*path, name),
                    "clash",
                    f"{name} cannot be part of a bundle of settings",
                    "give it a factor of its own",
                    key=True,
                )
                continue
            setting = self._setting(name, (*path, name), key=True)
            where = self._where(at, setting, factor_path)
            level = setting and self._level(None, setting, raw, (*path, name))
            if setting and where and level:
                changes.append(self._change(setting, where, level.value))
        return tuple(changes)

    def _setting(self, name: str, path: Path, *, key: bool = False) -> SettingInfo | None:
        """The setting of that name."""
        found = self.catalogue.get(name)
        if found is None:
            traffic = (
                f"{name} is a traffic factor: write it under factors as {name}: [...]"
                if name in TRAFFIC_FACTORS
                else ""
            )
            self.document.report(
                path,
                "unknown-factor",
                f"there is no setting '{name[:40]}'",
                traffic or did_you_mean(name, self.catalogue) or "`linktrial settings` lists them",
                key=key,
            )
        return found

    def _where(self, at: str, setting: SettingInfo | None, path: Path) -> Where | None:
        """Where `at` is."""
        if at in _ENDS_OF:
            return Where(ends=_ENDS_OF[at])
        host, selector = host_and_selector(at)
        place: Path = (*path, "at")
        if host not in self.hosts:
            self.document.report(
                place,
                "unknown-host",
                f"'{at[:40]}' is no host of this plan, nor under_test, far or both",
                did_you_mean(host, [*sorted(self.hosts), *HOST_WORDS]),
            )
            return None
        if selector and (problem := selector_problem(selector)):
            self.document.report(place, "bad-value", problem)
            return None
        if selector and setting is not None and setting.scope == "host":
            self.document.report(
                place, "clash", f"{setting.name} belongs to the whole host, not to one interface", f"write at: {host}"
            )
            return None
        return Where(host=host, selector=selector)

    def _level(
        self, text: grammar.Hold | grammar.Factor | None, setting: SettingInfo, raw: Json, path: Path
    ) -> _Level | None:
        """A level that the setting can have."""
        found = own_level(self.document, text, setting.name, raw, path)
        if found is None:
            return None
        level, value = found
        problem = setting.problem_with(value)
        if problem:
            self.document.report(
                path,
                "bad-level",
                f"{setting.name}: {problem}",
                did_you_mean(level_text(raw), re.split(r"[^A-Za-z0-9_-]+", setting.domain_text))
                or f"{setting.name} takes {setting.domain_text}, such as {setting.example}",
            )
            return None
        return _Level(level, value)

    def _refuse_twins(self, name: str, path: Path, levels: Sequence[Json]) -> None:
        """Two equal levels are one cell measured twice under two numbers."""
        seen = set()
        for number, level in enumerate(levels):
            mark = json.dumps(level, sort_keys=True)
            if level is not None and mark in seen:
                said = f"'{name}' has the level {level_text(level)} twice"
                hint = "for more trials of each cell raise trial: {replicates: ...}"
                self.document.report((*path, number), "clash", said, hint)
            seen.add(mark)

    @staticmethod
    def _change(setting: SettingInfo, where: Where, level: Json) -> Change:
        """The change that a level stands for."""
        restarts = setting.restarts(level)
        privilege = "root" if restarts else setting.privilege
        return Change(setting.name, setting.scope, where, level, privilege, setting.costly, restarts)


@dataclass(frozen=True)
class _Level:
    """A level as the matrix shows it and as the host gets it."""

    shown: Json
    value: Json

"""The names that a run knows: of hosts, links, factors and people. Each is replaced wherever it stands as a name."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from orchestrator.planning.document import Json
from orchestrator.report.public.reviewed import SETTINGS, TRAFFIC
from orchestrator.report.public.sentences import words

_PERSONAL = ("host", "ssh name", "user", "bind")
_OF_A_HOST = {"ssh": "ssh name", "user": "user"}
_OF_FACTS = {"hostname": "host", "fqdn": "host", "nodename": "host"}


class Names:
    """Pairs of kind and name, in the order in which the run lists them; the first kind of a name is its kind."""

    def __init__(self) -> None:
        self._kinds: dict[str, str] = {}
        self._folded: dict[str, str] = {}

    def add(self, kind: str, name: Any) -> None:
        """Remember a name, unless it is none or is known already."""
        if isinstance(name, str) and name.strip():
            self._kinds.setdefault(name, kind)
            self._folded.setdefault(name.casefold(), name)

    def pairs(self) -> Iterator[tuple[str, str]]:
        """(kind, name) of all."""
        return ((kind, name) for name, kind in self._kinds.items())

    def all(self) -> list[str]:
        """The names alone."""
        return list(self._kinds)

    def kind_of(self, text: str) -> str:
        """The kind of a name, in whatever case it is written; "" when it is none."""
        known = self._folded.get(text.casefold())
        return self._kinds[known] if known is not None else ""

    def as_known(self, text: str) -> str:
        """The name as the run spells it."""
        return self._folded[text.casefold()]

    def is_personal(self, text: str) -> bool:
        """Whether a host, a user or what SSH calls them has this name."""
        return self.kind_of(text) in _PERSONAL


def names_of(run: Mapping[str, Any], surveys: list[Any], plan: Json) -> Names:
    """The names in run.json, the surveys and the plan as it was read."""
    names = Names()
    planned = plan if isinstance(plan, dict) else {}
    for host in (
        *_keys(planned.get("hosts")),
        *_keys(run.get("hosts")),
        *_keys(run.get("as_found")),
        *_keys(run.get("instrument")),
    ):
        names.add("host", host)
    for about in _values(planned.get("hosts")):
        for key, kind in _OF_A_HOST.items():
            names.add(kind, _mapping(about).get(key))
    for bound in _values(run.get("binds")):
        names.add("bind", bound)
    _add_of_facts(names, [*_values(run.get("hosts")), *[facts for survey in surveys for facts in _values(survey)]])
    for link in (*_keys(planned.get("links")), *_keys(run.get("links"))):
        names.add("link", link)
    names.add("plan", run.get("plan_name"))
    names.add("plan", planned.get("plan"))
    _add_factors(names, planned)
    return names


def _add_of_facts(names: Names, hosts: list[Any]) -> None:
    for host in hosts:
        facts = _mapping(_mapping(host).get("facts")) or _mapping(host)
        for key, kind in _OF_FACTS.items():
            names.add(kind, facts.get(key))


def _add_factors(names: Names, planned: Mapping[str, Any]) -> None:
    """Factors that are no setting of ours, and the names of bundles."""
    for factor, about in _mapping(planned.get("factors")).items():
        if factor not in SETTINGS | TRAFFIC:
            names.add("factor", factor)
        levels = _mapping(about).get("levels")
        for level in _keys(levels):
            if level.lower() not in words():
                names.add("level", level)


def _mapping(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, dict) else {}


def _keys(value: Any) -> list[str]:
    return [str(key) for key in _mapping(value)]


def _values(value: Any) -> list[Any]:
    return list(_mapping(value).values())

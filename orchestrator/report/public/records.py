"""run.json and the surveys, written anew key by key: what is not named here is left out. Pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from orchestrator.report.public.fields import Fields
from orchestrator.report.public.reviewed import (
    DUPLEX,
    ENDED,
    HOW,
    INTERFACE_KINDS,
    MACHINES,
    OPERSTATES,
    SYSTEMS,
    TRAFFIC,
)
from orchestrator.results.write import cell_text
from orchestrator.stored import SCHEMA_VERSION

Judge = Callable[[Any], Any]
Spec = dict[str, Judge]
_MOST_ENTRIES = 10_000
_MOST_VALUE = 10**10  # of a setting: longer ones are as likely somebody's number
_TRANSPORTS = frozenset({"tcp", "udp"})
_OTHER_TRAFFIC = (
    "datagram_bytes",
    "socket_buffer_bytes",
    "segment_bytes",
    "pacing_bit_s",
    "burst_datagrams",
    "send_path",
    "receive_path",
    "loss_ratio_limit",
)


class Records:
    """The allow-list of each record, by the keys that lead there."""

    def __init__(self, fields: Fields, settings_of: Mapping[str, str]) -> None:
        """`settings_of` says which setting a factor of the plan varies."""
        self._fields = fields
        self._scrubber = fields.scrubber
        self._settings_of = settings_of
        self._facts = self._facts_spec()
        self._difference = self._difference_spec()
        self._run = self._run_spec()

    def run(self, run: Mapping[str, Any]) -> dict[str, Any]:
        """run.json of the copy."""
        return {**_record(self._run)(run), "schema": SCHEMA_VERSION}

    def survey(self, survey: Any) -> dict[str, Any]:
        """A survey: facts by host."""
        return self._by_name("host", _record(self._facts))(survey)

    # -- kinds of leaves

    def _text(self, value: Any) -> str:
        return self._scrubber.text(value) if isinstance(value, str) else ""

    def _by(self, judge: Callable[[str], str]) -> Judge:
        return lambda value: judge(value) if isinstance(value, str) else ""

    def _name(self, kind: str) -> Judge:
        return self._by(lambda text: self._scrubber.name(kind, text))

    def _of(self, allowed: frozenset[str], kind: str = "word") -> Judge:
        return self._by(lambda text: self._scrubber.of(allowed, text, kind))

    def _mark(self, kind: str) -> Judge:
        """A fingerprint: which two are the same may be seen, and nothing else."""
        return self._by(lambda text: self._scrubber.stand_ins.give(kind, text) if text else "")

    def _by_name(self, kind: str, judge: Judge) -> Callable[[Any], dict[str, Any]]:
        def judged(value: Any) -> dict[str, Any]:
            return {self._scrubber.name(kind, str(key)): judge(inner) for key, inner in _items(value)}

        return judged

    def _plain(self, value: Any) -> Any:
        """A value before or after a change: numbers and words of ours."""
        if value is None or isinstance(value, bool | int | float):
            number = self._fields.number(value)
            return number if number is not None and abs(number) < _MOST_VALUE else None
        return self._text(value) if isinstance(value, str) else self._scrubber.stand_ins.give("value", repr(value))

    # -- the records

    def _facts_spec(self) -> Spec:
        number, fields = self._fields.number, self._fields
        address: Spec = {
            "address": self._by(self._scrubber.address),
            "prefix": number,
            "family": number,
            "tentative": number,
            "scope": number,
        }
        interface: Spec = {
            "name": self._by(fields.interface),
            "index": number,
            "mac": self._by(self._scrubber.mac),
            "permanent_mac": self._by(self._scrubber.mac),
            "driver": self._by(fields.driver),
            "driver_version": self._by(fields.version),
            "firmware": self._by(fields.version),
            "bus": self._by(fields.bus),
            "kind": self._of(INTERFACE_KINDS),
            "mtu": number,
            "min_mtu": number,
            "max_mtu": number,
            "speed_bit_s": number,
            "duplex": self._of(DUPLEX),
            "operstate": self._of(OPERSTATES),
            "carrier": number,
            "loopback": number,
            "addresses": _listed(_record(address)),
        }
        kernel: Spec = {
            "release": self._by(fields.release),
            "build": self._by(fields.build),
            "build_id": self._mark("build id"),
            "boot_parameters": self._by(fields.boot_parameters),
            "configuration_sha256": self._mark("configuration"),
            "modules_sha256": self._mark("set of modules"),
            "modules": _listed(self._by(fields.driver)),
        }
        return {
            "system": self._of(SYSTEMS),
            "family": self._of(SYSTEMS),
            "hostname": self._name("host"),
            "kernel": self._by(fields.release),
            "kernel_build": self._by(fields.build),
            "machine": self._of(MACHINES),
            "model": self._mark("model"),
            "python": self._by(fields.version),
            "cpus": number,
            "online_cpus": _listed(number),
            "interfaces": _listed(_record(interface)),
            "kernel_identity": _record(kernel),
        }

    def _difference_spec(self) -> Spec:
        return {
            "what": self._text,
            "target": self._by(self._fields.interface),
            "setting": self._by(self._fields.factor),
            "before": self._plain,
            "now": self._plain,
            "ours": self._plain,
            "why": self._text,
        }

    def _run_spec(self) -> Spec:
        number, fields = self._fields.number, self._fields
        differences = _listed(_record(self._difference))
        found: Spec = {
            "ok": number,
            "how": self._of(HOW),
            "changed": number,
            "left": differences,
            "conflicts": differences,
            "touched": differences,
            "other": differences,
        }
        return {
            "run_id": self._by(fields.run_id),
            "plan_name": self._name("plan"),
            "bench": _record({"room_c": number}),
            "linktrial": self._by(fields.version),
            "helper_hash": self._mark("helper code"),
            "started_at": self._by(fields.time),
            "ended_at": self._by(fields.time),
            "exit": number,
            "ended": self._of(ENDED),
            "seed": number,
            "threshold_ratio": number,
            "trial": _record({"length_s": number, "warmup_s": number, "settle_s": number}),
            "links": self._by_name(
                "link", _record({"ends": _listed(self._end), "rate_bit_s": number, "isolated": number})
            ),
            "cells": _listed(self._cell),
            "lab": lambda value: {"made_by_linktrial": True} if value else None,
            "screen": self._screen,
            "hosts": self._by_name(
                "host",
                lambda value: {
                    "facts": _record(self._facts)(value.get("facts", value) if isinstance(value, dict) else {})
                },
            ),
            "instrument": self._by_name("host", _only(_TRANSPORTS, number)),
            "replicates_asked": number,
            "as_found": self._by_name("host", _record(found)),
            "stop": self._said,
            "refused": self._said,
            "notes": _listed(self._note),
        }

    def _end(self, value: Any) -> list[str]:
        pair = [str(one) for one in value][:2] if isinstance(value, list | tuple) else []
        return [self._scrubber.name("host", pair[0]), self._fields.interface(pair[1])] if len(pair) == 2 else []

    def _cell(self, value: Any) -> dict[str, Any]:
        cell = value if isinstance(value, dict) else {}
        levels = {
            self._fields.factor(str(name)): self._level(str(name), level) for name, level in _items(cell.get("levels"))
        }
        link = self._name("link")
        # As the plan names a cell, so that two copies of runs of one plan can be compared.
        key = [f"{name}={cell_text(level)}" for name, level in levels.items() if level is not None]
        if str(cell.get("key", "")).startswith("link="):
            key.insert(0, f"link={link(cell.get('link'))}")
        judged = {
            "number": self._fields.number(cell.get("number")),
            "key": " ".join(key) or "as-it-stands",
            "levels": levels,
            "link": link(cell.get("link")),
        }
        if "settings" in cell:
            judged |= {
                "links": _listed(link)(cell.get("links")),
                "settings": _listed(self._use)(cell["settings"]),
                "traffic": self._traffic(cell.get("traffic")),
            }
        return judged

    def _level(self, factor: str, level: Any) -> Any:
        return self._fields.level(self._settings_of.get(factor, factor), level)

    def _use(self, value: Any) -> dict[str, Any]:
        use = value if isinstance(value, dict) else {}
        setting = str(use.get("setting", ""))
        return {
            "host": self._name("host")(use.get("host")),
            "selector": self._by(self._fields.interface)(use.get("selector")),
            "setting": self._fields.factor(setting),
            "level": self._fields.level(setting, use.get("level")),
            "factor": self._by(self._fields.factor)(use.get("factor")),
            "restarts": self._fields.number(use.get("restarts")),
        }

    def _traffic(self, value: Any) -> dict[str, Any]:
        return {
            str(name): self._fields.level(str(name) if name in TRAFFIC else "streams", inner)
            for name, inner in _items(value)
            if name in TRAFFIC or name in _OTHER_TRAFFIC
        }

    def _screen(self, value: Any) -> Any:
        if not isinstance(value, dict):
            return None
        factor = self._by(self._fields.factor)
        return {
            "factors": _listed(factor)(value.get("factors")),
            "generators": {factor(str(name)): _listed(factor)(of) for name, of in _items(value.get("generators"))},
            "resolution": self._fields.number(value.get("resolution")),
            "levels": {
                factor(str(name)): [self._level(str(name), level) for level in of if isinstance(of, list)]
                for name, of in _items(value.get("levels"))
                if isinstance(of, list)
            },
        }

    def _said(self, value: Any) -> Any:
        """Why a run was refused or stopped: the code and the sentence."""
        if not isinstance(value, dict):
            return self._text(value) if isinstance(value, str) else None
        return _record(
            {
                "whose": self._of(frozenset({"user", "host", "link", "ours"})),
                "kind": self._text,
                "code": self._text,
                "message": self._text,
                "reason": self._text,
            }
        )(value)

    def _note(self, value: Any) -> str:
        if isinstance(value, dict):
            value = value.get("sentence") or value.get("message")
        return self._text(value)


def _items(value: Any) -> list[tuple[Any, Any]]:
    return list(value.items())[:_MOST_ENTRIES] if isinstance(value, dict) else []


def _record(spec: Spec) -> Callable[[Any], dict[str, Any]]:
    def judged(value: Any) -> dict[str, Any]:
        known = value if isinstance(value, dict) else {}
        found = {key: (known[key], judge(known[key])) for key, judge in spec.items() if key in known}
        # What is not a number where one belongs is as if it had never been recorded.
        return {key: judged for key, (original, judged) in found.items() if judged is not None or original is None}

    return judged


def _only(keys: frozenset[str], judge: Judge) -> Judge:
    return lambda value: {key: judge(inner) for key, inner in _items(value) if key in keys}


def _listed(judge: Judge) -> Judge:
    return lambda value: [judge(one) for one in value[:_MOST_ENTRIES]] if isinstance(value, list) else []

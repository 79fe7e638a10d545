"""Turns what the models complain about into problems with a place, in the plan's own words."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from orchestrator.planning import grammar, links
from orchestrator.planning.document import MOST_PROBLEMS, Document, Json, Path, shown
from orchestrator.planning.problems import CODES
from orchestrator.planning.synonyms import did_you_mean, meant

_PARTS: tuple[tuple[Path, type[BaseModel], str], ...] = (
    ((), grammar.PlanText, "the plan"),
    (("bench",), grammar.Bench, "bench"),
    (("hosts", "*"), grammar.Host, "host"),
    (("hosts", "*", "power_cycle"), grammar.PowerCycle, "power_cycle"),
    (("links", "*"), links.Link, "link"),
    (("links", "*", "under_test"), links.End, "under_test of link"),
    (("links", "*", "far"), links.End, "far of link"),
    (("links", "*", "address"), links.LinkAddresses, "address of link"),
    (("hold", "*"), grammar.Hold, "hold entry"),
    (("factors", "*"), grammar.Factor, "factor"),
    (("trial",), grammar.Trial, "trial"),
    (("trial", "replicates"), grammar.Replicates, "replicates"),
    (("order",), grammar.Order, "order"),
)
_A_LINK = "{under_test: dome eth1, far: hall eth1}"
_EXPECTED = {
    "string_type": "text",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number",
    "bool_type": "true or false",
    "dict_type": "a mapping",
    "list_type": "a list",
    "tuple_type": "a list",
    "model_type": "a mapping",
    "model_attributes_type": "a mapping",
}
_SHAPE_HINTS = {
    "host_key": "a public key as the host has it in /etc/ssh/ssh_host_ed25519_key.pub: ssh-ed25519 AAAA...",
    "user": "a login name has no spaces, ':', '/' or '@', and does not begin with '-'",
}
_YES_NO = {
    "yes": "true",
    "on": "true",
    "y": "true",
    "true": "true",
    "1": "true",
    "no": "false",
    "off": "false",
    "n": "false",
    "false": "false",
    "0": "false",
}


def report(document: Document, error: ValidationError) -> set[Path]:
    """Note every complaint in the document; returns the parts that cannot be used."""
    failed = set()
    details = error.errors(include_url=False, include_input=False)
    misspelt = {
        (path[:-1], meant(str(path[-1]), keys(model)))
        for detail in details[:MOST_PROBLEMS]
        if detail["type"] == "extra_forbidden" and (model := _part((path := _path(document, detail)[0])[:-1])[0])
    }
    for detail in details:
        path, key = _path(document, detail)
        failed.add(path)
        if document.full:
            continue
        if detail["type"] == "missing" and (path, str(detail["loc"][-1])) in misspelt:
            continue  # it is there under another spelling, which is said already
        code, message, suggestion = _words(document, path, key, detail)
        document.report(path, code, message, suggestion, key=key)
    return failed


def _path(document: Document, detail: ErrorDetails) -> tuple[Path, bool]:
    """(the path in the file, whether its key is meant): steps that only the models know are left out."""
    path: Path = ()
    steps = detail["loc"]
    if detail["type"] == "missing":
        steps = steps[:-1]
    for step in steps:
        here = document.at(path)
        if (isinstance(here, Mapping) and step in here) or (isinstance(here, list) and isinstance(step, int)):
            path = (*path, step)
    return path, detail["type"] in {"extra_forbidden", "missing"} or steps[-1:] == ("[key]",)


Words = tuple[str, str, str]  # code, message, suggestion


def _words(document: Document, path: Path, key: bool, detail: ErrorDetails) -> Words:
    """What to say of one complaint."""
    kind, context, value = detail["type"], detail.get("ctx", {}), document.at(path)
    if kind in CODES:
        return kind, str(context["text"]), str(context.get("suggestion", ""))
    if kind == "missing":
        return _missing(path, str(detail["loc"][-1]))
    if key:
        return _wrong_key(path, kind)
    if kind == "literal_error":
        return _none_of(_name(path), str(context["expected"]), value)
    if kind in _EXPECTED:
        code, message, hint = _wrong_type(_name(path), _EXPECTED[kind], value, document.texts.get(path, ""))
        return code, message, _written_out(path, value) or hint
    hint = _better_name(str(value)) if path == ("plan",) else _SHAPE_HINTS.get(str(path[-1]), "")
    return "bad-value", _bounds(kind, context, _name(path), value), hint if kind == "string_pattern_mismatch" else ""


def _name(path: Path) -> str:
    """The part at `path` within a sentence; entries of lists count from 1."""
    if not path:
        return "the plan"
    last = path[-1]
    return last if isinstance(last, str) else f"entry {last + 1} of {_name(path[:-1])}"


def _wrong_key(path: Path, kind: str) -> Words:
    """A key that the part does not have, or a name that cannot be one."""
    key = str(path[-1])
    if kind != "extra_forbidden":
        return "bad-name", f"'{key[:40]}' cannot be a name here", _own_name(path, key) or _better_name(key)
    model, words = _part(path[:-1])
    suggestion = did_you_mean(key, keys(model)) if model else ""
    return "unknown-key", f"unknown key '{key[:40]}' in {words}", suggestion or _lives_elsewhere(key)


def _own_name(path: Path, key: str) -> str:
    """A setting that is named by the kernel becomes a factor under a name of its own."""
    short = key.rpartition(".")[2]
    if path[0] != "factors" or not re.fullmatch(r"[a-z][a-z0-9_-]{0,31}", short) or short == key or len(key) > 80:
        return ""
    return f"give it a name of its own: {short}: {{setting: {key}, levels: [...]}}"


def _lives_elsewhere(key: str) -> str:
    """Where a key belongs that is right, or nearly right, but not here."""
    for exact in (True, False):
        for pattern, model, words in _PARTS:
            place = f"a {words.split()[-1]}" if pattern[-1:] == ("*",) else words
            if exact and key in keys(model):
                return f"'{key}' belongs to {place}"
            if not exact and (near := meant(key, keys(model))):
                return f"did you mean '{near}' of {place}?"
    return ""


def _none_of(name: str, expected: str, value: Json) -> Words:
    """A word outside of a closed set."""
    names = [part.strip().strip("'") for part in expected.replace(" or ", ", ").split(",")]
    listed = " or ".join(filter(None, [", ".join(names[:-1]), names[-1]]))
    if isinstance(value, list | dict):
        return _wrong_type(name, listed, value, "")
    return "bad-value", f"{name} is {listed}, not {shown(value)}", did_you_mean(str(value), names)


def _missing(path: Path, key: str) -> tuple[str, str, str]:
    """A key that must be given, with an example of it."""
    model, words = _part(path)
    example = ""
    for name, info in (model.model_fields if model else {}).items():
        if key in (name, info.alias) and info.examples:
            example = f"such as {key}: {_flow(info.examples[0])}"
    return "missing-key", f"{words} has no '{key}'", example


def _flow(value: object) -> str:
    """An example as a plan would write it."""
    return f"[{', '.join(map(str, value))}]" if isinstance(value, list) else str(value)


def _wrong_type(name: str, expected: str, value: Json, text: str) -> tuple[str, str, str]:
    """A value of another type than its key takes."""
    suggestion = ""
    if expected == "true or false" and str(value).casefold() in _YES_NO:
        suggestion = f"write {_YES_NO[str(value).casefold()]}"
    elif expected == "text" and isinstance(value, bool | int | float):
        suggestion = f'in quotes it is text: "{text}"'
    elif expected == "a whole number" and isinstance(value, str) and value.strip().isdecimal():
        suggestion = f"write {value.strip()} without quotes"
    elif expected == "a list" and isinstance(value, str | int | float | dict):
        suggestion = "write [...], or a line with - for each entry"
    return "wrong-type", f"{name} takes {expected}, not {shown(value)}", suggestion


def _written_out(path: Path, value: Json) -> str:
    """How a part is written whose mapping was left out."""
    match path, value:
        case ("hosts", name), str():
            return f"write {name}: {{ssh: {value[:60]}}}"
        case ("links", name), list():
            return f"write {name}: {_A_LINK}"
        case ("hosts" | "links" | "factors" as section,), list():
            such = {"hosts": "dome: {ssh: dome.obs.example}", "links": f"uplink: {_A_LINK}"}
            return f"{section} are named: {such.get(section, 'mtu: [1500, 9000]')}"
        case ("trial",), str():
            return f"write trial: {{length: {value[:20]}}}"
    return ""


def _bounds(kind: str, context: Mapping[str, Any], name: str, value: Json) -> str:
    """A value outside of what its key takes."""
    if kind in {"greater_than_equal", "greater_than", "less_than_equal", "less_than"}:
        limit = next(iter(context.values()))
        return f"{name} is {shown(value)}: it must be {'at least' if 'greater' in kind else 'at most'} {limit}"
    if kind in {"too_short", "string_too_short"}:
        return f"{name} is empty"
    if kind in {"too_long", "string_too_long"}:
        return f"{name} is too long: at most {context.get('max_length')}"
    return f"{name} cannot be {shown(value)}"


def _better_name(name: str) -> str:
    """What a name is made of, and this one mended."""
    mended = "".join(
        letter if letter.isascii() and (letter.isalnum() or letter in "-_") else "-"
        for letter in name.casefold().strip()
    ).strip("-_")[:32]
    rule = "a name begins with a lower-case letter and goes on with letters, digits, _ and -"
    return f"{rule}: '{mended}'" if mended[:1].isalpha() and mended != name else rule


def _part(path: Path) -> tuple[type[BaseModel] | None, str]:
    """The model that reads the part at `path`, and the part's name in a sentence."""
    for pattern, model, words in _PARTS:
        if len(pattern) == len(path) and all(want in ("*", step) for want, step in zip(pattern, path, strict=True)):
            named = next((step for want, step in zip(pattern, path, strict=True) if want == "*"), None)
            if isinstance(named, int):
                return model, _name(path)
            return model, f"{words} '{named}'" if named else words
    return None, str(path[-1]) if path else "the plan"


def keys(model: type[BaseModel]) -> list[str]:
    """The keys that a plan may write in this part."""
    return [info.alias or name for name, info in model.model_fields.items()]

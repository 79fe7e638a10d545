"""Data that was stored and may come from a stranger: read as what we would have written, or refused in one sentence.

Pure: imports no I/O, so that every room may use it.
"""

from __future__ import annotations

import contextlib
import dataclasses
import functools
import json
import math
import re
import types
import typing
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from orchestrator.faults import BugError, Fault, PlanError

SCHEMA_VERSION = 2  # of a run's folder; 1 is read under today's names (results/version_1.py)
Json = dict[str, Any]  # an object out of JSON, at the border where its shape is checked
NO_SENSE = "no_sense"  # the code of a folder's content that holds together and tells nothing
_MOST_DIGITS = 24  # counters have 64 bits, which is 20 digits
# What ordinary data has none of; only what has is read the slow way.
_UNUSUAL = re.compile(rf"[0-9]{{{_MOST_DIGITS + 1}}}|[eE]\+?[0-9]{{3}}|NaN|Infinity|\\u[dD][89a-fA-F]|[\ud800-\udfff]")
_LONE_SURROGATE = re.compile("[\ud800-\udfff]")


def loads(text: str) -> Any:
    """The JSON value of a text. Numbers that are not finite are missing (None), lone surrogates are replaced.

    ValueError when it is no JSON, is nested too deeply to be read, or has a whole number longer than any of ours.
    """
    try:
        if not _UNUSUAL.search(text):
            return json.loads(text)
        found = json.loads(text, parse_int=_whole, parse_float=_finite, parse_constant=lambda _: None)
        return _writable(found)
    except RecursionError:
        raise ValueError("it is nested too deeply") from None


def _whole(digits: str) -> int:
    if len(digits) > _MOST_DIGITS:
        raise ValueError(f"it has a number of {len(digits)} digits")
    return int(digits)


def _finite(text: str) -> float | None:
    value = float(text)
    return value if math.isfinite(value) else None


def _writable(value: object) -> object:
    if isinstance(value, str):
        return _LONE_SURROGATE.sub("\ufffd", value)
    if isinstance(value, list):
        return [_writable(each) for each in value]
    return {_writable(key): _writable(each) for key, each in value.items()} if isinstance(value, dict) else value


@contextlib.contextmanager
def made_of(what: object) -> Iterator[None]:
    """Work on nothing but what was stored in `what`: when it can make no sense of that, PlanError says so.

    Whole lines and valid JSON can still tell what no run does; a stranger can write such. What this machine refuses
    (OSError, MemoryError) is not the data's fault, and a fault that was raised on purpose has its own words.
    """
    try:
        yield
    except BugError as error:
        raise _no_sense(what, error) from error
    except (Fault, OSError, MemoryError):
        raise
    except Exception as error:
        raise _no_sense(what, error) from error


def _no_sense(what: object, error: Exception) -> PlanError:
    place, trace = "", error.__traceback__
    while trace is not None:
        place, trace = f"{trace.tb_frame.f_code.co_name}, line {trace.tb_lineno}", trace.tb_next
    return PlanError(
        NO_SENSE,
        f"{what}: what is stored there makes no sense",
        next_step="if nobody has edited it, please report it with this: "
        f"{type(error).__name__} in {place}: {str(error)[:200]}",
    )


def fitting(kind: Any, value: object) -> Any:
    """`value`, as it stands in JSON, made into `kind`: a dataclass with all its fields, a collection, a plain type.

    ValueError says where it does not fit. An optional field may be missing; one that `kind` does not know is refused.
    """
    try:
        return _fitting(kind, value)
    except RecursionError:
        raise ValueError("it is nested too deeply") from None


def _fitting(kind: Any, value: object) -> object:
    if kind is Any or isinstance(kind, typing.ForwardRef):  # the latter: plain JSON's name for what is inside of it
        return value
    if typing.is_typeddict(kind):  # what is inside has been checked where it came from: `decide.shapes`
        kind = dict
    if dataclasses.is_dataclass(kind) and isinstance(kind, type):
        return _record(kind, value)
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin in (typing.Union, types.UnionType, typing.Literal):
        return _any_of(inner, value)
    if origin in (list, tuple, Sequence):
        return _several(kind, origin, inner, value)
    if origin in (dict, Mapping) or kind in (dict, Mapping):
        if not isinstance(value, dict):
            raise ValueError(f"{_shown(value)} is no record")
        return {str(key): _fitting(inner[1] if inner else Any, each) for key, each in value.items()}
    return _plain(kind, value)


def _plain(kind: Any, value: object) -> object:
    plain = int | float if kind is float else kind
    if not isinstance(value, plain) or (isinstance(value, bool) and kind is not bool):
        raise ValueError(f"{_shown(value)} is no {kind.__name__}")
    return value


def _any_of(kinds: tuple[Any, ...], value: object) -> object:
    for kind in kinds:
        if not isinstance(kind, type) and isinstance(kind, str):  # of a Literal
            if value == kind:
                return value
            continue
        with contextlib.suppress(ValueError):
            return _fitting(kind, value)
    raise ValueError(f"{_shown(value)} is none of what it may be")


def _several(kind: Any, origin: object, inner: tuple[Any, ...], value: object) -> object:
    if not isinstance(value, list | tuple):
        raise ValueError(f"{_shown(value)} is no list")
    if origin is tuple and inner and inner[-1] is not Ellipsis:
        if len(value) != len(inner):
            raise ValueError(f"{_shown(value)} has not {len(inner)} entries")
        return tuple(_fitting(each, one) for each, one in zip(inner, value, strict=True))
    made = [_fitting(inner[0] if inner else Any, one) for one in value]
    return tuple(made) if kind is tuple or origin is tuple else made


@functools.cache
def _fields(kind: Any) -> tuple[tuple[str, Any, bool], ...]:
    """(name, type, whether it must be there) of a dataclass's fields."""
    hints = typing.get_type_hints(kind)
    return tuple(
        (
            each.name,
            hints[each.name],
            each.default is dataclasses.MISSING and each.default_factory is dataclasses.MISSING,
        )
        for each in dataclasses.fields(kind)
        if each.init
    )


def _record(kind: Any, value: object) -> object:
    if not isinstance(value, dict):
        raise ValueError(f"{_shown(value)} is no {kind.__name__}")
    known = _fields(kind)
    if unknown := set(value) - {name for name, _, _ in known}:
        raise ValueError(f"{kind.__name__} has no {_shown(min(map(str, unknown)))}")
    made = {}
    for name, inner, needed in known:
        if name in value:
            try:
                made[name] = _fitting(inner, value[name])
            except ValueError as error:
                raise ValueError(f"{name}: {error}") from error
        elif needed:
            raise ValueError(f"{kind.__name__} lacks {name}")
    return kind(**made)


def _shown(value: object) -> str:
    return repr(value)[:60]

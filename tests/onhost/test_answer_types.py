"""The types of hosts' answers and what the controller holds answers against say the same keys, at every depth."""

from __future__ import annotations

import inspect
import typing
from collections.abc import Iterator
from functools import cache
from typing import Any

import pytest

from orchestrator.act.answers import DONE, anything, shape
from orchestrator.onhost.service.shapes import listing
from tests.testing.protocol import function_of

TYPED = [verb for verb in DONE if not verb.startswith("traffic.")]


def typed_answer(verb: str) -> Any:
    """The TypedDict that a verb's function answers."""
    does = function_of(verb)
    return vars(inspect.getmodule(does))[does.__annotations__["return"]]


def keys_of(kind: Any) -> Iterator[str]:
    """The keys of a type, and of all within it."""
    if typing.is_typeddict(kind):
        for key, inner in typing.get_type_hints(kind).items():
            yield key
            yield from keys_of(inner)
    for part in typing.get_args(kind):
        yield from keys_of(part)


@cache
def of_any_answer() -> frozenset[str]:
    """What is a key of some verb's answer: verbs share what they are held against."""
    return frozenset(key for verb in TYPED for key in keys_of(typed_answer(verb)))


def differing(check: Any, kind: Any, where: str) -> Iterator[str]:
    """Where a check wants a key that the type has not always, or knows one that it never has."""
    inner = inspect.getclosurevars(check).nonlocals if inspect.isfunction(check) else {}
    if {"needed", "known"} <= set(inner) and typing.is_typeddict(kind):
        hints = typing.get_type_hints(kind)
        yield from (f"{where}: {key} may be missing" for key in set(inner["needed"]) - kind.__required_keys__)
        yield from (f"{where}: no {key}" for key in set(inner["known"]) - set(hints) - of_any_answer())
        for key in set(inner["known"]) & set(hints):
            yield from differing(inner["known"][key], hints[key], f"{where}.{key}")
    elif "inner" in inner:  # maybe, listing or table of it
        for part in [one for one in typing.get_args(kind) if one not in (type(None), str)] or [kind]:
            yield from differing(inner["inner"], part, where)


@pytest.mark.parametrize("verb", TYPED)
def test_an_answer_has_the_keys_that_the_controller_holds_it_against(verb: str) -> None:
    assert list(differing(DONE[verb], typed_answer(verb), verb)) == []


def test_a_key_that_is_missing_or_unknown_is_found_at_any_depth() -> None:
    survey = typed_answer("survey")
    assert "survey: mtu may be missing" in list(differing(DONE["path.answer"], survey, "survey"))
    assert "cut.machine_depth: processor may be missing" in list(differing(DONE["survey"], _Cut, "cut"))
    unheard = shape({}, {"unheard_of": anything})
    assert list(differing(listing(unheard, 9), list[_Policy], "list")) == ["list: no unheard_of"]


class _Policy(typing.TypedDict):
    policy: str


class _CutMachine(typing.TypedDict):
    policies: list[_Policy]


class _Cut(typing.TypedDict):
    machine_depth: _CutMachine

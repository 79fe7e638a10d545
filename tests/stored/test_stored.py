"""Stored data is read as what we would have written, or refused in a sentence."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.decide.events import EVENTS, event_from_dict
from orchestrator.decide.setup import setup_from_dict
from orchestrator.faults import HostError, PlanError
from orchestrator.planning.order import SplitMix
from orchestrator.stored import NO_SENSE, loads, made_of
from tests.sim.sim import make_setup
from tests.strangers.nonsense import VALUES, spoilt

SETUP = make_setup(1)
PLAIN = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**20), 10**20)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"])),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(max_size=5), inner),
)


@given(PLAIN)
def test_what_we_write_is_read_as_it_was(value: object) -> None:
    assert loads(json.dumps(value)) == value


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("NaN", None),
        ("[-Infinity]", [None]),
        ("1e999", None),
        (r'"\ud800"', "\ufffd"),
        (r'{"\udfff": 1}', {"\ufffd": 1}),
    ],
)
def test_what_cannot_be_reckoned_with_or_written_is_missing(text: str, value: object) -> None:
    assert loads(text) == value


@pytest.mark.parametrize("text", ["9" * 4000, "[" * 100_000, "{", ""])
def test_what_is_no_data_is_a_value_error(text: str) -> None:
    with pytest.raises(ValueError):
        loads(text)


def test_a_setup_comes_back_as_it_was() -> None:
    assert setup_from_dict(json.loads(json.dumps(SETUP.as_dict()))) == SETUP


def test_a_setup_of_a_stranger_has_its_types_or_is_refused() -> None:
    refused = 0
    for seed in range(200):
        data = spoilt(json.loads(json.dumps(SETUP.as_dict())), SplitMix(seed))
        try:
            setup = setup_from_dict(data)
        except ValueError:
            refused += 1
            continue
        assert all(isinstance(name, str) for name in setup.hosts)
        assert all(type(trial.position) is int and type(trial.cell) is int for trial in setup.schedule)
    assert 50 < refused < 200


@pytest.mark.parametrize("kind", EVENTS)
@pytest.mark.parametrize("value", VALUES[:20])
def test_an_event_of_other_types_is_refused(kind: str, value: object) -> None:
    with pytest.raises(ValueError):
        event_from_dict({"event": kind, "unknown": value})


@pytest.mark.parametrize("error", [KeyError("x"), TypeError("x"), StopIteration(), AssertionError(), OverflowError()])
def test_what_makes_no_sense_is_the_folders_fault(error: Exception) -> None:
    with pytest.raises(PlanError) as raised, made_of("night-1"):
        raise error
    assert raised.value.code == NO_SENSE
    assert raised.value.message.startswith("night-1: ")


@pytest.mark.parametrize("error", [OSError(28, "No space left on device"), HostError("busy", "held"), MemoryError()])
def test_what_this_machine_or_a_host_refuses_is_not(error: Exception) -> None:
    with pytest.raises(type(error)), made_of("night-1"):
        raise error

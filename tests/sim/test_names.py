"""Names are only names: any that `check` accepts give the same run, tables and report as plain ones.

A sample; LINKTRIAL_EXAMPLES=N plays N drawn plans and every word of ours in turn.
"""

from __future__ import annotations

import functools
import os
import tempfile
from collections import Counter
from dataclasses import fields, replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from orchestrator.planning.names import RESERVED
from orchestrator.planning.problems import PlanProblems
from tests.sim.named_run import PLAIN, Done, Names, checked, run

OURS = (
    "trial",
    "more",
    "host",
    "mean",
    "status",
    "position",
    "here",
    "both",
    "first",
    "second",
    "under_test",
    "far",
    "transmit",
    "receive",
    "lab",
    "setup",
    "event",
    "recover",
    "record",
    "controller",
    "journal",
    "plan",
    "link",
    "none",
    "null",
    "true",
    "nan",
    "inf",
    "na",
    "on",
    "off",
    "class",
    "index",
    "values",
    "columns",
    "count",
    "size",
    "settings",
    "levels",
    "cell",
    "key",
    "level",
    "kernel",
    "as_found",
    "hold-1",
    "constructor",
    "x_1",
    "a-b",
    "eth1",
    "lo",
    "con",
    "matrix",
    "report",
    "summary",
    "charts",
    "level_0",
    "trial-1",
    "goodput",
    "factor",
)
ANY = st.one_of(
    st.sampled_from(OURS), st.sampled_from(sorted(RESERVED)), st.from_regex(r"[a-z][a-z0-9_-]{0,31}", fullmatch=True)
)
TEXTS = st.one_of(
    ANY,
    st.sampled_from(
        (
            "1 b=2",
            "a,b",
            "a|b",
            "<b>",
            "é",
            "ß",
            "日本",
            "%s",
            "{0}",
            "a.b[0]",
            "'",
            '"',
            "`x`",
            "\\",
            "=1+1",
            "@x",
            "#",
            "a:b",
            "*",
            "&amp;",
            "[x](y)",
            "nan",
            "NA",
            "1e3",
            "01",
            "None",
        )
    ),
)
FACTOR = ANY.filter(lambda name: name not in RESERVED)
DRAWN = {"off": TEXTS, "on": TEXTS, "size": FACTOR, "clock": FACTOR, "led": FACTOR}
NAMES = st.builds(Names, **{field.name: DRAWN.get(field.name, ANY) for field in fields(Names)})
ALL = "LINKTRIAL_EXAMPLES" in os.environ
KINDS = ("plan", "first", "second", "link", "low", "high", "off", "on")  # what a word may be the name of in any case
AT_ONCE = [
    dict(zip(KINDS, OURS[start : start + len(KINDS)], strict=True))
    for start in range(0, len(OURS) - len(KINDS) + 1, len(KINDS))
]


@functools.cache
def plain() -> Done:
    """The same run with plain names."""
    done, why = run_of(PLAIN)
    assert done is not None, why
    return done


def run_of(names: Names) -> tuple[Done | None, str]:
    """The run of a plan with these names; None, and why, when `check` does not accept them."""
    with tempfile.TemporaryDirectory() as home:
        try:
            loaded = checked(names, Path(home))
        except PlanProblems as refused:
            return None, str(refused)
        return run(names, loaded, Path(home)), ""


def same_as_plain(names: Names) -> bool:
    """Whether `check` accepts the names; AssertionError when the run is another than with plain ones."""
    done, why = run_of(names)
    if done is None:
        assert why
        return False
    wanted = plain()
    assert done.problems == ()
    assert done.code == wanted.code == 0
    assert done.statuses == wanted.statuses
    assert Counter(done.events) == Counter(wanted.events)
    for name, table in wanted.tables.items():
        for ours, theirs in zip(done.tables[name], table, strict=True):
            assert ours == theirs, name
    assert done.markdown_shape == wanted.markdown_shape
    assert done.repeated_ids == ()
    assert done.page_shape == wanted.page_shape
    return True


@pytest.mark.parametrize("words", AT_ONCE if ALL else AT_ONCE[:2], ids=lambda words: " ".join(words.values()))
def test_a_word_of_ours_is_only_a_name(words: dict[str, str]):
    """Each by itself when `check` refuses one of them: it says in words what cannot be."""
    names = replace(PLAIN, **words)
    assert not names.clashing
    if not same_as_plain(names):
        assert any(same_as_plain(replace(PLAIN, **{kind: word})) for kind, word in list(words.items())[:2])


@settings(
    max_examples=int(os.environ.get("LINKTRIAL_EXAMPLES", "5")),
    deadline=None,
    database=None,
    derandomize=not ALL,
    suppress_health_check=list(HealthCheck),
)
@given(names=NAMES)
def test_any_names_that_check_accepts_give_the_same_run_as_plain_ones(names: Names):
    if not names.clashing:
        same_as_plain(names)


@pytest.mark.parametrize("led", ["hold-1", "eth1", "governor-x", "pair"])
def test_a_factor_named_as_something_of_ours_is_only_a_factor(led: str):
    assert same_as_plain(replace(PLAIN, led=led))

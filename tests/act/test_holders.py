"""Whoever holds a host is named by login name, with since when, for how long, and what to do."""

from __future__ import annotations

import pytest

from orchestrator.act.holders import held_by, holder_words

SINCE_NS = 1_790_000_000 * 10**9  # 2026-09-21 14:13 UTC


def values(**changes: object) -> dict[str, object]:
    return {
        "run_id": "night-1",
        "holder": holder_words("ann", "desk", 4711, "/home/ann/runs/night-1"),
        "since_wall_ns": SINCE_NS,
        "left_s": 12.3,
        "lease_s": 30.0,
        "standing": "held",
        **changes,
    }


def test_a_held_host_names_who_since_when_which_run_and_what_to_do() -> None:
    held = held_by("busy", values())
    assert held is not None
    said, do = held
    for words in (
        "ann@desk holds this host",
        "since 2026-09-21 14:13 UTC",
        "the run night-1",
        "process 4711",
        "/home/ann/runs/night-1",
        "its lease ends in 12 s",
    ):
        assert words in said
    for words in ("wait", "ask ann@desk", "linktrial recover /home/ann/runs/night-1"):
        assert words in do


def test_an_unclean_host_names_whose_changes_they_are_and_the_command_that_restores_it() -> None:
    held = held_by("unclean", values(changes=[{"setting": "mtu", "target": "eth1"}]))
    assert held is not None
    said, do = held
    assert "of ann@desk" in said
    assert "mtu eth1" in said
    assert do.startswith("restore it: linktrial recover /home/ann/runs/night-1")


def test_a_holder_of_an_earlier_version_is_named_by_what_it_said() -> None:
    held = held_by("busy", values(holder="0@vm (process 7)"))
    assert held is not None
    assert "0@vm (process 7) holds this host" in held[0]
    assert "recover ITS-FOLDER" in held[1]


@pytest.mark.parametrize(
    "changes", [{"holder": None}, {"run_id": 7}, {"since_wall_ns": "x"}, {"since_wall_ns": 10**40}]
)
def test_a_host_that_says_nonsense_of_its_holder_is_quoted_as_it_is(changes: dict[str, object]) -> None:
    assert held_by("busy", values(**changes)) is None


def test_no_name_repaints_the_terminal() -> None:
    held = held_by("busy", values(holder="ann\x1b[2J@desk", run_id="night\x07"))
    assert held is not None
    assert all(text.isprintable() for text in held)


def test_what_a_host_is_told_of_us_fits_its_record() -> None:
    assert len(holder_words("ann", "desk", 1, "/x" * 400)) == 200
    assert holder_words("a\nn", "d", 1, "/").isprintable()

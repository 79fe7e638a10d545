"""A plan says which hosts are of the BSD family; `check` says what cannot be set and seen there, and asks nobody."""

from __future__ import annotations

import pytest

from orchestrator.planning.outline import outline, render
from tests.planning.planning_fakes import CATALOGUE, HEAD, plan, problem

BSD_HEAD = HEAD.replace("hall: {", "hall: {system: bsd, ")


def test_what_cannot_be_set_or_seen_on_a_bsd_host_is_said_for_that_host_alone() -> None:
    assert BSD_HEAD != HEAD
    text = render(outline(plan("factors: {mtu: [1500, 9000]}\n", BSD_HEAD), CATALOGUE))
    assert text.count("of the BSD family") == 1
    of_hall = " ".join(text[text.index("  hall (ssh") :].split())
    assert "only mtu can be set there" in of_hall
    assert "never zero" in of_hall
    assert "Proven against an emulated BSD host only" in of_hall
    assert "BSD" not in render(outline(plan("factors: {mtu: [1500, 9000]}\n"), CATALOGUE))


@pytest.mark.parametrize(
    ("rest", "words"),
    [
        ("hold: [{setting: governor, at: hall, level: performance}]\n", "governor cannot be set at hall"),
        ("factors: {clock: {setting: governor, at: hall, levels: [powersave]}}\n", "governor cannot be set at hall"),
        ("factors: {mtu: [1279, 1500]}\n", "an MTU of 1279 is not given to hall"),
        ("factors: {pacing: [900Mbit/s], direction: [transmit, receive]}\n", "'pacing' needs what hall"),
        ("factors: {receiver_core: [1]}\n", "'receiver_core' needs what hall"),
        ("factors: {transport: [udp], receive_with: [batch]}\n", "'receive_with' needs what hall"),
        ("factors: {zero_copy: [true], direction: [bidirectional]}\n", "'zero_copy' needs what hall"),
    ],
)
def test_a_plan_that_asks_a_bsd_host_for_what_it_has_not_is_wrong_at_that_place(rest: str, words: str) -> None:
    found = problem(rest, BSD_HEAD)
    assert words in found.message
    assert found.line == len(BSD_HEAD.splitlines()) + 1


@pytest.mark.parametrize(
    "rest",
    [
        "hold: [{setting: governor, at: dome, level: performance}]\n",
        "factors: {mtu: [1280, 9000]}\n",
        "factors: {pacing: [900Mbit/s], direction: [transmit]}\n",
        "factors: {receiver_core: [1], direction: [receive]}\n",
        "factors: {transport: [udp], receive_with: [single], send_with: [single]}\n",
        "factors: {zero_copy: [false]}\n",
    ],
)
def test_what_concerns_the_other_end_alone_is_no_problem(rest: str) -> None:
    assert plan(rest, BSD_HEAD).hosts["hall"].system == "bsd"


def test_addresses_are_not_given_to_a_bsd_host() -> None:
    head = BSD_HEAD.replace("isolated: true", "isolated: true, address: temporary")
    assert "whose addresses are not changed" in problem("", head).message


def test_another_word_for_a_system_is_told_with_those_that_there_are() -> None:
    found = problem("", HEAD.replace("hall: {", "hall: {system: freebsd, "))
    assert "bsd" in found.message + found.suggestion

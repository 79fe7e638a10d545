"""The throughput search of RFC 2544 s26.1 on made links, and the sweep of s26.3."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.metrics.throughput_search import (
    NextTrial,
    SearchRules,
    SearchTrial,
    Throughput,
    advance,
    next_sweep_share,
)

RULES = SearchRules(highest_bit_s=1e9)
Link = Callable[[NextTrial], SearchTrial]


def _link(carries_bit_s: float, sender_most_bit_s: float = 1e12, loss_ratio: float = 0.01) -> Link:
    def run(trial: NextTrial) -> SearchTrial:
        offered = min(trial.rate_bit_s, sender_most_bit_s)
        lost = int(100_000 * loss_ratio) if offered > carries_bit_s else 0
        return SearchTrial(trial.rate_bit_s, offered, 100_000, 100_000 - lost, trial.full_length)

    return run


def _search(link: Link, rules: SearchRules = RULES) -> tuple[Throughput, list[SearchTrial]]:
    trials: list[SearchTrial] = []
    while isinstance(step := advance(rules, trials), NextTrial):
        trials.append(link(step))
        assert len(trials) <= rules.most_trials
    return step, trials


@given(st.floats(0.006, 0.999))
def test_the_search_ends_within_its_resolution_below_what_the_link_carries(share: float) -> None:
    answer, trials = _search(_link(share * 1e9))
    assert answer.rate_bit_s is not None
    assert 0 <= share * 1e9 - answer.rate_bit_s <= RULES.resolution_ratio * 1e9
    assert not answer.at_least
    assert trials[-1].full_length
    assert trials[-1].offered_load_bit_s == answer.rate_bit_s


def test_the_full_rate_is_tried_first_and_confirmed_at_once_when_it_passes() -> None:
    answer, trials = _search(_link(2e9))
    assert [(trial.intended_load_bit_s, trial.full_length) for trial in trials] == [(1e9, False), (1e9, True)]
    assert answer.rate_bit_s == 1e9
    assert "RFC 2544 section 24 asks for trials of 60 s" in answer.sentence


def test_trials_of_60_seconds_need_no_remark() -> None:
    answer, _ = _search(_link(2e9), SearchRules(1e9, full_s=60))
    assert answer.sentence == "1000 Mb/s with no loss over 60 s"


@pytest.mark.parametrize("carries", [2e9, 0.7e9])
def test_a_sender_at_its_limit_gives_at_least(carries: float) -> None:
    answer, _ = _search(_link(carries, sender_most_bit_s=0.6e9))
    assert answer.at_least
    assert answer.rate_bit_s == 0.6e9
    assert answer.sentence.startswith(">= 600 Mb/s")
    assert "the sender could offer no more" in answer.sentence


def test_a_link_that_loses_below_the_senders_limit_is_not_at_least() -> None:
    answer, _ = _search(_link(0.4e9, sender_most_bit_s=0.6e9))
    assert not answer.at_least
    assert answer.rate_bit_s == pytest.approx(0.4e9, rel=0.015)


def test_one_lost_datagram_of_three_trials_does_not_fail_a_rate() -> None:
    outcomes = iter([False, True, True, True])

    def run(trial: NextTrial) -> SearchTrial:
        return SearchTrial(trial.rate_bit_s, trial.rate_bit_s, 1000, 1000 if next(outcomes) else 999, trial.full_length)

    answer, trials = _search(run)
    assert answer.rate_bit_s == 1e9
    assert [trial.intended_load_bit_s for trial in trials] == [1e9] * 4


@pytest.mark.parametrize("outcomes", [[False, False], [False, True, False]])
def test_two_of_three_fail_a_rate(outcomes: list[bool]) -> None:
    trials = [SearchTrial(1e9, 1e9, 1000, 1000 if passes else 999) for passes in outcomes]
    assert advance(RULES, trials) == NextTrial(0.5e9, RULES.short_s, full_length=False)


def test_a_rate_that_fails_its_full_length_is_not_the_answer() -> None:
    def run(trial: NextTrial) -> SearchTrial:
        carries = 0.6e9 if trial.full_length else 0.8e9  # a queue that hides the loss from short trials
        lost = 100 if trial.rate_bit_s > carries else 0
        return SearchTrial(trial.rate_bit_s, trial.rate_bit_s, 1000, 1000 - lost, trial.full_length)

    answer, trials = _search(run)
    assert answer.rate_bit_s is not None
    assert answer.rate_bit_s <= 0.6e9
    assert trials[-1].full_length
    assert sum(trial.full_length for trial in trials) > 1


def test_a_stated_loss_is_allowed() -> None:
    answer, _ = _search(_link(0, loss_ratio=0.001), SearchRules(1e9, loss_ratio_limit=0.001))
    assert answer.rate_bit_s == 1e9
    assert "at most a share of 0.001" in answer.sentence
    answer, _ = _search(_link(0, loss_ratio=0.002), SearchRules(1e9, loss_ratio_limit=0.001))
    assert answer.rate_bit_s is None


def test_a_link_that_always_loses_has_no_throughput() -> None:
    answer, _ = _search(_link(0))
    assert answer.rate_bit_s is None
    assert "lost more than nothing" in answer.sentence


def test_a_trial_in_which_nothing_was_sent_shows_nothing() -> None:
    assert SearchTrial(1e9, 0, 0, 0).loses(0.5)


@given(st.integers(0, 10_000))
def test_any_chance_losses_end_within_the_trials_allowed(seed: int) -> None:
    draw = random.Random(seed)
    answer, trials = _search(
        lambda step: SearchTrial(
            step.rate_bit_s, step.rate_bit_s * draw.uniform(0.9, 1), 1000, 1000 - draw.randrange(2), step.full_length
        )
    )
    if answer.rate_bit_s is None:
        assert answer.sentence
    else:
        assert answer.rate_bit_s in {
            trial.offered_load_bit_s for trial in trials if trial.full_length and trial.received == trial.sent
        }


@given(st.floats(0.01, 0.99))
def test_a_search_goes_on_from_its_journal_as_if_it_had_not_stopped(share: float) -> None:
    _, trials = _search(_link(share * 1e9))
    for done in range(len(trials)):
        step = advance(RULES, trials[:done])
        assert isinstance(step, NextTrial)
        assert (step.rate_bit_s, step.full_length) == (trials[done].intended_load_bit_s, trials[done].full_length)


def test_the_sweep_steps_down_and_stops_after_two_trials_without_loss() -> None:
    """RFC 2544 s26.3: 100 %, 90 %, 80 % ...; until two in a row lose nothing."""
    results: list[tuple[float, float]] = []
    while (share := next_sweep_share(results)) is not None:
        results.append((share, 0.1 if share > 0.65 else 0.0))
    assert [share for share, _ in results] == [1.0, 0.9, 0.8, 0.7, 0.6, 0.5]


def test_a_sweep_that_always_loses_ends_at_nothing() -> None:
    results: list[tuple[float, float]] = []
    while (share := next_sweep_share(results, 0.05)) is not None:
        results.append((share, 0.5))
    assert results[0][0] == 1.0
    assert results[-1][0] == 0.05
    assert len(results) == 20


def test_steps_above_a_tenth_are_refused() -> None:
    with pytest.raises(ValueError, match=r"at most 0\.1"):
        next_sweep_share([], 0.2)

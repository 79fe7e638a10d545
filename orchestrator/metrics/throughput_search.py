"""The search for the throughput of RFC 1242 s3.17 / RFC 2544 s26.1, and the loss-rate sweep of s26.3.

Throughput is the highest intended load whose loss is at or below a limit (zero, by the RFC). What to try next is a
function of the trials so far and nothing else, so a search resumes from its journal:

    first the link's full rate, then halving between the highest rate that passed and the lowest that lost;
    short trials while searching; a rate that loses is tried again, and fails when it loses in two of three;
    the rate found is confirmed by one trial of full length; if that loses, short trials have been shown to hide the
    loss, so the search goes on below with full-length ones, in growing steps down and then by halving.

A sender that cannot offer what it is asked ends the search: the answer is then "at least what it offered".
Both directions at once (s14) are one trial: the same rate each way, counts added up, the lesser intended load.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Dict, List, Optional, Sequence, Tuple, Union

from orchestrator.metrics.loss import loss_ratio

# below this share of what was asked, the sender is what limits the trial
OFFERED_LEAST_SHARE = 0.99
# RFC 2544 s24: a trial lasts at least this long, though a search may use shorter ones
RFC_2544_TRIAL_S = 60.0


@dataclass(frozen=True)
class SearchRules:
    """How to search. Rates are payload bit/s; `highest_bit_s` is the link's full frame rate."""

    highest_bit_s: float
    loss_ratio_limit: float = 0.0
    resolution_ratio: float = 0.005  # of highest_bit_s
    short_s: float = 2.0
    full_s: float = 10.0
    most_trials: int = 60


@dataclass(frozen=True)
class SearchTrial:
    """What one trial of a search gave; counts are of datagrams, each counted once."""

    intended_load_bit_s: float
    offered_load_bit_s: float
    sent: int
    received: int
    full_length: bool = False

    @property
    def limited_by_sender(self) -> bool:
        """Whether the sender offered less than it was asked to."""
        return self.offered_load_bit_s < OFFERED_LEAST_SHARE * self.intended_load_bit_s

    def loses(self, limit: float) -> bool:
        """Whether more than `limit` was lost; a trial in which nothing was sent shows nothing and counts as loss."""
        ratio = loss_ratio(self.sent, self.received)
        return ratio is None or ratio > limit


@dataclass(frozen=True)
class NextTrial:
    """The trial to run next."""

    rate_bit_s: float
    length_s: float
    full_length: bool


@dataclass(frozen=True)
class Throughput:
    """The answer: `rate_bit_s` was offered and passed; None when no rate did. `at_least`: the sender was the limit."""

    rate_bit_s: Optional[float]
    at_least: bool
    trials: int
    sentence: str


def advance(rules: SearchRules, trials: Sequence[SearchTrial]) -> Union[NextTrial, Throughput]:
    """What to do after these trials: the next one, or the answer."""
    search = _Search(rules)
    for trial in trials:
        search.take(trial)
    return search.answer(len(trials)) or search.next_trial()


class _Search:
    """Where the search stands."""

    def __init__(self, rules: SearchRules) -> None:
        self.rules = rules
        self.passed: List[float] = [0.0]  # rates that passed; of full-length trials only, once one of them lost
        self.low = 0.0  # the highest of them below `high`
        self.high: Optional[float] = None  # the lowest rate that lost
        self.sender_limited = False
        self.full_losses = 0  # full-length trials that lost
        self.confirmed: Optional[SearchTrial] = None  # the best full-length trial that passed
        self.seen: Dict[float, List[bool]] = {}  # asked rate -> whether each short trial passed
        self.again: Optional[float] = None  # the rate to repeat

    def take(self, trial: SearchTrial) -> None:
        passes = not trial.loses(self.rules.loss_ratio_limit)
        if trial.full_length:
            self._take_full_length(trial, passes)
            return
        verdict = self._two_of_three(trial.intended_load_bit_s, passes)
        self.again = trial.intended_load_bit_s if verdict is None else None
        if verdict:
            self._pass(trial)
        elif verdict is False:
            # a sender that offers less than asked has shown that already its lesser rate is lossy
            self._fail_at(
                trial.offered_load_bit_s if trial.offered_load_bit_s > self.low else trial.intended_load_bit_s
            )

    def _take_full_length(self, trial: SearchTrial, passes: bool) -> None:
        if passes:
            self.confirmed = trial
            self._pass(trial)
            return
        if not self.full_losses:
            self.passed = [0.0]
        self.full_losses += 1
        self.sender_limited = False
        self._fail_at(trial.intended_load_bit_s)

    def _pass(self, trial: SearchTrial) -> None:
        # stays true: the confirming trial asks only for what the sender could offer
        self.sender_limited = self.sender_limited or trial.limited_by_sender
        self.passed.append(trial.offered_load_bit_s if trial.limited_by_sender else trial.intended_load_bit_s)
        self.low = max(self.low, self.passed[-1])

    def _fail_at(self, rate_bit_s: float) -> None:
        self.high = rate_bit_s if self.high is None else min(self.high, rate_bit_s)
        self.low = max([rate for rate in self.passed if rate < self.high], default=0.0)

    def _two_of_three(self, rate_bit_s: float, passes: bool) -> Optional[bool]:
        """True passes, False fails, None repeats: one pass at first sight, else two of three decide."""
        seen = self.seen.setdefault(rate_bit_s, [])
        seen.append(passes)
        if seen[0] or seen.count(True) == 2:
            return True
        return False if seen.count(False) == 2 else None

    def next_trial(self) -> NextTrial:
        if self.again is not None:
            return self._short(self.again)
        if self.high is None:
            return self._full(self.low) if self.low else self._short(self.rules.highest_bit_s)
        if self.full_losses:
            return self._full(self._below(self.high))
        return self._full(self.low) if self._found(self.high) else self._short((self.low + self.high) / 2)

    def _below(self, high: float) -> float:
        """The next full-length rate: growing steps down until one passes, then the middle."""
        stepped = high - self._resolution() * 2 ** (self.full_losses - 1)
        return stepped if self.low == 0 and stepped > 0 else (self.low + high) / 2

    def _found(self, high: float) -> bool:
        """Whether the highest passing rate is known as well as asked."""
        return self.sender_limited or high - self.low <= self._resolution() * (1 + 1e-9)

    def _resolution(self) -> float:
        return self.rules.resolution_ratio * self.rules.highest_bit_s

    def _short(self, rate_bit_s: float) -> NextTrial:
        return NextTrial(rate_bit_s, self.rules.short_s, full_length=False)

    def _full(self, rate_bit_s: float) -> NextTrial:
        return NextTrial(rate_bit_s, self.rules.full_s, full_length=True)

    def answer(self, trials: int) -> Optional[Throughput]:
        if self.confirmed is not None and (self.high is None or not self.full_losses or self._found(self.high)):
            limited = self.confirmed.limited_by_sender or self.sender_limited
            rate = self.confirmed.offered_load_bit_s
            return Throughput(rate, limited, trials, self._found_sentence(rate, limited))
        if self.high is not None and self.low == 0 and self._found(self.high):
            return Throughput(None, False, trials, f"even {self.high / 1e6:.4g} Mb/s lost more than {self._limit()}")
        if trials >= self.rules.most_trials:
            return Throughput(
                None,
                False,
                trials,
                f"no rate was confirmed in {trials} trials: passing and losing at "
                f"the same rate, last between {self.low / 1e6:.6g} and "
                f"{(self.high or self.rules.highest_bit_s) / 1e6:.6g} Mb/s",
            )
        return None

    def _limit(self) -> str:
        ratio = self.rules.loss_ratio_limit
        return "nothing" if ratio == 0 else f"a share of {ratio:g}"

    def _found_sentence(self, rate_bit_s: float, limited: bool) -> str:
        loss = "no loss" if self.rules.loss_ratio_limit == 0 else f"a loss of at most {self._limit()}"
        sign = ">= " if limited else ""
        sentence = f"{sign}{rate_bit_s / 1e6:.6g} Mb/s with {loss} over {self.rules.full_s:g} s"
        if limited:
            sentence += "; the sender could offer no more, so the link may carry more"
        if self.rules.full_s < RFC_2544_TRIAL_S:
            sentence += " (RFC 2544 section 24 asks for trials of 60 s)"
        return sentence


def next_sweep_share(results: Sequence[Tuple[float, float]], step: float = 0.1) -> Optional[float]:
    """The next share of the full frame rate of a loss-rate sweep (RFC 2544 s26.3), from (share, loss ratio) so far.

    Full rate first, down in steps of at most a tenth; None after two trials in a row without loss, or at nothing.
    """
    if not 0 < step <= 0.1:
        raise ValueError(f"RFC 2544 asks for steps of at most 0.1 of the rate, not {step}")
    if not results:
        return 1.0
    if len(results) >= 2 and results[-1][1] == results[-2][1] == 0:
        return None
    # counted from the top in whole steps, so that 0.7 is 0.7 and not 0.7000000000000001
    share = round(1.0 - len(results) * step, 9)
    return share if share > 0 else None

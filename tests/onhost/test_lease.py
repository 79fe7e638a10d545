"""Every decision about the lease, on a clock that the test turns; who gets in, who is refused, and what is kept.

The rows are those of confirmed change (RFC 6241 s8.4: a persist token, revert on time-out, a follow-up resets the
timer) and of fencing (a token lower than the highest seen is refused by the resource itself).
"""

from __future__ import annotations

import itertools
from typing import Any

import pytest

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety import lease, probation

T_S = 60.0
S = lease.NS
MTU = {"setting": "mtu", "target": "eth1", "level": 9000}
FILE = {"setting": "command", "target": "x", "level": {"level": "1"}}
BOOT = "boot-1"


def survives(setting: str) -> bool:
    return setting == "command"


def take(state: Any, run: str = "r1", token: int | None = None, now_s: float = 100.0, boot: str = BOOT) -> Any:
    wanted = {"run_id": run, "holder": f"holder of {run}", "lease_s": T_S, "token": token}
    return lease.acquire(
        state, wanted, now_ns=int(now_s * S), wall_ns=int((now_s + 1e6) * S), boot=boot, netns=1, survives=survives
    )


def changed(state: Any, use: Any = MTU, before: Any = 1500) -> Any:
    state = {**state, "before": [*state["before"], {**use, "value": before}]}
    return lease.note_done(lease.note_intent(state, use), use, 9000)


def code_of(call: Any, *args: Any, **words: Any) -> str:
    with pytest.raises(Refusal) as refused:
        call(*args, **words)
    return refused.value.code


def require(state: Any, token: int, now_s: float, boot: str = BOOT) -> Any:
    return lease.require(state, token, now_ns=int(now_s * S), boot=boot)


def test_the_holder_may_change_until_the_deadline_and_not_at_it() -> None:
    state = take(None, now_s=100)
    require(state, state["token"], 100 + T_S - 1e-6)
    assert code_of(require, state, state["token"], 100 + T_S) == "expired"


@pytest.mark.parametrize("lost", [1, 2])
def test_one_or_two_lost_renewals_are_survived_and_the_third_is_not(lost: int) -> None:
    """Renewed at a third of the lease."""
    state = take(None, now_s=0)
    require(state, state["token"], (lost + 1) * T_S / 3 - 0.1)
    assert code_of(require, state, state["token"], 3 * T_S / 3) == "expired"


def test_renewing_sets_the_timer_again_and_never_back() -> None:
    state = lease.renew(take(None, now_s=0), T_S, 30 * S)
    require(state, state["token"], 89)
    assert lease.renew(state, 1, 31 * S)["deadline_ns"] == 90 * S


def test_no_renewal_grants_more_than_the_lease_that_was_taken() -> None:
    """A trial may last a day: a host that waited for its end would stay changed for as long after our death."""
    state = lease.renew(take(None, now_s=0), 86_400, 30 * S)
    assert state["deadline_ns"] == (30 + T_S) * S


def test_expiry_and_renewal_have_exactly_one_winner_in_either_order() -> None:
    state = take(None, now_s=0)
    for now_s in (T_S - 1e-9, T_S, T_S + 1e-9):
        is_due = int(now_s * S) >= state["deadline_ns"]
        try:
            require(state, state["token"], now_s)
            renewed = True
        except Refusal:
            renewed = False
        assert renewed != is_due


def test_another_run_is_told_who_holds_it_since_when_and_until_when() -> None:
    with pytest.raises(Refusal) as refused:
        take(take(None, now_s=100), "r2", now_s=110)
    values = refused.value.values
    assert refused.value.code == "busy"
    assert (values["run_id"], values["holder"], values["left_s"]) == ("r1", "holder of r1", 50)
    assert values["since_wall_ns"] == int((100 + 1e6) * S)


def test_the_same_run_needs_its_token_to_come_back() -> None:
    state = take(None)
    assert code_of(take, state, "r1") == "busy"
    assert code_of(take, state, "r1", state["token"] + 1) == "busy"
    joined = take(changed(state), "r1", state["token"], now_s=110)
    assert joined["token"] > state["token"]
    assert joined["before"][0]["value"] == 1500
    assert joined["changes"][0]["levels"] == [9000]
    assert joined["deadline_ns"] == int((110 + T_S) * S)
    assert joined["since_ns"] == state["since_ns"]


def test_every_token_is_higher_than_all_before_also_without_a_record() -> None:
    first = take(None, now_s=100)
    joined = take(first, "r1", first["token"], now_s=100.0)
    fresh = take(None, now_s=100.001)
    assert first["token"] < joined["token"] < fresh["token"]


@pytest.mark.parametrize("shown", ["stale", "newer"])
def test_any_other_token_is_refused(shown: str) -> None:
    first = take(None)
    state = take(first, "r1", first["token"], now_s=101)
    assert code_of(require, state, first["token"] if shown == "stale" else state["token"] + 1, 102) == "stale"


def test_after_a_restart_of_the_host_no_token_is_good() -> None:
    state = take(None)
    assert code_of(require, state, state["token"], 101, "boot-2") == "no_lease"


@pytest.mark.parametrize(
    ("use", "boot", "code"),
    [(MTU, BOOT, "unclean"), (MTU, "boot-2", ""), (FILE, BOOT, "unclean"), (FILE, "boot-2", "unclean")],
)
def test_an_earlier_runs_changes_stop_the_next_unless_a_restart_undid_them(use: Any, boot: str, code: str) -> None:
    state = changed(take(None, now_s=0), use)
    if code:
        assert code_of(take, state, "r2", now_s=1000, boot=boot) == code
    else:
        taken = take(state, "r2", now_s=1000, boot=boot)
        assert taken["earlier"]["rebooted"]
        assert (taken["before"], taken["changes"]) == ([], []), "old before-values are not put on a new boot"


def test_an_expired_lease_without_changes_stops_nobody() -> None:
    assert take(take(None, now_s=0), "r2", now_s=1000)["earlier"]["run_id"] == "r1"


def test_a_restored_lease_is_reported_to_the_next_run() -> None:
    state = {**changed(take(None, now_s=0)), "standing": "restored", "outcome": {"by": "watchdog"}}
    assert take(state, "r2", now_s=1000)["earlier"]["outcome"] == {"by": "watchdog"}


def test_what_was_left_stops_the_next_run() -> None:
    assert code_of(take, {**changed(take(None, now_s=0)), "standing": "left"}, "r2", now_s=1000) == "unclean"


def test_the_wall_clock_has_no_part_in_it() -> None:
    """A jump of a day in either direction: only CLOCK_BOOTTIME is compared."""
    state = take(None, now_s=100)
    for jump_ns in (-86_400 * S, 86_400 * S):
        require({**state, "since_wall_ns": state["since_wall_ns"] + jump_ns}, state["token"], 159)


def test_an_intent_comes_before_its_change_and_its_end_after() -> None:
    intent = lease.note_intent(take(None), MTU)
    assert intent["changes"][0]["unfinished"]
    again = lease.note_intent(lease.note_done(intent, MTU, 9000), {**MTU, "level": 4000})
    assert again["changes"][0]["levels"] == [9000, 4000]
    assert again["changes"][0]["ours"] == [9000]
    assert again["changes"][0]["unfinished"]


def test_the_order_of_changes_is_that_of_the_first_change() -> None:
    state = take(None)
    for use in (MTU, FILE, {**MTU, "level": 1500}):
        state = lease.note_intent(state, use)
    assert [change["setting"] for change in state["changes"]] == ["mtu", "command"]


class Model:
    """Two controllers, each taking, changing and renewing; the host keeps whatever lease.py decides."""

    def __init__(self) -> None:
        self.state: Any = None
        self.tokens: dict[str, int | None] = {"r1": None, "r2": None}
        self.writes: list[str] = []

    def step(self, run: str, what: str, now_s: float) -> None:
        try:
            if what == "take":
                self.state = take(self.state, run, self.tokens[run], now_s)
                self.tokens[run] = self.state["token"]
            elif self.tokens[run] is not None:
                self.state = require(self.state, int(self.tokens[run] or 0), now_s)
                self.writes.append(f"{run}@{now_s:g}")
        except Refusal:
            pass


def test_no_interleaving_of_two_controllers_has_two_holders() -> None:
    """All 924 ways to mix six steps of each, the first controller pausing past its lease in the middle."""
    schedules = 0
    for places in itertools.combinations(range(12), 6):
        schedules += 1
        model, taken = Model(), {"r1": 0, "r2": 0}
        for place in range(12):
            run = "r1" if place in places else "r2"
            what = ("take", "write", "write", "take", "write", "write")[taken[run]]
            taken[run] += 1
            holder_before = model.state and model.state["run_id"]
            live = lease.is_live(model.state, int(place * 25 * S), BOOT)
            wrote = len(model.writes)
            model.step(run, what, place * 25.0)
            if live and holder_before != run:
                assert len(model.writes) == wrote, "a write by a run that does not hold the host"
                assert model.state["run_id"] == holder_before, "a live lease was taken away"
    assert schedules == 924


def test_a_probation_is_over_for_a_new_session_only_and_in_time() -> None:
    state = probation.begin(take(None), [MTU], 11, 10.0, 100 * S)
    assert code_of(probation.confirm, state, 11, 105 * S) == "same_session"
    assert code_of(probation.confirm, state, 12, 110 * S) == "reverted"
    assert code_of(probation.begin, state, [MTU], 11, None, 105 * S) == "unconfirmed"
    kept = probation.confirm(state, 12, 105 * S)
    assert probation.left_ns(kept, 105 * S) is None
    assert code_of(probation.confirm, kept, 12, 106 * S) == "nothing_to_confirm"
    assert code_of(probation.confirm, probation.failed(state, {"restored": []}), 12, 106 * S) == "reverted"

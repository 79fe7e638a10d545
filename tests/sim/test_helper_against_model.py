"""Whatever two controllers, a watchdog, a stranger and a power cut do to one host, in any order: as the model says.

The host is the helper's own functions over a few values; the model is what restoring promises, in as few words
as possible. hypothesis makes the orders up, and cuts a wrong one down to its shortest.
"""

from __future__ import annotations

import os
from typing import Any

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from orchestrator.onhost.refusal import Refusal
from tests.sim.fake_host import LASTING
from tests.sim.helper_host import HelperHost, helpers

Place = tuple[str, str]
NS_PER_MS = 10**6
LEASE_MS = 30_000
FOUND: dict[Place, Any] = {("mtu", "eth1"): 1500, ("governor", ""): "schedutil", ("command", "polling"): "off"}
LEVELS: dict[Place, list[Any]] = {
    ("mtu", "eth1"): [4000, 9000],
    ("governor", ""): ["performance", "powersave"],
    ("command", "polling"): ["on", "auto"],
}
STRANGE: dict[Place, Any] = {("mtu", "eth1"): 4321, ("governor", ""): "userspace", ("command", "polling"): "odd"}
RUNS = ("ann", "ben")
PLACES = sorted(FOUND)


class Refused(Exception):  # noqa: N818 - an answer
    """What the model expects to be refused, by its code."""


class Model:
    """Who holds the host until when, what it was, and what of it is ours."""

    def __init__(self) -> None:
        self.values, self.now_ms, self.watchdog = dict(FOUND), 1_000_000, False
        self.forget()

    def forget(self) -> None:
        """No record."""
        self.run, self.deadline_ms, self.standing = "", 0, ""
        self.known_as = "shown"  # or "lost" with the answer to a rejoining, or "never" known
        self.before: dict[Place, Any] = {}
        self.ours: dict[Place, list[Any]] = {}
        self.told = False  # whether the last restoring had something to do

    def live(self) -> bool:
        return self.standing == "held" and self.now_ms < self.deadline_ms

    def wake(self) -> None:
        """The watchdog looks at the clock."""
        if self.watchdog and not self.live():
            if self.standing == "held" and not self.ours and not self.told:
                self.forget()
            elif self.standing in ("held", "left"):
                self.restored()
                self.standing = "left" if self.ours else "restored"
            self.watchdog = False

    def restored(self) -> None:
        """What is ours goes back; what somebody else has set stays, and stays owed."""
        self.told = bool(self.ours)
        for place in list(self.ours):
            if self.values[place] in (*self.ours[place], self.before[place]):
                self.values[place] = self.before[place]
                del self.ours[place]

    def take(self, run: str, *, shows_token: bool, answer_lost: bool) -> None:
        self.wake()
        if self.live():
            if run != self.run or not shows_token or self.known_as == "never":
                raise Refused("busy")
            self.known_as = "lost" if answer_lost else "shown"
        elif self.standing != "restored" and self.ours:
            raise Refused("unclean")
        else:
            self.forget()
            self.known_as = "never" if answer_lost else "shown"
        self.run, self.standing, self.deadline_ms, self.watchdog = run, "held", self.now_ms + LEASE_MS, True

    def require(self, run: str) -> None:
        if not self.standing:
            raise Refused("no_lease")
        if run != self.run or self.known_as != "shown":
            raise Refused("stale")
        if not self.live():
            raise Refused("expired")

    def prepare(self, run: str) -> None:
        self.require(run)
        for place in PLACES:
            self.before.setdefault(place, self.values[place])

    def apply(self, run: str, place: Place, level: Any) -> None:
        self.require(run)
        if place not in self.before:
            raise Refused("not_prepared")
        if level is None:
            self.values[place] = self.before[place]
        else:
            self.ours.setdefault(place, []).append(level)
            self.values[place] = level

    def renew(self, run: str) -> None:
        self.require(run)
        self.deadline_ms, self.watchdog = self.now_ms + LEASE_MS, True

    def restore(self, run: str) -> None:
        self.require(run)
        self.restored()

    def release(self, run: str) -> None:
        self.require(run)
        if self.ours:
            raise Refused("unrestored")
        self.watchdog = False
        self.forget()

    def recover(self, run: str) -> None:
        self.wake()
        if not self.standing:
            return
        if run not in ("", self.run) or (not run and self.live()):
            raise Refused("busy")
        self.restored()
        self.standing = "left" if self.ours else "restored"
        if not self.ours:
            self.watchdog = False
            self.forget()

    def restart(self) -> None:
        self.watchdog = False
        self.forget()
        self.values.update({place: value for place, value in FOUND.items() if place[0] not in LASTING})


class HelperAgainstModel(RuleBasedStateMachine):
    """Every rule does the same to both, and both must answer the same."""

    def __init__(self) -> None:
        super().__init__()
        self.helpers = helpers()
        self.helpers.__enter__()
        self.model = Model()
        self.host = HelperHost("dome", 1, FOUND)
        self.tokens = dict.fromkeys(RUNS, 1)
        self.newest = 0

    def teardown(self) -> None:
        self.helpers.__exit__(None, None, None)

    def ask(self, verb: str, expected: Any, **args: Any) -> dict[str, Any]:
        """The host's answer, or its refusal, which must be the model's too."""
        answer, refused, said = {}, "", ""
        self.model.now_ms += 1
        try:
            answer = self.host.do_at(verb, args, self.model.now_ms * NS_PER_MS)
        except Refusal as refusal:
            refused = refusal.code
        try:
            expected()
        except Refused as refusal:
            said = str(refusal)
        assert refused == said, (verb, args)
        return answer

    @rule(run=st.sampled_from(RUNS), shows=st.booleans(), lost=st.booleans())
    def take(self, run: str, shows: bool, lost: bool) -> None:
        answer = self.ask(
            "lease.acquire",
            lambda: self.model.take(run, shows_token=shows, answer_lost=lost),
            run_id=run,
            holder=run,
            lease_s=LEASE_MS / 1000,
            token=self.tokens[run] if shows else None,
        )
        if answer:
            assert answer["token"] > self.newest, "a number never seen before fences the earlier ones off"
            self.newest = answer["token"]
            if not lost:
                self.tokens[run] = answer["token"]

    @rule(run=st.sampled_from(RUNS))
    def prepare(self, run: str) -> None:
        places = [_named(place, LEVELS[place][0]) for place in PLACES]
        self.ask("prepare", lambda: self.model.prepare(run), token=self.tokens[run], interfaces=["eth1"], places=places)

    @rule(run=st.sampled_from(RUNS), place=st.sampled_from(PLACES), which=st.integers(0, 1))
    def apply(self, run: str, place: Place, which: int) -> None:
        level = LEVELS[place][which]
        self.ask(
            "apply", lambda: self.model.apply(run, place, level), token=self.tokens[run], uses=[_named(place, level)]
        )

    @rule(run=st.sampled_from(RUNS), place=st.sampled_from(PLACES))
    def leave_as_found(self, run: str, place: Place) -> None:
        self.ask(
            "apply",
            lambda: self.model.apply(run, place, None),
            token=self.tokens[run],
            uses=[{**_named(place, LEVELS[place][0]), "as_found": True}],
        )

    @rule(run=st.sampled_from(RUNS))
    def renew(self, run: str) -> None:
        self.ask("lease.renew", lambda: self.model.renew(run), token=self.tokens[run], lease_s=LEASE_MS / 1000)

    @rule(run=st.sampled_from(RUNS))
    def restore(self, run: str) -> None:
        self.ask("restore", lambda: self.model.restore(run), token=self.tokens[run])

    @rule(run=st.sampled_from(RUNS))
    def release(self, run: str) -> None:
        self.ask("lease.release", lambda: self.model.release(run), token=self.tokens[run])

    @rule(run=st.sampled_from(("", *RUNS)))
    def recover(self, run: str) -> None:
        self.ask("recover", lambda: self.model.recover(run), run_id=run)

    @rule(ms=st.sampled_from((1000, 10_000, LEASE_MS - 1, LEASE_MS, 10 * LEASE_MS)), awake=st.booleans())
    def time_passes(self, ms: int, awake: bool) -> None:
        self.model.now_ms += ms
        if awake:
            self.host.keep_at(self.model.now_ms * NS_PER_MS)
            self.model.wake()

    @rule()
    def watchdog_is_killed(self) -> None:
        self.host.watchdog = self.model.watchdog = False

    @precondition(lambda self: self.model.live())
    @rule()
    def helper_looks_after_the_watchdog(self) -> None:
        self.host.do_at("watch", {}, self.model.now_ms * NS_PER_MS)
        self.model.watchdog = True

    @rule(place=st.sampled_from(PLACES))
    def stranger_changes(self, place: Place) -> None:
        self.host.values[place] = self.model.values[place] = STRANGE[place]

    @rule()
    def restart(self) -> None:
        self.host.restart()
        self.model.restart()

    @invariant()
    def is_as_the_model_says(self) -> None:
        model, record = self.model, self.host.record
        assert self.host.values == model.values
        assert self.host.watchdog == model.watchdog
        assert (record or {}).get("standing", "") == model.standing
        if record:
            assert {_place(one): one["value"] for one in record["before"]} == model.before
            assert {_place(one) for one in record["changes"]} == set(model.ours)


def _named(place: Place, level: Any) -> dict[str, Any]:
    if place[0] == "command":
        level = {"level": level, "read": ["r"], "write": ["w", "{level}"]}
    return {"setting": place[0], "target": place[1], "level": level}


def _place(one: dict[str, Any]) -> Place:
    return one["setting"], one["target"]


TestHelperAgainstModel = HelperAgainstModel.TestCase
TestHelperAgainstModel.settings = settings(
    max_examples=int(os.environ.get("LINKTRIAL_EXAMPLES", "200")),
    stateful_step_count=50,
    derandomize="LINKTRIAL_EXAMPLES" not in os.environ,
    database=None,
    suppress_health_check=[HealthCheck.too_slow],
)

"""The controller dies in the middle of a trial, in one of several ways: when are its hosts as found?

The referee shares nothing with what it judges: it reads the hosts' own files under /sys and /proc every 50 ms, by its
own clock.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import yaml

from orchestrator.onhost.safety.lease_watch import LEFT_BEHIND_GRACE_S
from orchestrator.planning.order import SplitMix
from tests.kills import victims
from tests.kills.desk import Desk

LENGTHS_S = (5, 60, 600)
WAYS = ("killed", "stopped", "cut off", "unplugged")
LATEST_MOMENT_S = 12.0  # after a trial's beginning; later moments differ only in how long one waits for them
LATE_S = 3.0  # the promise: as found by the lease and this
EARLY_S = 0.1  # the referee's own clock and pauses
BEGIN_TIMEOUT_S = 200.0  # for a run's trial to begin beside many others; of no matter for the promise
POLL_S = 0.05
TRAFFIC = "linktrial-load"
AS_FOUND_MTU = 1500


@dataclass(frozen=True)
class LeaseKill:
    """One death. `shared`: SSH runs over the measured link."""

    number: int
    way: str
    shared: bool
    length_s: int
    moment_s: float
    transport: str

    def __str__(self) -> str:
        path = "on the measured link" if self.shared else "apart"
        return (
            f"case {self.number}: {self.way} {self.moment_s:.2f} s into a {self.transport} trial of "
            f"{self.length_s} s, control path {path}"
        )


@dataclass
class Restored:
    """What became of it, seconds: per host from the death, and from the deadline that the host itself had."""

    case: LeaseKill
    after_s: dict[str, float] = field(default_factory=dict)
    before_death: bool = False  # the trial, or the whole run, was over before the controller could die in it
    referee_late_s: float = 0.0  # how much later than meant the referee looked at the worst, which adds to `after_s`
    problems: list[str] = field(default_factory=list)

    @property
    def worst_s(self) -> float:
        """The later host, from the moment of death."""
        return max(self.after_s.values(), default=0.0)


def lease_kill(number: int, seed: int) -> LeaseKill:
    """Every way, path and length in turn; moment and transport by the dice."""
    dice = SplitMix(seed * 1_000_003 + number)
    way, rest = WAYS[number % len(WAYS)], number // len(WAYS)
    shared, length_s = rest % 2 == 1, LENGTHS_S[rest // 2 % len(LENGTHS_S)]
    moment_s = dice.below(1000) / 1000 * min(length_s, LATEST_MOMENT_S)
    return LeaseKill(number, way, shared, length_s, moment_s, ("udp", "tcp")[dice.below(2)])


def plan_of(case: LeaseKill, names: tuple[str, ...], lease_s: float) -> str:
    """One trial of that length on the measured or on the control network."""
    interface = "eth0" if case.shared else "eth1"
    far, near = names
    factors: dict[str, list[object]] = {"mtu": [1400 if case.shared else 9000], "transport": [case.transport]}
    if case.transport == "udp":
        factors["intended_load"] = ["10Mbit/s"]
    else:
        factors["pacing"] = ["10Mbit/s"]
    return yaml.safe_dump(
        {
            "plan": "lease",
            "hosts": {name: {"ssh": name, "privilege": "root"} for name in names},
            "links": {
                "uplink": {
                    "under_test": f"{far} {interface}",
                    "far": f"{near} {interface}",
                    "rate": "1Gbit/s",
                    "isolated": True,
                }
            },
            "factors": factors,
            "lease": f"{lease_s:g}s",
            "trial": {"length": f"{case.length_s}s", "warmup": "50ms", "settle": "0s", "replicates": 1},
        },
        sort_keys=False,
    )


def play(desk: Desk, case: LeaseKill, lease_s: float) -> Restored:
    """One run, one death, and the wait for its hosts; afterwards `recover` finds nothing that is not as found."""
    outcome = Restored(case)
    names = tuple(desk.lab.hosts)
    desk.begin(desk.bench.write(plan_of(case, names, lease_s)), f"lease-{case.number}")
    try:
        desk.wait_for("trial 1 of 1", BEGIN_TIMEOUT_S)
    except AssertionError as error:  # no trial to die in, which is told; the desk goes on
        outcome.before_death = True
        outcome.problems.append(str(error))
    else:
        time.sleep(case.moment_s)
        outcome.before_death = desk.ended()
    if not outcome.before_death:
        _referee(desk, case, lease_s, outcome)
    _put_right(desk, case, outcome)
    return outcome


def _referee(desk: Desk, case: LeaseKill, lease_s: float, outcome: Restored) -> None:
    """Let the controller die, then watch both hosts until the promise has been kept or broken."""
    interface = "eth0" if case.shared else "eth1"
    files = {
        name: Path(f"/proc/{host.pid}/root/sys/class/net/{interface}/mtu") for name, host in desk.lab.hosts.items()
    }
    changed = {name for name, file in files.items() if _read(file) != AS_FOUND_MTU}
    _strike(desk, case)
    died = looked = time.monotonic()
    still_changed_s = dict.fromkeys(changed, 0.0)  # what the referee can swear to: the last look that found it so
    while len(outcome.after_s) < len(changed) and time.monotonic() - died < lease_s + 4 * LATE_S:
        for name in changed - set(outcome.after_s):
            looking_s = time.monotonic() - died
            if _read(files[name]) == AS_FOUND_MTU:
                outcome.after_s[name] = time.monotonic() - died
            else:
                still_changed_s[name] = looking_s
        time.sleep(POLL_S)
        outcome.referee_late_s = max(outcome.referee_late_s, time.monotonic() - looked - POLL_S)
        looked = time.monotonic()
    outcome.before_death = not changed
    for name in sorted(changed):
        if name not in outcome.after_s or still_changed_s[name] > lease_s + LATE_S:
            outcome.problems.append(
                f"{name} was not as found {lease_s + LATE_S:g} s after the death ({still_changed_s[name]:.2f} s)"
            )
    time.sleep(max(0.0, died + lease_s + LATE_S - time.monotonic()))
    for name, host in desk.lab.hosts.items():
        if [pid for pid, (called, _) in victims.processes(host).items() if called == TRAFFIC]:
            outcome.problems.append(f"{name} still sends or receives {lease_s + LATE_S:g} s after the death")


def _strike(desk: Desk, case: LeaseKill) -> None:
    for name in desk.lab.hosts:
        if case.way == "cut off":
            desk.lab.switch.cut_control(name)
        elif case.way == "unplugged":
            desk.lab.switch.unplug_control(name)
    if case.way in ("killed", "stopped"):
        desk.tell({"killed": "kill", "stopped": "stop"}[case.way])


def _put_right(desk: Desk, case: LeaseKill, outcome: Restored) -> None:
    for name in desk.lab.hosts:
        if case.way == "cut off":
            desk.lab.switch.mend_control(name)
        elif case.way == "unplugged":
            desk.lab.switch.plug_control(name)
    if not desk.ended():
        desk.tell("kill")
        desk.end()
    run = desk.run()
    desk.order(["recover", run or desk.bench.folder / "plan.yaml"])
    if code := desk.end():
        outcome.problems.append(f"recover ended with {code}")
    outcome.problems += desk.differences(LEFT_BEHIND_GRACE_S + LATE_S)  # a helper left behind holds nothing, and waits
    if outcome.problems:
        outcome.problems.append(f"{case}; said: {desk.words()[-1500:]}")


def _read(file: Path) -> int:
    return int(file.read_text())


def play_side_by_side(
    desks: list[Desk], cases: list[LeaseKill], lease_s: float, tell: Callable[[Restored], None] = lambda outcome: None
) -> list[Restored]:
    """The cases shared out among the desks, which work at once; `tell` hears of each as it ends, in a desk's thread."""
    found: list[Restored] = []
    left = list(reversed(cases))
    lock = threading.Lock()

    def work(desk: Desk) -> None:
        while True:
            with lock:
                if not left:
                    return
                case = left.pop()
            try:
                outcome = play(desk, case, lease_s)
            except Exception as error:  # this desk cannot go on; the others can, and it counts as a problem
                found.append(Restored(case, problems=[f"{case}: {type(error).__name__}: {error}"]))
                tell(found[-1])
                return
            found.append(outcome)
            tell(outcome)

    workers = [threading.Thread(target=work, args=(desk,)) for desk in desks]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    found += [Restored(case, problems=[f"{case}: no desk was left to play it"]) for case in left]
    return found

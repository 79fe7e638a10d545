"""What this host's record says, key by key: who holds it, what was as found, what was changed, what restoring achieved.

A level and a value are the setting's own (settings/base.py): any JSON value, which nobody but the setting looks into.
Instants ending in `_ns` are CLOCK_BOOTTIME; `wall` ones are for people. Keys of `total=False` are absent in most cases,
and in records that earlier versions have written.
"""

from __future__ import annotations

from typing import Callable, Dict, List, Optional, TypedDict

from orchestrator.onhost.safety.told import Told


class Place(TypedDict):
    """A setting of an interface; of the host itself where `target` is empty."""

    setting: str
    target: str


class LevelOfPlace(Place):
    """A place with a level that the plan gives it."""

    level: object


class Use(LevelOfPlace, total=False):
    """What a place is to get; with `as_found` not the level, but what was found before the run."""

    as_found: bool


class Before(LevelOfPlace):
    """A place as found: `level` is the first that was asked for, as it says what belongs to the value."""

    value: object


class KnownChange(Before):
    """A changed place as the controller's journal knows it: `ours` are the levels that were given."""

    ours: List[object]
    unfinished: bool


class _AsFoundAgain(TypedDict, total=False):
    as_found: bool


class Change(Place, _AsFoundAgain):
    """A place that was changed: the levels it was given and the values that it read then.

    `unfinished`: a change was begun and not seen to end, so that whatever it reads is ours. `as_found` while a cell
    leaves the place as it was before the run.
    """

    levels: List[object]
    ours: List[object]
    unfinished: bool


class Restored(Place):
    """A place that reads as before."""

    before: object


class NotRestored(Restored):
    """A place that does not: how it reads (None where it cannot be read), why, and what a person types."""

    now: object
    why: str
    command: str
    told: List[Told]


class Restarts(TypedDict, total=False):
    """The places whose first value is back, but in effect only once the host has been started again."""

    restart: List[LevelOfPlace]


class Restoring(TypedDict):
    """What became of each place; `conflicts` are those that somebody else has changed."""

    restored: List[Restored]
    left: List[NotRestored]
    conflicts: List[NotRestored]


class Outcome(Restoring, Restarts):
    """What restoring achieved; `by` is controller, watchdog or recover."""

    by: str
    at_wall_ns: int


class ExternalChange(Place):
    """What somebody else has changed, and how it was and is: text.

    `setting` and `target` are those of the plan where it sets this, else "". `by` says who it was, where the kernel
    says; else "".
    """

    what: str
    before: str
    now: str
    by: str
    at_wall_ns: int


class Watchdog(TypedDict):
    """The supervisor's process, and whether it is still in the control group that ends with the SSH session."""

    pid: int
    ticks: int
    in_session: bool
    cgroup: str


class Probation(TypedDict):
    """Changes that nobody has confirmed yet, and the session that made them, which cannot."""

    until_ns: int
    session: int
    places: List[Place]


class Lease(TypedDict):
    """Who holds or held this host, since when, until when: for people and for the controller's messages."""

    run_id: str
    holder: str
    since_wall_ns: int
    left_s: float
    lease_s: float
    standing: str


class EarlierRun(Lease):
    """The run before, as the next one is told of it."""

    rebooted: bool
    outcome: Optional[Outcome]


class _Token(TypedDict, total=False):
    token: Optional[int]


class Wanted(_Token):
    """Who wants the host for how long; `token` is what a session that was lost had."""

    run_id: str
    holder: str
    lease_s: float


class Image(TypedDict):
    """The host's network and clocks as they are: `items` by key, `stacked` the interface below each interface."""

    interfaces: List[str]
    stacked: Dict[str, str]
    items: Dict[str, object]


class Difference(TypedDict):
    """One thing that differs between two images."""

    what: str
    key: str
    before: object
    now: object
    command: str
    told: Told


class Differences(TypedDict):
    """Those that this run's settings may have caused, and the others."""

    touched: List[Difference]
    other: List[Difference]


class Compared(Differences):
    """The same with whether all that was touched is as found."""

    ok: bool


class AsFound(TypedDict):
    """The part of the state that says how places were found."""

    before: List[Before]


class _Sometimes(TypedDict, total=False):
    restarting: bool  # this run has asked the host to restart
    serial: int  # of the file that the state was written to; the greater one is the newer


class LeaseState(AsFound, _Sometimes):
    """The whole record.

    `token` is what every change must show, raised at every acquiring (fencing); `superseded` the token before, valid
    for re-joining only until the new one was used once, as the answer that carried the new one may have been lost with
    the session. `standing`: "held"; "restored" once everything was restored; "left" when something was not.
    """

    schema: int
    standing: str
    run_id: str
    holder: str
    token: int
    superseded: Optional[int]
    lease_s: float
    since_ns: int
    since_wall_ns: int
    deadline_ns: int
    boot_id: str
    netns: int
    watchdog: Optional[Watchdog]
    image: Optional[Image]
    interfaces: List[str]
    changes: List[Change]
    outcome: Optional[Outcome]
    earlier: Optional[EarlierRun]
    probation: Optional[Probation]
    reverted: Optional[Outcome]


Save = Callable[[LeaseState], None]

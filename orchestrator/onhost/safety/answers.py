"""What the verbs on the record answer, key by key."""

from __future__ import annotations

from typing import List, Optional, TypedDict

from orchestrator.onhost.safety.state import (
    Before,
    Compared,
    EarlierRun,
    ExternalChange,
    Image,
    Lease,
    LevelOfPlace,
    Restarts,
    Restoring,
    Use,
)


class Nothing(TypedDict):
    """A verb whose answer is that it was done."""


class Acquired(TypedDict):
    """`left_s` until the deadline; `joined`: the same run was here, and its lease had not run out."""

    token: int
    earlier: Optional[EarlierRun]
    left_s: float
    joined: bool


class Renewed(TypedDict):
    """How long the lease lasts now, seconds."""

    left_s: float


class Adopted(TypedDict):
    """Every place's value as found, as far as it is known."""

    before: List[Before]


class Prepared(Adopted):
    """The same with the image of the host."""

    image: Image


class _SeenSometimes(TypedDict, total=False):
    code: str  # of the refusal (refusal.py), where there was one
    restart: bool  # the level is written, and in effect once the host has been started again


class Seen(_SeenSometimes):
    """Whether a place has its level, what it reads, and why it is not well."""

    ok: bool
    seen: object
    why: str


class ChangedOutside(TypedDict, total=False):
    """What somebody else has changed on a place; absent where nothing was, or nobody can tell."""

    changed_outside: List[ExternalChange]


class UsedPlace(Use, Seen, ChangedOutside):
    """What became of one use; `took_s` seconds."""

    took_s: float


class UsedPlaces(TypedDict):
    """One entry for each use, in the order in which they were applied."""

    uses: List[UsedPlace]


class ProblemOfUse(Use):
    """Why this host cannot have a level."""

    why: str


class Possible(TypedDict):
    """Only those uses that are impossible here."""

    problems: List[ProblemOfUse]


class _Code(TypedDict, total=False):
    code: str


class ReadPlace(LevelOfPlace, _Code):
    """A place's value; None with the reason where it cannot be read."""

    value: object
    why: str


class ReadPlaces(TypedDict):
    """One entry for each place that was asked for."""

    places: List[ReadPlace]


class _WhenRestored(TypedDict, total=False):
    by: str
    at_wall_ns: int


class Recovered(Restoring, Restarts, _WhenRestored):
    """What was found and restored; `mark` is the sum over what stays changed, "" when nothing does (accepting.py)."""

    found: Optional[Lease]
    compared: Optional[Compared]
    mark: str


class WatchdogTold(TypedDict):
    """Whether the watchdog lives, and whose lease it is for."""

    alive: bool
    pid: int
    in_session: bool
    record: Optional[Lease]


class ControlPath(TypedDict):
    """The addresses of the SSH connection, the interface it comes in by, and that one with its lower devices."""

    local: str
    peer: str
    interface: str
    interfaces: List[str]


class LockHolder(TypedDict, total=False):
    """Whoever locked the host last; {} when it has not said so."""

    pid: int
    name: str
    held_s: float
    alive: bool


class RenewalsHeard(TypedDict):
    """Where renewals are heard, and this host's clock."""

    port: int
    boottime_ns: int

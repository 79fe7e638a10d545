"""A trial's record: everything that was seen in it, from the settings read back to the settings read again. Pure.

The conductor fills it, the journal keeps it, verdicts and tables read it. Its keys stand here alone: `new_record` makes
every record, that of a trial which never ran too. `as_now` reads those that older versions wrote.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypedDict, cast

from orchestrator.decide.shapes.flows import EndResult
from orchestrator.decide.shapes.uses import AppliedUse
from orchestrator.faults import FaultDict
from orchestrator.planning.cells import Cell
from orchestrator.planning.order import Trial


class EndFacts(TypedDict, total=False):
    """One end of a link as a trial found it."""

    host: str
    interface: str
    address: str
    mtu: int
    speed_bit_s: float | None
    driver: str


class LinkFactsRecord(TypedDict, total=False):
    """A link before the traffic: rate in bit/s (None when unknown), family 4 or 6, MTU in bytes."""

    rate_bit_s: float | None
    family: int
    mtu: int
    first: EndFacts
    second: EndFacts


class Ready(TypedDict, total=False):
    """What an end answered when it was waited for; seconds, octets and bit/s."""

    ready: bool
    why: str
    waited_s: float
    mtu: int
    speed_bit_s: float | None
    carrier: bool
    address: str
    up: bool
    there: bool


class Refusals(TypedDict):
    """Small frames of an end that were refused: how often, and by which addresses."""

    times: int
    by: list[str]


class PathResult(TypedDict, total=False):
    """The path proof's verdict for frames of `mtu` bytes, with what it rests on; by way or by end."""

    mtu: int
    small: dict[str, float]
    full: dict[str, bool]
    largest: dict[str, int]
    small_sent: int
    small_answered: int
    proof_s: float
    learned_mtu_bytes: dict[str, int | None]
    routers: list[dict[str, object]]
    refusals: dict[str, Refusals]
    verdict: str  # open | too_small | silent | refused
    finding: str
    sentence: str
    around: list[object]


class Restarts(TypedDict, total=False):
    """Host -> the start it was in, before the trial."""

    boot_id: dict[str, str | None]


class After(Restarts, total=False):
    """What was read once the traffic had ended, by host."""

    settings: dict[str, list[AppliedUse]]
    speed_bit_s: dict[str, float | None]


class SearchStep(TypedDict):
    """One step of a throughput search: payload bit/s asked for, its length in seconds, and what both ends gave."""

    intended_load_bit_s: float
    length_s: float
    full_length: bool
    first: EndResult
    second: EndResult


class SearchRecord(TypedDict):
    """A throughput search: its steps, and its answer as `metrics.throughput_search` gives it."""

    steps: list[SearchStep]
    answer: dict[str, Any]
    role: str


class LinkRecord(TypedDict, total=False):
    """What of a record is one link's: the trial's own where it ran on one."""

    link: str
    link_facts: LinkFactsRecord | None
    ready: dict[str, Ready]
    path: PathResult | None
    first: EndResult | None
    second: EndResult | None
    after: After


class TrialRecord(LinkRecord, total=False):
    """A trial. `position` is its number in the schedule; with `beside` the other links that it ran on at once."""

    position: int
    attempt: int
    cell: int
    replicate: int
    block: int
    whole_plot: int
    role: str
    levels: dict[str, Any]
    traffic: dict[str, Any]
    started_at: str | None
    settings: dict[str, list[AppliedUse]]
    before: Restarts
    kernels: dict[str, str | None]
    beside: list[LinkRecord] | None
    search: SearchRecord | None
    fills_before: dict[str, list[float]]
    only_ssh_renews: list[str]
    settle_s: float | None
    overhead_s: float | None
    took_s: float
    clock_error_s: float
    error: FaultDict | None


class LinkView(TrialRecord, total=False):
    """One link's part of a trial, laid out as if it were alone (`verdict.evidence.each_link`)."""

    at_once: int  # how many links the trial ran on
    whole: TrialRecord


def new_record(trial: Trial, cell: Cell, attempt: int, started_at: str | None = None) -> TrialRecord:
    """The record of a trial of which nothing has been seen yet; `started_at` is UTC, None for one that never began."""
    never_began = started_at is None
    own = _link_record(cell.link)
    record: TrialRecord = {
        "position": trial.position,
        "attempt": attempt,
        "cell": trial.cell,
        "replicate": trial.replicate,
        "block": trial.block,
        "whole_plot": trial.whole_plot,
        "role": trial.role,
        "levels": dict(cell.levels),
        "traffic": dict(cell.traffic),
        "started_at": started_at,
        "link": own["link"],
        "link_facts": own["link_facts"],
        "settings": {},
        "ready": own["ready"],
        "path": own["path"],
        "first": own["first"],
        "second": own["second"],
        "after": own["after"],
        "settle_s": None if never_began else 0.0,
        "overhead_s": None if never_began else 0.0,
        "error": None,
    }
    if len(cell.links) > 1:  # the first link's part is the record's own
        record["beside"] = [_link_record(link) for link in cell.links[1:]]
    return record


def _link_record(link: str) -> LinkRecord:
    return {
        "link": link,
        "link_facts": None,
        "ready": {},
        "path": None,
        "first": None,
        "second": None,
        "after": {},
    }


def as_now(stored: Mapping[str, Any]) -> TrialRecord:
    """A record as a journal holds it, of any version; older ones said a trial's number and a window's length twice."""
    record = cast("TrialRecord", {key: value for key, value in stored.items() if key != "trial"})
    if "trial" in stored and "position" not in stored:
        record["position"] = stored["trial"]
    for part in (stored, *(stored.get("beside") or ()), *((stored.get("search") or {}).get("steps") or ())):
        for end in (part.get("first"), part.get("second")):
            for flow in (end or {}).get("parts") or ():
                _one_window(flow)
    return record


def _one_window(flow: dict[str, Any]) -> None:
    """`window_s` alone says how long a half was counted."""
    seconds = flow.pop("seconds", None)
    if seconds is not None:
        flow.setdefault("window_s", seconds)
    for stream in flow.get("streams") or ():
        stream.pop("seconds", None)

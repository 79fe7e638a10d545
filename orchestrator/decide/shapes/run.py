"""What the state machine keeps of trials and of a run's end. Pure."""

from __future__ import annotations

from typing import Literal, NotRequired, TypedDict

from orchestrator.decide.shapes.uses import ToldChange

StopKind = Literal["interrupt", "terminate", "stop", "bug"]


class Outcome(TypedDict):
    """What a trial came to; goodput in bit/s and fill by link and way, `took_s` the whole trial's seconds."""

    status: str
    doubts: list[str]
    reason: str
    attempt: int
    goodput_bit_s: NotRequired[dict[str, float]]
    fill: NotRequired[dict[str, float]]
    took_s: NotRequired[float]


class ToldVerdict(TypedDict, total=False):
    """A verdict as a Conducted event holds it, with what of it the state needs."""

    status: str
    doubts: list[str]
    reason: str
    changed_outside: list[ToldChange]
    goodput_bit_s: dict[str, float]
    fill: dict[str, float]


class Stop(TypedDict):
    """Why a run ends early."""

    kind: str  # a StopKind; older journals are read as they are
    reason: str


class StoredTrial(TypedDict):
    """A trial of the schedule as an event holds it (`planning.order.Trial`)."""

    position: int
    cell: int
    replicate: int
    block: int
    whole_plot: int
    role: NotRequired[Literal["measure", "control", "rehearse"]]

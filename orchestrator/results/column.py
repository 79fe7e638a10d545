"""What a column is, and where the figures of many come from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["text", "whole", "number"]
FACTORS_HERE = "<factors>"

# Sources that many columns share.
PLAN = "the plan"
RUN = "our own bookkeeping"
US_RECEIVING = "counted by us at the receiving process"
US_SENDING = "counted by us at the sending process"
TCP_INFO = "the sending kernel's TCP_INFO, summed or averaged over the streams"
WATCHED = "/proc and /sys of the host, sampled during the window"
COUNTED = "the interface's driver counters, after minus before"
BY_FLOW = "the interface's counters, less our flows as sockets, TCP_INFO and their own processes count them"
SCHEDULER = "/proc/<pid>/schedstat of our own processes"
QUOTA = "the control group's cpu.stat"
WIRED = "arithmetic of the framing and the link's rate"


@dataclass(frozen=True)
class Column:
    """One column; `unit` is '' for text and for plain counts of things the meaning names."""

    name: str
    meaning: str
    unit: str = ""
    source: str = RUN
    kind: Kind = "number"


def text(name: str, meaning: str, source: str = RUN) -> Column:
    """A column of text."""
    return Column(name, meaning, "", source, "text")


def whole(name: str, meaning: str, unit: str = "", source: str = RUN) -> Column:
    """A column of whole numbers."""
    return Column(name, meaning, unit, source, "whole")


def number(name: str, meaning: str, unit: str = "", source: str = RUN) -> Column:
    """A column of numbers."""
    return Column(name, meaning, unit, source, "number")


FACTOR = Column(
    FACTORS_HERE, "the level of this factor of the plan; empty where the factor does not apply", "", PLAN, "text"
)

"""What limits one process of ours: its processor time, its waiting for a core, and its control group's throttling."""

from __future__ import annotations

import time
from typing import NamedTuple, Optional

from orchestrator.onhost.traffic.kernel import current_core
from orchestrator.onhost.traffic.results import Process


class Moment(NamedTuple):
    """Cumulative figures of this process at one instant."""

    at_ns: int
    cpu_ns: int
    run_delay_ns: Optional[int]
    core: Optional[int]


def moment() -> Moment:
    """Read the clock, the processor time used so far, and the time spent ready to run but without a core.

    As octets: text would want a codec, which a process without privilege may not be able to load any more.
    """
    delay = None
    try:
        with open("/proc/self/schedstat", "rb") as handle:
            delay = int(handle.read().split()[1])
    except (OSError, ValueError, IndexError):
        pass  # a kernel without scheduler statistics: the figure stays unknown, which the result says
    return Moment(time.monotonic_ns(), time.process_time_ns(), delay, current_core())


def between(first: Optional[Moment], last: Optional[Moment]) -> Process:
    """What a process used between two instants, and how far apart those were; None where it is not known.

    A process that comes late to the window's ends looks at other instants than those.
    """
    if first is None or last is None:
        return {"cpu_s": None, "run_delay_s": None, "span_s": None}
    delay = None
    if first.run_delay_ns is not None and last.run_delay_ns is not None:
        delay = (last.run_delay_ns - first.run_delay_ns) / 1e9
    return {
        "cpu_s": (last.cpu_ns - first.cpu_ns) / 1e9,
        "run_delay_s": delay,
        "span_s": (last.at_ns - first.at_ns) / 1e9,
    }

"""The bottleneck of a cell: a first answer for each row, with the columns it rests on. Pure, from trials.csv alone.

The order of the looks is the order of nearness: what the plan itself asked for comes first, then a full link, named in
the plan or not, then the processes and cores that move the data, then what they wait for (a process that is at its
limit closes the window and loses datagrams, so windows and losses come after it). A figure that is missing proves
nothing, and "unknown" is better than a guess.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from orchestrator.wire import wire_bytes
from orchestrator.words.figures import stated_rate_text

Row = Mapping[str, Any]

LINK_FULL = 0.97  # of the ceiling
OFFERED_REACHED = 0.99  # of the asked rate
PACE_REACHED = 0.95  # of the pace, in which the kernel may count up to 5 % of headers
PROCESS_FULL = 0.90  # of the window, running or ready without a core
THROTTLED = 0.25  # of the quota's periods; a quota that is only touched now and then is not the limit
SOFTIRQ_FULL = 0.85  # of one core
CORE_FULL, SOFTIRQ_MOST = 0.97, 0.5  # or: a full core that spends most of its time in softirq
INSTRUMENT_NEAR = 0.90  # of what the pair reaches over the loopback
# Of the window's time. The kernel's count stops while acknowledgements arrive and data leaves, so it is often less than
# half for a sender that never has all its data on the way; then the path must be at rest as well.
LIMITED_BY_WINDOW, LIMITED_AT_REST = 0.5, 0.2
AT_REST, AT_REST_S = 1.25, 0.0002  # round trip under load up to this much beyond the idle one
LOSS_MATTERS_TCP = 1e-3  # of the segments: beyond it, loss and not the link sets TCP's pace
LOSS_MATTERS_UDP = 1e-3
PAUSES_MATTER = 1e-2  # pause frames per frame
CLOCK_LOW = 0.9  # of its maximum clock
OPPOSITE_BUSY, BOTH_BUSY = 0.7, 0.5  # fill of the other way and of this one
ETHERNET_BIT_S = (10e6, 100e6, 1e9, 2.5e9, 5e9, 10e9, 25e9, 40e9, 50e9, 100e9)  # IEEE Std 802.3
SAME_RATE = 0.003  # a figure this near to what such a link carries, with a queue before it, is no accident
QUEUE_FULL, QUEUE_FULL_S = 2.0, 0.001  # round trip under load beyond twice the idle one and a millisecond


@dataclass(frozen=True)
class Cause:
    """A first answer: a stable code, a sentence, and the columns of trials.csv that it cites."""

    code: str
    sentence: str
    columns: tuple[str, ...]


UNKNOWN = Cause("unknown", "nothing that was looked at explains it", ())
NOTHING = Cause("not_measured", "there is no measurement to explain", ("status",))


def row_cause(row: Row) -> Cause:
    """The first answer for one row of trials.csv; values may be None or not-a-number where the row has none."""
    known = {name: value for name, value in row.items() if _is_known(value)}
    if "path_too_small" in str(known.get("doubts", "")).split():
        return Cause("path_frame_size", "the path does not carry frames of this size", ("status", "doubts", "reason"))
    if not known.get("goodput_bit_s"):
        return NOTHING
    for look in _LOOKS:
        cause = look(known)
        if cause is not None:
            return cause
    return UNKNOWN


def _is_known(value: Any) -> bool:
    """Not one of the ways in which a data frame says that there is nothing."""
    if value is None or type(value).__name__ == "NAType":
        return False
    return not (isinstance(value, float) and math.isnan(value))


def cell_cause(rows: Iterable[Row]) -> Cause:
    """The answer that most of a cell's valid rows give; unknown when they do not agree."""
    causes = [row_cause(row) for row in rows if row.get("status") == "valid"]
    if not causes:
        return NOTHING
    code, count = Counter(cause.code for cause in causes).most_common(1)[0]
    if 2 * count <= len(causes):
        return Cause("unknown", "the trials of this cell do not agree on what limited them", ())
    return next(cause for cause in causes if cause.code == code)


def _intended_load(row: Row) -> Cause | None:
    asked, goodput = row.get("intended_load_bit_s"), row["goodput_bit_s"]
    if asked and goodput >= OFFERED_REACHED * asked and row.get("fill", 0.0) < LINK_FULL:
        return Cause("intended_load", "the plan offered no more than this", ("intended_load_bit_s", "goodput_bit_s"))
    pace = row.get("paced_bit_s")
    if pace and goodput >= PACE_REACHED * pace and row.get("fill", 0.0) < LINK_FULL:
        return Cause("intended_load", "the plan lets TCP send no faster than this", ("paced_bit_s", "goodput_bit_s"))
    return None


def _link(row: Row) -> Cause | None:
    if row.get("fill", 0.0) >= LINK_FULL:
        return Cause(
            "link_full",
            f"the link is full: {_percent(row['fill'])} of what its framing allows",
            ("fill", "ceiling_bit_s"),
        )
    if row.get("wire_fill", 0.0) >= LINK_FULL:
        return Cause(
            "acknowledgements",
            f"the wire is full ({_percent(row['wire_fill'])}): data and the acknowledgements of the other way",
            ("wire_fill", "fill"),
        )
    return None


def _narrower_part(row: Row) -> Cause | None:
    """TCP that carries just what a slower Ethernet link would, behind a queue: a port or a cable nobody spoke of."""
    payload, mtu = row.get("mss_bytes"), row.get("path_mtu_bytes")
    if not payload or not mtu or row.get("opposite_fill") or not _queue_is_full(row):
        return None
    wire_bit_s = row["goodput_bit_s"] * wire_bytes(int(mtu)) / payload
    for rate_bit_s in ETHERNET_BIT_S:
        if abs(wire_bit_s / rate_bit_s - 1) <= SAME_RATE:
            return Cause(
                "narrower_part",
                f"this is {_percent(wire_bit_s / rate_bit_s)} of what an Ethernet link of "
                f"{stated_rate_text(rate_bit_s)} carries with these frames, and a queue stands before it: some "
                "part of the path is slower than the link is believed to be",
                ("goodput_bit_s", "mss_bytes", "path_mtu_bytes", "rtt_s"),
            )
    return None


def _processes(row: Row) -> Cause | None:
    """The busier of the two ends, when one of them is at its limit."""
    found = [(load, cause) for role in ("sender", "receiver") for load, cause in [_process(row, role)] if cause]
    return max(found, key=lambda pair: pair[0])[1] if found else None


def _process(row: Row, role: str) -> tuple[float, Cause | None]:
    host, verb = row.get(role, f"the {role}"), {"sender": "sending", "receiver": "receiving"}[role]
    throttled = row.get(f"{role}_throttled_ratio", 0.0)
    if throttled >= THROTTLED:
        return 1.0 + throttled, Cause(
            f"{role}_quota",
            f"{host}: the {verb} processes ran out of their CPU quota in {_percent(throttled)} of its periods",
            (f"{role}_throttled_ratio", f"{role}_process_cpu_share"),
        )
    ran, waited = row.get(f"{role}_process_cpu_share"), row.get(f"{role}_process_wait_share", 0.0)
    if ran is None or ran + waited < PROCESS_FULL:
        return 0.0, None
    columns: tuple[str, ...] = (f"{role}_process_cpu_share", f"{role}_process_wait_share")
    words = f"{host}: the {verb} process was at its limit: it ran {_percent(ran)} of the time"
    if waited >= 0.1:
        words += f" and waited for a core {_percent(waited)}" + (", which something else used" if waited > ran else "")
    clock = row.get(f"{role}_clock_share")
    if clock is not None and clock < CLOCK_LOW:
        words += f"; its clock was at {_percent(clock)} of its maximum"
        columns += (f"{role}_clock_share",)
    return ran + waited, Cause(f"{role}_process", words, columns)


def _softirq(row: Row) -> Cause | None:
    found = []
    for role in ("receiver", "sender"):
        softirq, busy = row.get(f"{role}_busiest_core_softirq"), row.get(f"{role}_busiest_core_busy", 0.0)
        if softirq is None:
            continue
        if softirq >= SOFTIRQ_FULL or (busy >= CORE_FULL and softirq >= SOFTIRQ_MOST):
            found.append((softirq, role))
    if not found:
        return None
    softirq, role = max(found)
    core = row.get(f"{role}_busiest_core")
    return Cause(
        f"{role}_softirq",
        f"{row.get(role, role)}: core {'?' if core is None else int(core)} spent "
        f"{_percent(softirq)} of the time in network interrupts",
        (f"{role}_busiest_core", f"{role}_busiest_core_softirq", f"{role}_busiest_core_busy"),
    )


def _instrument(row: Row) -> Cause | None:
    ceiling = row.get("instrument_ceiling_bit_s")
    if ceiling and row["goodput_bit_s"] >= INSTRUMENT_NEAR * ceiling:
        share = _percent(row["goodput_bit_s"] / ceiling)
        return Cause(
            "instrument",
            f"this is {share} of what the traffic pair itself reaches on these hosts",
            ("instrument_ceiling_bit_s", "goodput_bit_s"),
        )
    return None


def _pauses(row: Row) -> Cause | None:
    pauses, frames, seconds = row.get("pause_frames", 0), row.get("frames_s", 0.0), row.get("seconds", 0.0)
    if pauses and frames * seconds and pauses > PAUSES_MATTER * frames * seconds:
        return Cause(
            "pause_frames",
            f"{int(pauses)} pause frames: the far end or the switch held the sender back",
            ("pause_frames", "frames_s"),
        )
    return None


_WINDOWS = {"receiver_window": "the receiver's window", "send_buffer": "the send buffer"}


def _windows(row: Row) -> Cause | None:
    shares = {name: row.get(f"limited_{name}_share", 0.0) for name in _WINDOWS}
    name = max(shares, key=lambda one: shares[one])
    if shares[name] < (LIMITED_AT_REST if _path_is_at_rest(row) else LIMITED_BY_WINDOW):
        return None
    return Cause(
        name,
        f"{_WINDOWS[name]} is too small for the delay: it held the sender back {_percent(shares[name])} of the time",
        (f"limited_{name}_share", "rtt_s"),
    )


def _path_is_at_rest(row: Row) -> bool:
    """Nothing is lost and no queue stands: the path has room that the sender does not use."""
    rtt_s, own_s = row.get("rtt_s"), row.get("round_trip_idle_s", row.get("rtt_min_s"))
    again = row.get("segments_retransmitted", 0)
    return bool(rtt_s and own_s and rtt_s <= AT_REST * own_s + AT_REST_S and not again)


_PLACES = {
    "own_queue": "by the sending host's own queue",
    "own_interface": "by the sending interface",
    "between": "between the interfaces",
    "far_interface": "by the receiving interface",
    "backlog": "by the receiving kernel's backlog",
    "socket": "by the receiving socket",
}


def _acknowledgements(row: Row) -> Cause | None:
    """TCP both ways at once: acknowledgements wait behind the other way's data."""
    opposite = row.get("opposite_fill", 0.0)
    both_busy = opposite >= OPPOSITE_BUSY and row.get("fill", 0.0) >= BOTH_BUSY
    if row.get("segments_sent") and both_busy and _queue_is_full(row):
        return Cause(
            "acknowledgements",
            "acknowledgements wait behind the data of the other way, which fills "
            f"{_percent(opposite)} of its direction",
            ("opposite_fill", "fill", "rtt_s"),
        )
    return None


def _queue_is_full(row: Row) -> bool:
    """A round trip far above the path's own: something before us is full, and what is lost there is its consequence."""
    rtt_s, own_s = row.get("rtt_s"), row.get("round_trip_idle_s", row.get("rtt_min_s"))
    return bool(rtt_s and own_s and rtt_s > QUEUE_FULL * own_s + QUEUE_FULL_S)


def _loss(row: Row) -> Cause | None:
    if row.get("loss_ratio", 0.0) >= LOSS_MATTERS_UDP:
        places = {name: row.get(f"lost_{name}", 0) for name in _PLACES}
        worst = max(places, key=lambda name: places[name])
        words = f"{_percent(row['loss_ratio'])} of the datagrams were lost"
        if not places[worst]:
            return Cause("loss", f"{words}; where is not known", ("loss_ratio",))
        return Cause("loss", f"{words}, most of them {_PLACES[worst]}", ("loss_ratio", f"lost_{worst}"))
    sent, again = row.get("segments_sent"), row.get("segments_retransmitted")
    if sent and again is not None and again / sent >= LOSS_MATTERS_TCP and not _queue_is_full(row):
        return Cause(
            "loss",
            f"{_percent(again / sent)} of the segments had to be sent again",
            ("segments_retransmitted", "segments_sent"),
        )
    return None


_LOOKS: tuple[Callable[[Row], Cause | None], ...] = (
    _intended_load,
    _link,
    _narrower_part,
    _processes,
    _softirq,
    _instrument,
    _pauses,
    _windows,
    _acknowledgements,
    _loss,
)


def _percent(share: float) -> str:
    return f"{100 * share:.3g} %"

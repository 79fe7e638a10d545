"""Every column of every table: what it means, its unit, and where the figure comes from.

The order of the columns is the order of these tuples; a plan's factors stand where FACTORS_HERE does.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Literal

from orchestrator.run_files import write_file
from orchestrator.stored import SCHEMA_VERSION
from orchestrator.words.statuses import MEANINGS

Kind = Literal["text", "whole", "number"]
FACTORS_HERE = "<factors>"

# Sources that many columns share.
_PLAN = "the plan"
_RUN = "our own bookkeeping"
_US_RECEIVING = "counted by us at the receiving process"
_US_SENDING = "counted by us at the sending process"
_TCP_INFO = "the sending kernel's TCP_INFO, summed or averaged over the streams"
_WATCH = "/proc and /sys of the host, sampled during the window"
_COUNTERS = "the interface's driver counters, after minus before"
_BY_FLOW = "the interface's counters, less our flows as sockets, TCP_INFO and their own processes count them"
_SCHEDULER = "/proc/<pid>/schedstat of our own processes"
_QUOTA = "the control group's cpu.stat"
_WIRE = "arithmetic of the framing and the link's rate"


@dataclass(frozen=True)
class Column:
    """One column; `unit` is '' for text and for plain counts of things the meaning names."""

    name: str
    meaning: str
    unit: str = ""
    source: str = _RUN
    kind: Kind = "number"


def _text(name: str, meaning: str, source: str = _RUN) -> Column:
    return Column(name, meaning, "", source, "text")


def _whole(name: str, meaning: str, unit: str = "", source: str = _RUN) -> Column:
    return Column(name, meaning, unit, source, "whole")


def _number(name: str, meaning: str, unit: str = "", source: str = _RUN) -> Column:
    return Column(name, meaning, unit, source, "number")


FACTOR = Column(
    FACTORS_HERE, "the level of this factor of the plan; empty where the factor does not apply", "", _PLAN, "text"
)

TRIALS: tuple[Column, ...] = (
    _text("run_id", "the run this trial belongs to"),
    _text("plan", "the plan's name", _PLAN),
    _whole("trial", "number of the trial in the run, from 1; the same in every table"),
    _whole("attempt", "1 for the first attempt at this trial, more when it was repeated"),
    _whole("cell", "number of the cell, from 1: one combination of levels"),
    _whole("replicate", "which repetition of the cell this is, from 1"),
    _whole("block", "the block: one replicate of every cell, shuffled"),
    _whole("whole_plot", "trials between two applications of a costly level share this number"),
    _whole("position", "position in the order in which the trials were run, from 1"),
    _text("role", "measure, search and confirm (of a throughput search), or control"),
    _text("link", "the link's name", _PLAN),
    _text("way", "transmit or receive, seen from the link's first end (the device under test)"),
    _text("sender", "the host that sent", _PLAN),
    _text("receiver", "the host that received", _PLAN),
    _text("sender_interface", "the sending interface", "the survey"),
    _text("receiver_interface", "the receiving interface", "the survey"),
    FACTOR,
    _text("status", "; ".join(f"{status}: {meaning}" for status, meaning in MEANINGS.items())),
    _text("doubts", "machine-readable codes of what is doubtful, separated by spaces; a valid row may carry some"),
    _text("reason", "one sentence for the status and the doubts"),
    _text("started_at", "when the trial began, settings and path before the traffic included; UTC, ISO 8601"),
    _number("seconds", "length of the window in which all flows ran", "s"),
    _number("goodput_bit_s", "payload bits per second at the receiver (RFC 2647 section 3.17)", "bit/s", _US_RECEIVING),
    _number("intended_load_bit_s", "payload rate the plan asked for; empty when as fast as possible", "bit/s", _PLAN),
    _number("offered_load_bit_s", "payload rate the sending host's queue accepted", "bit/s", _US_SENDING),
    _number("ceiling_bit_s", "the most goodput that framing, rate and bus allow", "bit/s", _WIRE),
    _number("fill", "goodput / ceiling", "1", _WIRE),
    _number("wire_fill", "share of the wire's time that the frames occupied, acknowledgements and all", "1", _WIRE),
    _number("frames_s", "full frames per second that the goodput amounts to", "1/s", _WIRE),
    _whole("sent_bytes", "payload handed to the kernel and accepted", "B", _US_SENDING),
    _whole("received_bytes", "payload received, each datagram once", "B", _US_RECEIVING),
    _whole("datagrams_sent", "datagrams the sending host's queue accepted", "", _US_SENDING),
    _whole("datagrams_received", "datagrams received, each counted once", "", _US_RECEIVING),
    _whole(
        "datagrams_lost",
        "datagrams handed over and never received, those that the sender's queue refused among them",
        "",
        "every sequence number read at the receiver",
    ),
    _number("loss_ratio", "lost / handed over (RFC 7680)", "1", "every sequence number read at the receiver"),
    _whole(
        "lost_sender_queue", "refused or dropped by the sending host's queue", "", "IP_RECVERR and the queue's counters"
    ),
    _whole("lost_sender_interface", "dropped by the sending interface", "", _COUNTERS),
    _whole("lost_between", "lost between the interfaces: what nothing else explains", "", "the rest"),
    _whole("lost_receiver_interface", "dropped by the receiving interface", "", _COUNTERS),
    _whole("lost_backlog", "dropped because the receiving core did not keep up", "", "/proc/net/softnet_stat"),
    _whole("lost_socket", "dropped because the receiving process did not keep up", "", "SO_MEMINFO"),
    _whole(
        "datagrams_reordered", "datagrams that arrived after one with a higher number (RFC 4737)", "", _US_RECEIVING
    ),
    _whole("datagrams_duplicate", "datagrams received more than once", "", _US_RECEIVING),
    _whole(
        "datagrams_unexpected",
        "datagrams that came to a stream's port and are none of it: another size or number, "
        "or sent at an impossible time; they count nowhere else",
        "",
        _US_RECEIVING,
    ),
    _number("jitter_mean_s", "mean of the interarrival jitter (RFC 3550 section 6.4.1)", "s", _US_RECEIVING),
    _number(
        "delay_variation_p99_s",
        "99th percentile of the delay above the minimum (RFC 5481 PDV), without the clocks' skew",
        "s",
        _US_RECEIVING,
    ),
    _number("round_trip_idle_s", "round trip before the traffic", "s", "our own probes on the measured link"),
    _number("round_trip_p50_s", "median round trip under traffic", "s", "our own probes on the measured link"),
    _number(
        "round_trip_p99_s",
        "99th percentile of the round trip under traffic",
        "s",
        "our own probes on the measured link",
    ),
    _whole("segments_sent", "TCP segments sent, repeats included", "", _TCP_INFO),
    _whole("segments_retransmitted", "TCP segments sent again", "", _TCP_INFO),
    _number("rtt_s", "TCP's smoothed round trip, mean over the window", "s", _TCP_INFO),
    _number("rtt_min_s", "TCP's minimum round trip", "s", _TCP_INFO),
    _whole("mss_bytes", "TCP's segment size towards the receiver", "B", _TCP_INFO),
    _whole("path_mtu_bytes", "the path MTU the kernel used", "B", _TCP_INFO),
    _whole("burst_datagrams", "datagrams sent back to back", "", _US_SENDING),
    _text("send_path", "how datagrams were handed over: segment, batch or single", _US_SENDING),
    _text("receive_path", "how datagrams were taken: coalesce, batch or single", _US_RECEIVING),
    _whole("source_port", "the first stream's source port; with the other ports it decides queue and core", "", _RUN),
    _whole("sender_busiest_core", "the busiest core of the sending host", "", _WATCH),
    _number("sender_busiest_core_busy", "its busy share", "1", _WATCH),
    _number("sender_busiest_core_softirq", "its share in softirq and interrupts", "1", _WATCH),
    _whole("receiver_busiest_core", "the busiest core of the receiving host", "", _WATCH),
    _number("receiver_busiest_core_busy", "its busy share", "1", _WATCH),
    _number("receiver_busiest_core_softirq", "its share in softirq and interrupts", "1", _WATCH),
    _number(
        "sender_cpu_s_per_gigabyte",
        "CPU seconds of the sending host per 10^9 bytes of payload that it sent and "
        "received, on all links of the trial",
        "s/GB",
        _WATCH,
    ),
    _number(
        "receiver_cpu_s_per_gigabyte",
        "CPU seconds of the receiving host per 10^9 bytes of payload that it sent "
        "and received, on all links of the trial",
        "s/GB",
        _WATCH,
    ),
    _whole(
        "pause_frames", "pause frames that the sending interface received and the receiving one sent", "", _COUNTERS
    ),
    _number(
        "cross_traffic_bytes",
        "cross traffic on the interface with most of it: bytes that no flow of this trial explains",
        "B",
        _BY_FLOW,
    ),
    _number("settle_s", "time spent waiting for the hosts and the link", "s"),
    _number("overhead_s", "time this program itself took around the measurement", "s"),
    # what the bottleneck rests on, beside the above
    _number(
        "sender_process_cpu_share",
        "share of the window that the sending processes ran, mean of the streams",
        "1",
        _SCHEDULER,
    ),
    _number("sender_process_wait_share", "share of the window that they were ready and had no core", "1", _SCHEDULER),
    _number(
        "sender_throttled_ratio",
        "share of the quota's periods in which the sending host's processes ran out of it",
        "1",
        _QUOTA,
    ),
    _number(
        "receiver_process_cpu_share",
        "share of the window that the receiving processes ran, mean of the streams",
        "1",
        _SCHEDULER,
    ),
    _number("receiver_process_wait_share", "share of the window that they were ready and had no core", "1", _SCHEDULER),
    _number(
        "receiver_throttled_ratio",
        "share of the quota's periods in which the receiving host's processes ran out of it",
        "1",
        _QUOTA,
    ),
    _number("sender_clock_share", "mean clock of the sending host's busiest core / its maximum", "1", _WATCH),
    _number("receiver_clock_share", "mean clock of the receiving host's busiest core / its maximum", "1", _WATCH),
    _number(
        "limited_receiver_window_share",
        "share of the window in which the peer's window held the sender back",
        "1",
        _TCP_INFO,
    ),
    _number(
        "limited_send_buffer_share",
        "share of the window in which the own send buffer held the sender back",
        "1",
        _TCP_INFO,
    ),
    _number(
        "paced_bit_s",
        "the rate that the plan lets TCP send at, all streams together; empty when it sets no pace",
        "bit/s",
        _PLAN,
    ),
    _number("opposite_fill", "fill of the other way in the same trial; empty when there was none", "1", _WIRE),
    _number(
        "instrument_ceiling_bit_s",
        "what our own traffic pair reaches on the slower host over its loopback",
        "bit/s",
        "measured at the start of the run",
    ),
    _number("transfer_time_ratio", "actual / ideal transfer time (RFC 6349 section 4.1)", "1", _WIRE),
    _number("tcp_efficiency_ratio", "bytes not sent again / bytes sent (RFC 6349 section 4.2)", "1", _TCP_INFO),
    _number(
        "buffer_delay_ratio", "rise of the round trip under load / the idle one (RFC 6349 section 4.3)", "1", _TCP_INFO
    ),
    _number("round_trip_largest_s", "largest round trip under traffic", "s", "our own probes on the measured link"),
    _number(
        "round_trip_loss_ratio",
        "share of the probes under traffic that had no answer; they count as infinitely "
        "long, so that above 1 % of them the 99th percentile is empty",
        "1",
        "our own probes on the measured link",
    ),
    _number("busy_share", "share of the window in which the sender had data on the way or waiting", "1", _TCP_INFO),
    _number("congestion_window_segments", "congestion window, mean over the window and the streams", "", _TCP_INFO),
    _number("delivery_rate_bit_s", "TCP's own last estimate of what arrives, all streams together", "bit/s", _TCP_INFO),
    _number(
        "clock_skew_ppm",
        "how much faster the receiving host's clock ran than the sending one's, from the minimum "
        "delays; empty when more than a clock is ever off (500), or over less than a second",
        "ppm",
        _US_RECEIVING,
    ),
    _text(
        "counted_by",
        "which count goodput and its intervals are of: kernel (what TCP had taken in by then), arrival "
        "(datagrams by the kernel's receive times), read (what the process had read: a late one counts "
        "in the wrong window)",
        _US_RECEIVING,
    ),
    _number(
        "edge_error_ratio",
        "the most by which goodput may be off because the receiving host was late to look at "
        "the window's two ends, as a share of it",
        "1",
        _US_RECEIVING,
    ),
)

HOSTS: tuple[Column, ...] = (
    _text("run_id", "the run this trial belongs to"),
    _whole("trial", "number of the trial in the run"),
    _whole("attempt", "which attempt at the trial"),
    _whole("cell", "number of the cell"),
    _text("link", "the link's name", _PLAN),
    _text("host", "the host", _PLAN),
    _text("interface", "its interface on the link", "the survey"),
    _text("running_kernel", "the release of the kernel that it ran", "uname -r"),
    _number("busy", "mean busy share over all cores", "1", _WATCH),
    _whole("busiest_core", "the busiest core", "", _WATCH),
    _number("busiest_core_busy", "its busy share", "1", _WATCH),
    _number("busiest_core_softirq", "its share in softirq and interrupts", "1", _WATCH),
    _number("throttled_ratio", "share of the periods in which the control group was throttled", "1", _WATCH),
    _number("clock_mean_hz", "mean clock of the busiest core", "Hz", _WATCH),
    _number("clock_min_hz", "minimum clock of the busiest core", "Hz", _WATCH),
    _text("clock_simulated", "true when the clock is a simulated one of the lab", _WATCH),
    _number("temperature_max_c", "highest temperature seen", "°C", _WATCH),
    _number("steal", "share that the hypervisor took, of the core that lost most", "1", _WATCH),
    _whole("irq_core", "the core that took most of the interface's interrupts", "", _WATCH),
    _whole("softirq_core", "the core that took most network receive softirqs", "", _WATCH),
    _number("clock_max_hz", "maximum clock of the busiest core", "Hz", _WATCH),
    _whole("thermal_throttles", "times the processor throttled itself for heat", "", _WATCH),
    _whole("dropped_own_queue", "frames dropped by the interface's queueing discipline", "", _COUNTERS),
    _whole("dropped_interface", "frames dropped by the interface, received and sent", "", _COUNTERS),
    _whole("dropped_backlog", "frames the kernel's backlog had no room for", "", "/proc/net/softnet_stat"),
    _whole("squeezed", "times the kernel's receive loop ran out of its budget", "", "/proc/net/softnet_stat"),
    _whole("dropped_socket", "datagrams (or coalesced blocks) the receiving sockets had no room for", "", "SO_MEMINFO"),
    _number(
        "cross_traffic_bytes",
        "cross traffic: bytes on the interface, both directions, that no flow of this trial "
        "explains: on none of its links, sent again, acknowledging, probing and SSH included",
        "B",
        _BY_FLOW,
    ),
    _number("watch_cpu_s", "processor time that watching itself took", "s", _WATCH),
    _number(
        "own_traffic_bytes", "bytes on the interface, both directions, that flows of this trial explain", "B", _BY_FLOW
    ),
    _number(
        "cross_traffic_unsure_bytes",
        "so much more than cross_traffic_bytes the cross traffic may have been",
        "B",
        _BY_FLOW,
    ),
    _text(
        "cross_traffic_basis",
        "what the account rests on: frames (each segment was counted as one), blocks (the "
        "counters took several segments for one frame, so that some headers were not counted), or estimate (the host "
        "did not tell of its flows)",
        _BY_FLOW,
    ),
)

_INTERVAL_ROLE = _text(
    "role",
    "the trial's role as in trials.csv; broken_off: of an attempt that came to no end, has "
    "no row in trials.csv and is in no figure",
)

SERIES: tuple[Column, ...] = (
    _whole("trial", "number of the trial in the run"),
    _whole("attempt", "which attempt at the trial"),
    _text("link", "the link's name", _PLAN),
    _text("way", "transmit or receive, seen from the link's first end"),
    _number("t_s", "end of the interval, from the opening of the window", "s", _US_RECEIVING),
    _whole("bytes", "payload received in the interval", "B", _US_RECEIVING),
    _whole("datagrams", "datagrams received in the interval", "", _US_RECEIVING),
    _INTERVAL_ROLE,
)

WATCH: tuple[Column, ...] = (
    _whole("trial", "number of the trial in the run"),
    _whole("attempt", "which attempt at the trial"),
    _text("host", "the host", _PLAN),
    _number("t_s", "end of the interval, from the opening of the window", "s", _WATCH),
    _whole("core", "the core; of a host with more than 16 the busiest 16 in each two seconds", "", _WATCH),
    _number("busy", "share of the interval the core was busy", "1", _WATCH),
    _number("softirq", "share in softirq", "1", _WATCH),
    _number("irq", "share in interrupts", "1", _WATCH),
    _number("steal", "share that the hypervisor took", "1", _WATCH),
    _number("clock_hz", "the core's clock", "Hz", _WATCH),
    _INTERVAL_ROLE,
)

BROKEN: tuple[Column, ...] = (
    _whole("trial", "number of the trial in the run"),
    _whole("attempt", "which attempt at the trial came to no end"),
    _whole("cell", "number of the cell"),
    _text("link", "the link's name", _PLAN),
    _text("way", "transmit or receive, seen from the link's first end"),
    _number("seconds", "how much of its window was measured", "s", _US_RECEIVING),
    _number("goodput_bit_s", "goodput in that time, in no mean", "bit/s", _US_RECEIVING),
)

COUNTERS: tuple[Column, ...] = (
    _whole("trial", "number of the trial in the run"),
    _whole("attempt", "which attempt at the trial"),
    _text("host", "the host", _PLAN),
    _text("interface", "the interface", "the survey"),
    _text("counter", "the driver's own name of the counter", _COUNTERS),
    _whole("change", "after minus before", "", _COUNTERS),
)

_CELL = "the cell's valid trials"

CELLS: tuple[Column, ...] = (
    _whole("cell", "number of the cell"),
    _text("link", "the link's name", _PLAN),
    _text("way", "transmit or receive, seen from the link's first end"),
    _text("sender", "the host that sent", _PLAN),
    _text("receiver", "the host that received", _PLAN),
    FACTOR,
    _whole("n_asked", "trials the plan asked for", "", _PLAN),
    _whole("n_valid", "valid trials: those the figures rest on"),
    _whole("n_noted", "valid trials that carry a doubt"),
    _whole("n_suspect", "suspect trials, in no figure"),
    _whole("n_impossible", "trials that host, link or path cannot do"),
    _whole("n_failed", "trials that failed"),
    _whole("n_skipped", "trials that were skipped"),
    _number("goodput_mean_bit_s", "mean goodput", "bit/s", _CELL),
    _number("goodput_median_bit_s", "median goodput", "bit/s", _CELL),
    _number("goodput_deviation_bit_s", "standard deviation of the goodput between trials", "bit/s", _CELL),
    _number("goodput_min_bit_s", "minimum goodput of a valid trial", "bit/s", _CELL),
    _number("goodput_max_bit_s", "maximum goodput of a valid trial", "bit/s", _CELL),
    _number("goodput_low_bit_s", "lower end of the 95 % interval of the mean", "bit/s", _CELL),
    _number("goodput_high_bit_s", "upper end of the 95 % interval of the mean", "bit/s", _CELL),
    _text("interval_method", "how the interval was made, and over how many independent values", _CELL),
    _number("skewness", "adjusted sample skewness of the goodput; intervals promise less beyond 1", "1", _CELL),
    _whole(
        "n_outliers",
        "valid trials far from the rest (modified z score above 3.5); they stay in every figure",
        "",
        _CELL,
    ),
    _number(
        "trend_ratio", "change of the goodput from the first trial to the last (Theil-Sen) / its median", "1", _CELL
    ),
    _text("remarks", "skewed, outliers:<n>, drift (a trend that chance shows in fewer than 1 cell of 100)", _CELL),
    _number("ceiling_bit_s", "the most goodput that framing, rate and bus allow", "bit/s", _WIRE),
    _number("fill_mean", "mean goodput / ceiling", "1", _WIRE),
    _number("loss_ratio_mean", "mean loss", "1", _CELL),
)

TABLES: dict[str, tuple[Column, ...]] = {
    "trials.csv": TRIALS,
    "rehearsal.csv": TRIALS,
    "hosts.csv": HOSTS,
    "cells.csv": CELLS,
    "broken-off.csv": BROKEN,
    "series.csv.gz": SERIES,
    "watch.csv.gz": WATCH,
    "counters.csv.gz": COUNTERS,
}


def names(table: str, factors: Sequence[str] = ()) -> list[str]:
    """The column names of a table in their order, with the plan's factors in their place."""
    out: list[str] = []
    for column in TABLES[table]:
        out.extend(factors if column.name == FACTORS_HERE else [column.name])
    return out


def factors_in(table: str, header: Sequence[str]) -> list[str]:
    """The factor columns of a header: what stands where the factors do and is no column of ours."""
    known = set(names(table))
    return [name for name in header if name not in known]


def describe(factors: Sequence[str] = ()) -> dict[str, object]:
    """All tables with their columns, as they stand in columns.json."""
    tables = {}
    for table, columns in TABLES.items():
        rows: list[dict[str, object]] = []
        for column in columns:
            if column.name == FACTORS_HERE:
                rows.extend({**asdict(FACTOR), "name": factor} for factor in factors)
            else:
                rows.append(asdict(column))
        tables[table] = rows
    return {"schema": SCHEMA_VERSION, "empty": "what a row cannot have is empty, never zero", "tables": tables}


def write_columns(path: Path, factors: Sequence[str]) -> None:
    """Write columns.json."""
    write_file(path, json.dumps(describe(factors), indent=1, ensure_ascii=False) + "\n")

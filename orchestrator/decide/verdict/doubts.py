"""Every doubt that a trial can carry: its code, what it does to the trial's status, and its sentence. Pure.

`suspect`: measured, but a condition that the cell claims did not hold; such a row never enters a mean. `noted`: the
measurement stands, and the reader should know. On a healthy bench at most one trial in a hundred is suspect: the
thresholds stand beside the code that applies them, with their reasons.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from orchestrator.words.figures import stated_rate_text

Weight = Literal["suspect", "noted"]


@dataclass(frozen=True)
class Doubt:
    """One doubt; the sentence is a format string over the values that raised it."""

    code: str
    weight: Weight
    sentence: str


_ALL = (
    # the cell's conditions
    Doubt("setting_changed", "suspect", "{host}: {setting} was {seen} after the trial, not {level}"),
    Doubt("speed_changed", "suspect", "{host}: the link's speed changed from {before} to {after} during the trial"),
    Doubt("carrier_lost", "suspect", "{host}: the carrier of {interface} changed {count} times during the trial"),
    Doubt("rebooted", "suspect", "{host} was restarted during the trial"),
    Doubt(
        "mss",
        "suspect",
        "TCP sent segments of {seen} bytes where an MTU of {mtu} implies {expected}: something limits the path MTU "
        "({path_mtu} bytes) or the announced segment size",
    ),
    Doubt(
        "socket_buffer",
        "suspect",
        "{host} gave {given} bytes of {kind} buffer to each socket, not the {claimed} that the cell claims: its "
        "limit is {limit}, which only root may pass",
    ),
    Doubt(
        "never_framed",
        "suspect",
        "{frames} frames were counted for {datagrams} datagrams: they were never cut into frames, so the MTU was not "
        "tried",
    ),
    Doubt(
        "clock_low",
        "suspect",
        "{host}: the clock averaged {mean_mhz} MHz under load, {share} of its greatest, although the performance "
        "policy is claimed",
    ),
    Doubt(
        "clock_under_min",
        "suspect",
        "{host}: the clock averaged {mean_mhz} MHz under load, below the least of {min_mhz} MHz that the cell "
        "sets: heat, power or firmware held it down",
    ),
    Doubt(
        "clock_over_max",
        "suspect",
        "{host}: the clock averaged {mean_mhz} MHz under load, above the greatest of {max_mhz} MHz that the cell sets",
    ),
    Doubt(
        "throttled_below_claim",
        "suspect",
        "{host}: the processor throttled itself {count} times for heat, down to {lowest_mhz} MHz, where the cell "
        "claims {claimed_mhz} MHz",
    ),
    # the measurement itself
    Doubt(
        "other_interface", "suspect", "{host}: {interface} counted {share} of the payload: the traffic took another way"
    ),
    Doubt("cross_traffic_heavy", "suspect", "{share} of the traffic on {interface} of {host} was not ours"),
    Doubt("stalled", "suspect", "nothing arrived for {longest_s} s in one piece, {total_s} s in all"),
    Doubt(
        "fill_above_one",
        "suspect",
        "{fill} times the ceiling, {why}: the link is faster than the rate it is believed to have ({rate}), or its "
        "frames are larger than the MTU says; put the right `rate` into the plan, or leave it out",
    ),
    Doubt("marked_by_hand", "suspect", "marked by hand: {why}"),
    # noted
    Doubt("limited_by_sender", "noted", "limited by the sender: {offered} of the asked rate was offered"),
    Doubt("place_unknown", "noted", "where the lost datagrams went is not known: {why}"),
    Doubt("cross_traffic_some", "noted", "{share} of the traffic on {interface} of {host} was not ours"),
    Doubt("short_stall", "noted", "nothing arrived for {longest_s} s within the window"),
    Doubt(
        "above_ceiling_once",
        "noted",
        "{fill} times the ceiling in one window of {window_s} s: a queue or token bucket on the way may have given "
        "back what it held ({held} ms of the link at {rate}); only trials of the cell that agree question the rate",
    ),
    Doubt("edges_uncertain", "noted", "{host} was late at the window's ends: goodput is known to {share} only"),
    Doubt("trend", "noted", "the rate went from {early} to {late} within the window"),
    Doubt("two_levels", "noted", "the rate jumped between two levels, {low} and {high}"),
    Doubt("clock_below_max", "noted", "{host}: the clock averaged {mean_mhz} MHz under load, {share} of its greatest"),
    Doubt("throttled_by_heat", "noted", "{host}: the processor throttled itself {count} times for heat"),
    Doubt("steal", "noted", "{host}: {share} of a core's time was taken by the hypervisor"),
    Doubt("paused", "noted", "{count} pause frames: the far end or the switch held the sender back"),
    Doubt("sent_again", "noted", "{share} of TCP's segments were sent again: {where}"),
    Doubt(
        "datagrams_lost",
        "noted",
        "{share} of the datagrams were lost although the link has room for what was offered: {where}",
    ),
    Doubt(
        "interface_errors",
        "noted",
        "{host}: {interface} counted {count} damaged frames or failed sends ({kinds}): look at cable, connectors and "
        "card",
    ),
    Doubt(
        "checksum_errors",
        "noted",
        "{host} dropped {count} packets whose checksum was wrong: something on the way damages what frames carry",
    ),
    Doubt("duplicates", "noted", "{count} datagrams arrived more than once"),
    Doubt("reordered", "noted", "{share} of the datagrams arrived out of order"),
    Doubt("kernel_warned", "noted", "{host}: the kernel warned during the trial: {line}"),
    Doubt(
        "coalesced_segments",
        "noted",
        "{frames} frames were counted for {segments} TCP segments: segments crossed the link in blocks",
    ),
    Doubt("window_small", "noted", "{why}"),
    Doubt(
        "intervals_dropped",
        "noted",
        "{host} dropped {intervals} intervals and {samples} samples of its cores, because the controller did not "
        "take them in time: they are missing in series.csv.gz and watch.csv.gz, and in no other figure",
    ),
    Doubt("path_mtu_learned", "noted", "{host}: a path MTU of {learned} was still remembered before the traffic"),
)
DOUBTS: dict[str, Doubt] = {doubt.code: doubt for doubt in _ALL}


@dataclass(frozen=True)
class Found:
    """A doubt that was raised in a trial."""

    doubt: Doubt
    sentence: str


def found(code: str, **values: object) -> Found:
    """The doubt `code`, its sentence filled in; KeyError for a code that is not in the table."""
    doubt = DOUBTS[code]
    return Found(doubt, doubt.sentence.format(**values))


def percent(share: float) -> str:
    """A share as people read it."""
    return f"{100 * share:.3g} %"


def rate(bit_s: float) -> str:
    """A rate as people read it."""
    return stated_rate_text(bit_s)

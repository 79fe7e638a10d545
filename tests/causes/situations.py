"""The situations: what is done to the lab, what the plan asks, and which first answers are right. Drawn from a seed."""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

GIGABIT, UPLINK_BIT_S = 1_000_000_000, 2_500_000_000
UNSHAPED = 100_000_000_000  # what the plan says of a switch that does not shape: a quota may fill the usual rate
NO_QUOTA = 8.0  # of a core: more than the machine has


@dataclass(frozen=True)
class Situation:
    """One bench made on purpose.

    `right`: the codes of causes.py that are a right first answer; more than one where one thing has two names.
    """

    name: str
    right: frozenset[str]
    factors: Mapping[str, Any]
    hold: tuple[Mapping[str, Any], ...] = ()
    rate_bit_s: int = UPLINK_BIT_S
    share_of_a_core: Mapping[str, float] = field(default_factory=dict)
    delay_s: float = 0.0  # each way, by a relay in the switch's place
    lost_per_thousand: int = 0  # of the frames from the sender, with a relay of those from both, by chance
    port_mtu_bytes: int | None = None  # of hall's port
    rules_per_frame: int = 0  # that the receiving kernel goes through

    @property
    def way(self) -> str:
        """The only direction, seen from dome."""
        return str(self.factors["direction"][0])

    @property
    def sender(self) -> str:
        return "hall" if self.way == "receive" else "dome"

    @property
    def receiver(self) -> str:
        return "dome" if self.way == "receive" else "hall"


def _ends(draw: random.Random) -> tuple[str, str, str]:
    """(direction, sender, receiver)"""
    way = draw.choice(["transmit", "receive"])
    return way, *(("hall", "dome") if way == "receive" else ("dome", "hall"))


def _full_tcp(draw: random.Random) -> Situation:
    return Situation(
        "link full, TCP",
        frozenset({"link_full"}),
        {"direction": [_ends(draw)[0]], "streams": [draw.choice([1, 2, 4])]},
        rate_bit_s=draw.choice([50, 100, 200, 400]) * 10**6,
    )


def _full_udp(draw: random.Random) -> Situation:
    return Situation(
        "link full, UDP offers more",
        frozenset({"link_full"}),
        {"direction": [_ends(draw)[0]], "transport": ["udp"], "intended_load": [f"{draw.randint(105, 160)}%"]},
        rate_bit_s=draw.choice([50, 100, 200, 400]) * 10**6,
    )


def _plan_udp(draw: random.Random) -> Situation:
    return Situation(
        "healthy, UDP as offered",
        frozenset({"intended_load"}),
        {"direction": [_ends(draw)[0]], "transport": ["udp"], "intended_load": [f"{draw.randint(10, 60)}%"]},
        rate_bit_s=draw.choice([100, 400, 1000]) * 10**6,
    )


def _plan_pacing(draw: random.Random) -> Situation:
    return Situation(
        "healthy, TCP paced by the plan",
        frozenset({"intended_load"}),
        {"direction": [_ends(draw)[0]], "pacing": [f"{draw.randint(20, 300)}Mbit/s"]},
        rate_bit_s=GIGABIT,
    )


def _sender_quota(draw: random.Random) -> Situation:
    way, sender, _ = _ends(draw)
    return Situation(
        "CPU quota on the sender",
        frozenset({"sender_quota"}),
        {"direction": [way], "streams": [draw.choice([1, 1, 2])]},
        rate_bit_s=UNSHAPED,
        share_of_a_core={sender: draw.uniform(0.15, 0.3)},
    )


def _receiver_quota(draw: random.Random) -> Situation:
    way, _, receiver = _ends(draw)
    return Situation(
        "CPU quota on the receiver",
        frozenset({"receiver_quota"}),
        {"direction": [way]},
        rate_bit_s=UNSHAPED,
        share_of_a_core={receiver: draw.uniform(0.15, 0.3)},
    )


def _receive_window(draw: random.Random) -> Situation:
    way, _, receiver = _ends(draw)
    room = draw.choice([64, 96, 128]) * 1024
    return Situation(
        "small receive buffer, delay",
        frozenset({"receiver_window"}),
        {"direction": [way]},
        ({"setting": "tcp-receive-memory", "at": receiver, "level": f"4096 {room} {room}"},),
        rate_bit_s=GIGABIT,
        delay_s=draw.uniform(0.008, 0.02),
    )


def _send_buffer(draw: random.Random) -> Situation:
    way, sender, _ = _ends(draw)
    room = draw.choice([64, 96, 128]) * 1024
    return Situation(
        "small send buffer, delay",
        frozenset({"send_buffer"}),
        {"direction": [way]},
        ({"setting": "tcp-transmit-memory", "at": sender, "level": f"4096 {room} {room}"},),
        rate_bit_s=GIGABIT,
        delay_s=draw.uniform(0.008, 0.02),
    )


def _loss_tcp(draw: random.Random) -> Situation:
    """With some milliseconds of delay and a congestion control that slows down for loss: others fill it in spite."""
    return Situation(
        "random loss and delay, TCP",
        frozenset({"loss"}),
        {"direction": [_ends(draw)[0]], "congestion": [draw.choice(["cubic", "reno"])]},
        rate_bit_s=GIGABIT,
        delay_s=draw.uniform(0.003, 0.008),
        lost_per_thousand=draw.randint(5, 20),
    )


def _loss_udp(draw: random.Random) -> Situation:
    return Situation(
        "random loss, UDP",
        frozenset({"loss"}),
        {"direction": [_ends(draw)[0]], "transport": ["udp"], "intended_load": [f"{draw.randint(20, 60)}%"]},
        rate_bit_s=GIGABIT,
        lost_per_thousand=draw.randint(20, 100),
    )


def _hole(draw: random.Random) -> Situation:
    return Situation(
        "1500-byte hole in a jumbo path",
        frozenset({"path_frame_size"}),
        {"direction": [_ends(draw)[0]], "mtu": [draw.choice([4000, 9000])]},
        port_mtu_bytes=1500,
    )


def _softirq(draw: random.Random) -> Situation:
    """Received frames are worked on by core 1 alone and have to pass many rules there; both hosts share the cores."""
    way, _, receiver = _ends(draw)
    return Situation(
        "one core's network interrupts",
        frozenset({"receiver_softirq", "sender_softirq"}),
        {"direction": [way], "sender_core": [0], "receiver_core": [0]},
        (
            {"setting": "receive-steering", "at": receiver, "level": "1"},
            {"setting": "receive-offload", "at": receiver, "level": "off"},
        ),  # or the rules are asked of many at once
        rules_per_frame=draw.randint(2000, 4000),
    )


def _acknowledgements(draw: random.Random) -> Situation:
    return Situation(
        "TCP both ways at once",
        frozenset({"acknowledgements", "link_full"}),
        {"direction": ["bidirectional"]},
        rate_bit_s=draw.choice([50, 100, 200]) * 10**6,
    )


def _quota_and_loss(draw: random.Random) -> Situation:
    way, sender, _ = _ends(draw)
    return Situation(
        "tight sender quota, a little loss",
        frozenset({"sender_quota"}),
        {"direction": [way]},
        rate_bit_s=UNSHAPED,
        share_of_a_core={sender: draw.uniform(0.12, 0.18)},
        lost_per_thousand=1,
    )


def _full_and_quota(draw: random.Random) -> Situation:
    way, _, receiver = _ends(draw)
    return Situation(
        "link full, quota that suffices",
        frozenset({"link_full"}),
        {"direction": [way]},
        rate_bit_s=50_000_000,
        share_of_a_core={receiver: draw.uniform(0.6, 0.9)},
    )


def _offered_and_window(draw: random.Random) -> Situation:
    way, _, receiver = _ends(draw)
    return Situation(
        "low intended load, quota that suffices",
        frozenset({"intended_load"}),
        {"direction": [way], "transport": ["udp"], "intended_load": [f"{draw.randint(10, 30)}Mbit/s"]},
        rate_bit_s=GIGABIT,
        share_of_a_core={receiver: draw.uniform(0.5, 0.8)},
    )


def _small_datagrams(draw: random.Random) -> Situation:
    return Situation(
        "small datagrams one by one",
        frozenset({"sender_process"}),
        {
            "direction": [_ends(draw)[0]],
            "transport": ["udp"],
            "datagram_size": [f"{draw.randint(64, 256)}B"],
            "send_with": ["single"],
            "sender_core": [0],
            "receiver_core": [1],
        },
    )


DRAWS: Mapping[str, Callable[[random.Random], Situation]] = {
    "full-tcp": _full_tcp,
    "full-udp": _full_udp,
    "plan-udp": _plan_udp,
    "plan-pacing": _plan_pacing,
    "sender-quota": _sender_quota,
    "receiver-quota": _receiver_quota,
    "receive-window": _receive_window,
    "send-buffer": _send_buffer,
    "loss-tcp": _loss_tcp,
    "loss-udp": _loss_udp,
    "hole": _hole,
    "softirq": _softirq,
    "acknowledgements": _acknowledgements,
    "quota-and-loss": _quota_and_loss,
    "full-and-quota": _full_and_quota,
    "offered-and-quota": _offered_and_window,
    "small-datagrams": _small_datagrams,
}

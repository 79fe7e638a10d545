"""Datagrams that nobody of ours sent reach the receiver's own port: they are counted, and change nothing else.

From the sender's own address and port, as somebody on the same link can send them, through sockets that share it.
"""

from __future__ import annotations

import random
import socket
import struct
import threading
import time
from collections.abc import Callable
from typing import Any

import pytest

from orchestrator.onhost.traffic import signs
from orchestrator.onhost.traffic.arrivals import Arrivals
from orchestrator.onhost.traffic.datagrams import PHASE_SPAN
from orchestrator.onhost.traffic.sequence import Sequence
from tests.onhost.traffic.own_ports import OWN_PORTS
from tests.onhost.traffic.two_ends import arguments, flow, part, run_pair

SIZE, FIRST = 600, 1 << 61
PORTS = OWN_PORTS[100:104]
Forge = Callable[[random.Random, int], bytes]


def head(number: int, sent_ns: int) -> bytes:
    return struct.pack("<QQ", number, sent_ns).ljust(SIZE, b"x")


FORGED: dict[str, Forge] = {
    "empty": lambda _dice, _first: b"",
    "one octet": lambda _dice, _first: b"x",
    "shorter": lambda dice, _first: dice.randbytes(dice.randrange(1, SIZE)),
    "longer": lambda dice, _first: dice.randbytes(dice.randrange(SIZE + 1, 4 * SIZE)),
    "as long": lambda dice, _first: dice.randbytes(SIZE),
    "another token": lambda _dice, first: signs.end_of_datagrams(signs.signer(signs.fresh_token()), [first, 0, 0]),
    "from the future": lambda dice, first: head(first + 2 * PHASE_SPAN + dice.randrange(1000), (1 << 64) - 1),
    "from the past": lambda dice, first: head(first + 2 * PHASE_SPAN + dice.randrange(1000), 0),
    "last of a phase": lambda dice, first: head(first + PHASE_SPAN - 1 - dice.randrange(9), dice.getrandbits(64)),
    "over the end": lambda _dice, first: head(first + 3 * PHASE_SPAN, 1),
}


class Forger(threading.Thread):
    """Sends from the dialling end's own address and port, until it is told to stop."""

    def __init__(self, args: dict[str, Any], kinds: list[str], seed: int, pause_s: float) -> None:
        super().__init__(daemon=True)
        self._dice, self._kinds, self._pause_s = random.Random(seed), kinds, pause_s
        self._first = signs.first_number(args["token"], 0)
        self._args, self.sent, self.over = args, 0, threading.Event()
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_RAW, socket.IPPROTO_RAW)

    def run(self) -> None:
        while not self.over.is_set():
            payload = FORGED[self._dice.choice(self._kinds)](self._dice, self._first)
            port = self._args["ports"][0]
            udp = struct.pack("!HHHH", port, port, 8 + len(payload), 0) + payload
            source, to = (socket.inet_aton(self._args[end]) for end in ("local", "peer"))
            ip = struct.pack("!BBHHHBBH4s4s", 0x45, 0, 20 + len(udp), 0, 0, 64, 17, 0, source, to)
            self._socket.sendto(ip + udp, (self._args["peer"], 0))
            self.sent += 1
            if self._pause_s:
                time.sleep(self._pause_s)
        self._socket.close()


@pytest.fixture(params=["coalesce", "batch", "single"])
def path(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def played(path: str, kinds: list[str], *, pause_s: float = 0.0005, seed: int = 1) -> tuple[Any, Any, int]:
    args = arguments(
        [flow("transmit", "udp", datagram_bytes=SIZE, intended_load_bit_s=8e6, receive_path=path)], ports=PORTS
    )
    forger = Forger(args, kinds, seed, pause_s)
    try:
        mine, theirs = run_pair(args, length_s=0.4, set_out=lambda _told: forger.start())
    finally:
        forger.over.set()
    return part(mine, "send"), part(theirs, "receive"), forger.sent


@pytest.mark.lab
@pytest.mark.parametrize("kind", ["empty", "as long", "from the future"])
def test_a_forged_datagram_is_counted_and_ends_nothing(path: str, kind: str) -> None:
    """An empty one had the buffer's last datagram read again as its head; a time of 64 bits overflowed the account."""
    sent, got, forged = played(path, [kind])
    assert forged > 50
    assert got["datagrams_received"] >= sent["datagrams_sent"] - got["socket_drops"]
    if kind == "from the future":
        assert got["datagrams_received"] + got["datagrams_duplicate"] >= sent["datagrams_sent"]
    else:
        assert got["datagrams_received"] <= sent["datagrams_sent"]
        assert got["datagrams_foreign"] > 20
        assert got["datagrams_duplicate"] == 0


@pytest.mark.lab
def test_every_kind_at_once_and_as_a_flood_ends_nothing() -> None:
    _, got, forged = played("coalesce", list(FORGED), pause_s=0.0)
    assert forged > 500
    assert got["datagrams_foreign"] > 0
    assert got["window_s"] > 0


def test_an_impossible_send_time_leaves_delay_and_jitter_as_they_are() -> None:
    def summary(forged: list[int]) -> dict[str, Any]:
        arrivals = Arrivals()
        arrivals.open_window(1)
        for number in range(200):
            sent = 10**12 + number * 10**6
            arrivals.note((sent,), [1_700_000_000_000_000_000 + number * 10**6 + number % 7 * 1000])
        for at in forged:
            arrivals.note((at,), [1_700_000_000_200_000_000])
        arrivals.close_window()
        return arrivals.summary(None)

    clean, forged = summary([]), summary([0, (1 << 64) - 1, 1 << 63, (1 << 62) + 5, 10**18])
    assert clean["send_times_refused"] == 0
    assert forged["send_times_refused"] >= 4
    assert forged["delay_variation_p99_s"] == pytest.approx(clean["delay_variation_p99_s"])
    assert forged["transit_samples"] == clean["transit_samples"] + 5 - forged["send_times_refused"]


@pytest.mark.parametrize("seed", range(4))
def test_no_row_of_numbers_makes_an_account_grow_or_fail(seed: int) -> None:
    dice, sequence = random.Random(seed), Sequence(FIRST)
    for _ in range(3000):
        kinds = (
            dice.getrandbits(64),
            FIRST + dice.getrandbits(42),
            FIRST + PHASE_SPAN - 1 - dice.randrange(3),
            FIRST + dice.randrange(3) * PHASE_SPAN + dice.randrange(50),
            sequence.expected,
        )
        sequence.take(tuple(dice.choice(kinds) for _ in range(dice.randrange(1, 9))))
    assert all(len(phase._seen) <= 3 << 22 for phase in sequence.phases)
    assert sequence.foreign > 0

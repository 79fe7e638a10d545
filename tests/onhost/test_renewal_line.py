"""Renewals as datagrams: who knows the lease's key puts its deadline off, and nobody gets anything else there."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety import holding, renewal_line, watchdog
from orchestrator.onhost.safety.record import Record, boottime_ns
from orchestrator.onhost.safety.renewal_datagram import (
    HEARD_BYTES,
    RENEWAL_BYTES,
    heard,
    read_heard,
    read_renewal,
    renewal,
)
from orchestrator.onhost.safety.renewal_line import RenewalLine

LEASE_S = 30.0
KEY, OTHER = b"k" * 32, b"o" * 32
NS = 1_000_000_000


class Held:
    """A host that is held, its line, and somebody who sends to it."""

    def __init__(self, record: Record) -> None:
        self.record = record
        self.token = int(holding.acquire(record, {"run_id": "r1", "holder": "ann", "lease_s": LEASE_S})["token"])
        self.line = RenewalLine(record, self.token, KEY)
        self.out = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.out.settimeout(0.2)
        self.out.connect(("127.0.0.1", self.line.about()["port"]))

    def deadline_ns(self) -> int:
        state = self.record.load()
        assert state is not None
        return int(state["deadline_ns"])

    def answer_to(self, data: bytes) -> bytes:
        """What comes back; nothing when it is b""."""
        self.out.send(data)
        self.line.hear()
        try:
            return self.out.recv(200)
        except OSError:
            return b""


@pytest.fixture
def held(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Held]:
    def no_watchdog(record: Record) -> dict[str, Any]:
        return {}

    monkeypatch.setattr(watchdog, "start", no_watchdog)
    monkeypatch.setattr(watchdog, "alive", lambda state: True)
    monkeypatch.setattr(renewal_line, "control_path", lambda: {"local": "127.0.0.1"})
    made = Held(Record(str(tmp_path / "linktrial")))
    yield made
    made.line.close()
    made.out.close()


def test_a_renewal_puts_the_deadline_off_and_is_answered_with_the_hosts_clock(held: Held) -> None:
    before, until = held.deadline_ns(), boottime_ns() + int(LEASE_S * NS)
    now = read_heard(held.answer_to(renewal(KEY, held.token, until)), KEY, held.token)
    assert before < held.deadline_ns() == until
    assert now is not None
    assert abs(boottime_ns() - now) < 60 * NS


def test_no_renewal_grants_more_than_the_lease_from_now_on(held: Held) -> None:
    held.answer_to(renewal(KEY, held.token, boottime_ns() + 86_400 * NS))
    assert held.deadline_ns() <= boottime_ns() + int(LEASE_S * NS)


def test_what_was_sent_before_can_be_played_again_without_any_effect_or_answer(held: Held) -> None:
    first, second = (renewal(KEY, held.token, boottime_ns() + int((LEASE_S - less) * NS)) for less in (1, 0))
    assert held.answer_to(first)
    assert held.answer_to(second)
    deadline = held.deadline_ns()
    assert [held.answer_to(each) for each in (first, second)] == [b"", b""]
    assert held.deadline_ns() == deadline


def test_a_renewal_that_was_held_back_grants_only_what_it_was_sent_for(held: Held) -> None:
    """Whoever keeps datagrams back and lets them go after the controller's death gains no second of the host."""
    kept = renewal(KEY, held.token, held.deadline_ns() - NS)
    held.answer_to(kept)
    state = held.record.load()
    assert state is not None
    assert held.deadline_ns() < boottime_ns() + int(LEASE_S * NS)
    assert held.deadline_ns() == state["deadline_ns"]


STRANGE = {
    "empty": b"",
    "a head alone": b"LTr1",
    "anything": os.urandom(RENEWAL_BYTES),
    "another key": renewal(OTHER, 1, 2**62),
    "too long": b"\xff" * 200,
    "an answer": b"LTh1" + bytes(40),
}


@pytest.mark.parametrize("data", STRANGE.values(), ids=STRANGE)
def test_a_strangers_datagram_is_dropped_without_a_word(data: bytes, held: Held) -> None:
    before = held.deadline_ns()
    assert held.answer_to(data) == b""
    assert held.deadline_ns() == before


def test_a_renewal_of_another_lease_of_the_same_key_counts_for_nothing(held: Held) -> None:
    assert held.answer_to(renewal(KEY, held.token + 1, boottime_ns() + int(LEASE_S * NS))) == b""


def test_every_changed_octet_is_noticed() -> None:
    good = renewal(KEY, 7, 123456789)
    assert read_renewal(good, KEY, 7) == 123456789
    for place in range(HEARD_BYTES):
        assert read_renewal(good[:place] + bytes([good[place] ^ 1]) + good[place + 1 :], KEY, 7) is None
    assert read_heard(heard(KEY, 7, 5), KEY, 8) is None


def test_an_answer_is_shorter_than_what_it_answers() -> None:
    """Or a renewal that is repeated with a forged source would be a way to multiply traffic."""
    assert len(heard(KEY, 7, 5)) == HEARD_BYTES < len(renewal(KEY, 7, 5)) == RENEWAL_BYTES


def test_after_the_lease_nothing_is_renewed_or_answered(held: Held, monkeypatch: pytest.MonkeyPatch) -> None:
    late = boottime_ns() + int(2 * LEASE_S * NS)
    monkeypatch.setattr(holding, "boottime_ns", lambda: late)
    assert held.answer_to(renewal(KEY, held.token, late + NS)) == b""


def test_a_flood_of_strangers_keeps_the_loop_for_no_longer_than_a_few_datagrams(held: Held) -> None:
    for _ in range(3 * renewal_line.MAX_AT_ONCE):
        held.out.send(b"x" * 64)
    held.line.hear()
    assert held.line._socket.recv(200) == b"x" * 64, "the rest is for the next turn"


def test_a_host_that_does_not_know_by_which_address_it_is_reached_says_so(
    held: Held, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(renewal_line, "control_path", lambda: {"local": ""})
    with pytest.raises(Refusal, match="not known"):
        RenewalLine(held.record, held.token, KEY)

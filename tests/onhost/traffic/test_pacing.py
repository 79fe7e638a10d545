"""Pacing and bursts: due times, catching up, and how long a burst may be; on a clock of the test's own."""

from __future__ import annotations

import itertools

import pytest

from orchestrator.onhost.traffic import pacing
from orchestrator.onhost.traffic.flows import read_args
from orchestrator.onhost.traffic.pacing import Pacer, burst_size, percentile_of_counts
from orchestrator.onhost.traffic.udp_send import UdpSend
from orchestrator.wire import wire_bytes

MS, US = 1_000_000, 1_000
START = 10_000 * MS


class Clock:
    """A clock that moves a microsecond per look, by what is slept, and by how late sleeps end."""

    def __init__(self, late_ns: int = 30 * US) -> None:
        self.now_ns = START
        self.late_ns = late_ns
        self.slept_ns = 0

    def monotonic_ns(self) -> int:
        self.now_ns += US
        return self.now_ns

    def sleep(self, seconds: float) -> None:
        self.slept_ns += int(seconds * 1e9)
        self.now_ns += int(seconds * 1e9) + self.late_ns


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    made = Clock()
    monkeypatch.setattr(pacing, "time", made)
    return made


def test_bursts_go_at_their_due_times_and_the_rate_is_exact(clock: Clock) -> None:
    pacer = Pacer(START, 1 * MS, 0.0)
    times = [pacer.wait() for _ in range(1000)]
    assert all(0 <= at - START - number * MS < 50 * US for number, at in enumerate(times))
    assert times[-1] - times[0] == pytest.approx(999 * MS, rel=1e-4)


def test_most_of_the_waiting_is_slept_and_not_spun(clock: Clock) -> None:
    pacer = Pacer(START, 1 * MS, 0.0)
    for _ in range(1000):
        pacer.wait()
    assert clock.slept_ns > 0.9 * 1000 * MS


def test_what_was_missed_is_made_up_for_at_double_rate_and_not_at_once(clock: Clock) -> None:
    pacer = Pacer(START, 1 * MS, 0.0)
    for _ in range(10):
        pacer.wait()
    clock.now_ns += 20 * MS  # the process had to wait for a core
    times = [pacer.wait() for _ in range(60)]
    gaps = [later - earlier for earlier, later in itertools.pairwise(times)]
    assert min(gaps) >= 0.5 * MS, "never closer than half the interval"
    assert abs(times[-1] - START - 69 * MS) < 0.1 * MS, "and the rate is kept over all"


def test_catching_up_never_exceeds_the_lines_own_rate(clock: Clock) -> None:
    line_ns = 0.9 * MS  # of one burst: the line carries a ninth more than is asked
    pacer = Pacer(START, 1 * MS, line_ns)
    pacer.wait()
    clock.now_ns += 20 * MS
    times = [pacer.wait() for _ in range(50)]
    assert min(later - earlier for earlier, later in itertools.pairwise(times)) >= line_ns


def test_lateness_is_told_by_its_worst_hundredth(clock: Clock) -> None:
    pacer = Pacer(START, 1 * MS, 0.0)
    for number in range(200):
        if number in (50, 100, 150):
            clock.now_ns += 3 * MS
        pacer.wait()
    assert pacer.late_p99_s() == pytest.approx(0.002, rel=0.05), "3 ms away, of which 1 would have been waited anyway"


def test_a_percentile_of_counts_is_the_smallest_edge_below_which_the_share_lies() -> None:
    assert percentile_of_counts([99, 1], 0.99, 2e-6) == 2e-6
    assert percentile_of_counts([98, 2], 0.99, 2e-6) == 4e-6
    assert percentile_of_counts([0, 0], 0.99, 2e-6) is None


@pytest.mark.parametrize(
    ("payload", "line_bit_s", "intended_load_bit_s", "expected"),
    [
        (1472, 1e9, None, 8),  # 100 µs of a gigabit are 8.1 frames of 1538 octets
        (1472, 2.5e9, None, 20),
        (1472, 100e6, None, 1),  # less than one: never below
        (18, 1e9, None, 64),  # 148 would be 100 µs: more than one call takes
        (8972, 10e9, None, 13),
        (1472, 1e9, 10e6, 1),  # a slow flow is sent one by one: bursts only save wake-ups
        (1472, 1e9, 300e6, 3),  # 25,475 a second: three per 100 µs
        (1472, None, None, 64),  # nothing is known: two ends on one machine
        (1472, None, 1e9, 9),
    ],
)
def test_a_burst_is_at_most_a_hundred_microseconds_of_line_time(
    payload: int, line_bit_s: float | None, intended_load_bit_s: float | None, expected: int
) -> None:
    on_the_wire = wire_bytes(payload + 28)
    frames_s = intended_load_bit_s / 8 / payload if intended_load_bit_s else None
    found = burst_size(on_the_wire, line_bit_s, frames_s)
    assert found == expected
    if line_bit_s and found > 1:
        assert found * 8 * on_the_wire / line_bit_s <= 100e-6


@pytest.mark.parametrize("first", [0, 16])  # the second of two ways has the later numbers
def test_streams_take_turns_so_that_their_bursts_do_not_fall_together(first: int) -> None:
    """Sixteen that all sent at the same instants would be one burst of sixteen times the length."""
    starts = []
    for number in range(first, first + 16):
        flows = [
            {"way": way, "transport": "udp", "streams": 16, "intended_load_bit_s": 900e6}
            for way in ("transmit", "receive")
        ]
        pair = read_args(
            {
                "token": "00" * 32,
                "interface": "lo",
                "local": "198.18.0.1",
                "peer": "198.18.0.2",
                "family": 4,
                "ports": list(range(20000, 20032)),
                "flows": flows,
                "mtu": 1500,
                "rate_bit_s": 1e9,
            },
            serving=False,
        )
        sender = UdpSend(pair, pair.streams[number], None)  # type: ignore[arg-type]  # nothing is sent
        sender.plan_bursts()
        starts.append(sender.first_burst_ns(START) - START)
    interval_ns = 1e9 * 8 * 1472 / (900e6 / 16)  # one datagram of each stream, by the asked rate
    gaps = [after - before for before, after in itertools.pairwise(sorted(starts))]
    assert min(starts) == 0
    assert gaps == pytest.approx([interval_ns / 16] * 15, abs=2)

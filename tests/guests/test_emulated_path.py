"""Delay and loss made by the guests' own kernels (netem) against what the traffic pair and the TCP metrics report.

Loss is compared with the interval that holds 99 % of a binomial distribution (scipy), and count by count with the
kernel's own counter of dropped packets. netem's delay lies on the emulation's own clock: bare round trips are taken
off, and differences are held against 1 ms beside the bare path's own jitter (the spread that `ping` reports).
"""

from __future__ import annotations

import json
import statistics
from pathlib import Path

import pytest
from scipy.stats import binom

from orchestrator.cli.exits import Exit
from orchestrator.lab.guests.machines import Machines
from tests.guests.runs import plan, rows, run

pytestmark = [pytest.mark.guests, pytest.mark.proof, pytest.mark.timeout(290)]
_DELAY_S, _LOSS = 0.020, 0.02
_TCP = """\
factors:
  direction: [transmit]
trial: {length: 2s, warmup: 1s, settle: 200ms, replicates: 3}
"""
# one datagram per send: netem drops what it is given, and would drop a whole super-datagram
_UDP = """\
factors:
  transport: [udp]
  direction: [transmit]
  offered_rate: [20Mbit/s]
  send_with: [single]
  burst: [1]
trial: {length: 4s, warmup: 200ms, settle: 200ms, replicates: 2}
accept: [suspect]
"""


def _netem(machines: Machines, words: str) -> None:
    """What dome's kernel does to everything it sends on the measured link; "" takes it away."""
    if words:
        machines["dome"].output(f"tc qdisc replace dev eth1 root netem limit 10000 {words}")
    else:
        machines["dome"].output("tc qdisc del dev eth1 root")


def _dropped(machines: Machines) -> int:
    qdisc, = json.loads(machines["dome"].output("tc -j -s qdisc show dev eth1 root"))
    return int(qdisc["drops"])


def _jitter_s(machines: Machines) -> float:
    """The spread of bare round trips as ping's last line has it: rtt min/avg/max/mdev = a/b/c/d ms."""
    return float(machines["dome"].output("ping -q -i 0.05 -c 40 198.18.0.12").split("/")[-1].split()[0]) / 1e3


def _median(found: list[dict[str, str]], column: str) -> float:
    return statistics.median(float(row[column]) for row in found)


def test_a_delay_in_the_kernel_is_the_difference_of_round_trips_of_probe_and_tcp(
        observatory: Machines, tmp_path: Path) -> None:
    jitter_s = _jitter_s(observatory)
    measured = {}
    for name, words in (("bare", ""), ("delayed", f"delay {_DELAY_S * 1e3:g}ms")):
        (tmp_path / name).mkdir()
        if words:
            _netem(observatory, words)
        done, folder = run(observatory, tmp_path / name, plan(_TCP))
        assert done.returncode in (Exit.COMPLETE, Exit.SOME_NOT_VALID), done.stderr[-3000:]
        measured[name] = rows(folder)
    _netem(observatory, "")
    for column in ("round_trip_idle_s", "rtt_min_s"):
        added_s = _median(measured["delayed"], column) - _median(measured["bare"], column)
        print(f"{column}: {added_s * 1e3:.2f} ms for {_DELAY_S * 1e3:g} ms of delay (bare jitter {jitter_s * 1e3:.2f})")
        assert added_s == pytest.approx(_DELAY_S, abs=1e-3 + jitter_s), column


def test_a_loss_in_the_kernel_is_counted_to_the_datagram(observatory: Machines, tmp_path: Path) -> None:
    _netem(observatory, f"loss {_LOSS * 100:g}%")
    try:
        done, folder = run(observatory, tmp_path, plan(_UDP))
        dropped = _dropped(observatory)
    finally:
        _netem(observatory, "")
    assert done.returncode in (Exit.COMPLETE, Exit.SOME_NOT_VALID), done.stderr[-3000:]
    found = rows(folder)
    sent = sum(int(row["datagrams_sent"]) for row in found)
    lost = sum(int(row["datagrams_lost"]) for row in found)
    low, high = binom.interval(0.99, sent, _LOSS)
    print(f"{lost} of {sent} datagrams lost; {low:g} to {high:g} hold 99 %; the kernel dropped {dropped} in all")
    assert low <= lost <= high
    assert lost <= dropped  # rehearsal, probes and warm-up passed the same place


def test_tcp_efficiency_under_loss_is_the_share_that_was_not_sent_again(observatory: Machines, tmp_path: Path) -> None:
    """RFC 6349 section 4.2: the share of transmitted bytes that were not retransmissions."""
    dome = observatory["dome"]
    _netem(observatory, f"loss {_LOSS * 100:g}%")
    dome.output("ethtool -K eth1 gso off")  # netem then drops frames, not super-frames of many segments
    try:
        done, folder = run(observatory, tmp_path, plan(_TCP))
    finally:
        dome.output("ethtool -K eth1 gso on")
        _netem(observatory, "")
    assert done.returncode in (Exit.COMPLETE, Exit.SOME_NOT_VALID), done.stderr[-3000:]
    found = rows(folder)
    sent = sum(int(row["segments_sent"]) for row in found)
    again = sum(int(row["segments_retransmitted"]) for row in found)
    low, high = binom.interval(0.99, sent, _LOSS)
    efficiency = [float(row["tcp_efficiency_ratio"]) for row in found]
    print(f"{again} of {sent} segments sent again; {low:g} to {high:g} hold 99 %; efficiency {efficiency}")
    # every lost segment is sent again; tail loss probes (RFC 8985 section 7) and timeouts send a few that were not lost
    assert low <= again <= 1.5 * high
    for row, each in zip(found, efficiency, strict=True):
        assert each == pytest.approx(1 - int(row["segments_retransmitted"]) / int(row["segments_sent"]), abs=2e-3)

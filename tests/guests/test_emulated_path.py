"""Delay and loss made by the guests' own kernels (netem) against what the traffic pair and the TCP metrics report.

Loss is compared with the interval that holds 99 % of a binomial distribution (scipy), and count by count with what the
netem queue itself counts as dropped in each trial. netem's delay lies on the emulation's own clock: bare round trips
are taken off, and differences are held against 1 ms beside the bare path's own jitter (the spread that `ping` reports).
"""

from __future__ import annotations

import csv
import gzip
import json
import statistics
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from scipy.stats import binom

from orchestrator.lab.guests.machines import Machines
from orchestrator.words.exit_codes import Exit
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
  intended_load: [20Mbit/s]
  send_with: [single]
  burst: [1]
trial: {length: 4s, warmup: 0s, settle: 200ms, replicates: 2}
accept: [suspect]
"""


def _netem(machines: Machines, words: str) -> None:
    """What dome's kernel does to everything it sends on the measured link; "" takes it away."""
    if words:
        machines["dome"].output(f"tc qdisc replace dev eth1 root netem limit 10000 {words}")
    else:
        machines["dome"].output("tc qdisc del dev eth1 root")


class _Queue(NamedTuple):
    """What dome's netem was given and dropped in all trials, and the round-trip probes among it."""

    frames: int
    dropped: int
    probes: int
    probes_lost: int

    def most_others(self, ours: int) -> int:
        """The most that chance takes, in 999 of 1000 runs, of the frames that are neither probes nor `ours`."""
        return int(binom.ppf(0.999, self.frames - self.probes - ours, _LOSS))


def _queue(folder: Path, conducted: list[dict[str, Any]]) -> _Queue:
    counted = csv.DictReader(gzip.decompress((folder / "counters.csv.gz").read_bytes()).decode().splitlines())
    found = Counter({"queue.drops": 0})
    for row in counted:
        if row["host"] == "dome":
            found[row["counter"]] += int(row["change"])
    flows = [record["first"]["round_trip"][part] for record in conducted for part in ("idle", "load")]
    return _Queue(
        found["interface.tx_packets"] + found["queue.drops"],
        found["queue.drops"],
        sum(flow["sent"] for flow in flows),
        sum(flow["lost"] for flow in flows),
    )


def _conducted(folder: Path) -> list[dict[str, Any]]:
    """The journal's records of the trials, without the rehearsal's."""
    bodies = (json.loads(line)["body"] for line in (folder / "journal.jsonl").read_text().splitlines())
    return [body["record"] for body in bodies if body.get("event") == "Conducted" and body["position"] >= 0]


def _jitter_s(machines: Machines) -> float:
    """The spread of bare round trips as ping's last line has it: rtt min/avg/max/mdev = a/b/c/d ms."""
    return float(machines["dome"].output("ping -q -i 0.05 -c 40 198.18.0.12").split("/")[-1].split()[0]) / 1e3


def _median(found: list[dict[str, str]], column: str) -> float:
    return statistics.median(float(row[column]) for row in found)


def test_a_delay_in_the_kernel_is_the_difference_of_round_trips_of_probe_and_tcp(
    observatory: Machines, tmp_path: Path
) -> None:
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
    finally:
        _netem(observatory, "")
    assert done.returncode in (Exit.COMPLETE, Exit.SOME_NOT_VALID), done.stderr[-3000:]
    found = rows(folder)
    sent = sum(int(row["datagrams_sent"]) for row in found)
    lost = sum(int(row["datagrams_lost"]) for row in found)
    queue = _queue(folder, _conducted(folder))
    low, high = binom.interval(0.99, sent, _LOSS)
    others = queue.dropped - lost - queue.probes_lost
    print(
        f"{lost} of {sent} datagrams lost; {low:g} to {high:g} hold 99 %; {queue}: {others} others dropped, of at "
        f"most {queue.most_others(sent)}; places {[row['lost_sender_queue'] for row in found]}"
    )
    assert low <= lost <= high
    assert 0 <= others <= queue.most_others(sent)
    assert [row["lost_sender_queue"] for row in found] == [row["datagrams_lost"] for row in found]


@pytest.fixture
def segments_alone(observatory: Machines) -> Iterator[None]:
    """The kernel hands netem one segment at a time: of a super-frame, netem drops all segments together or none."""
    observatory["dome"].output("ip link set dev eth1 gso_max_segs 1")
    yield
    observatory["dome"].output("ip link set dev eth1 gso_max_segs 65535")


@pytest.mark.usefixtures("segments_alone")
def test_tcp_efficiency_under_loss_is_the_share_that_was_not_sent_again(observatory: Machines, tmp_path: Path) -> None:
    """RFC 6349 section 4.2: the share of transmitted bytes that were not retransmissions.

    A segment is sent again when it was lost or, in vain, when it only seemed so (RFC 8985 section 7), and of the latter
    the receiver tells (RFC 2883). What remains was lost.
    """
    _netem(observatory, f"loss {_LOSS * 100:g}%")
    try:
        done, folder = run(observatory, tmp_path, plan(_TCP))
    finally:
        _netem(observatory, "")
    assert done.returncode in (Exit.COMPLETE, Exit.SOME_NOT_VALID), done.stderr[-3000:]
    found, conducted = rows(folder), _conducted(folder)
    sent = sum(int(row["segments_sent"]) for row in found)
    again = sum(int(row["segments_retransmitted"]) for row in found)
    said = [record["first"]["parts"][0] for record in conducted]
    in_vain = sum(each["tcp"]["duplicates_reported"] for each in said)
    low, high = binom.interval(0.99, sent, _LOSS)
    queue, whole_again = _queue(folder, conducted), sum(each["tcp"]["segments_retransmitted_whole"] for each in said)
    whole = sum(-(-each["sent_bytes"] // each["tcp"]["mss_bytes"]) for each in said) + whole_again
    others = queue.dropped - (whole_again - in_vain) - queue.probes_lost
    efficiency = [float(row["tcp_efficiency_ratio"]) for row in found]
    print(
        f"in the windows {again} of {sent} segments sent again, {in_vain} in vain; {low:g} to {high:g} hold 99 %; in "
        f"all {whole_again} of {whole}; {queue}: {others} others dropped, of at most {queue.most_others(whole)}; "
        f"efficiency {efficiency}"
    )
    assert low <= again - in_vain <= high
    # what is sent again in vain after the window is told to nobody, and makes the others less
    assert abs(others) <= queue.most_others(whole)
    for row, each in zip(found, efficiency, strict=True):
        assert each == pytest.approx(1 - int(row["segments_retransmitted"]) / int(row["segments_sent"]), abs=2e-3)

"""The bottleneck of it, on whole machines: benches made on purpose in the guests' own kernels, and the first answers.

Eight situations of nine trials each: what the plan offers, a full link, netem's loss and delay, small buffers, a port
that does not carry jumbo frames. Which answer is right is known because the situation was made.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import pytest
from scipy import stats

from orchestrator.lab.guests.machines import Machines
from orchestrator.lab.guests.scenario import OBSERVATORY
from orchestrator.results.causes.from_columns import row_cause
from orchestrator.results.read_run import read_trials
from orchestrator.words.exit_codes import Exit
from tests.guests.runs import plan, run

pytestmark = [pytest.mark.guests, pytest.mark.proof, pytest.mark.timeout(1500)]
RATE_BIT_S = 30_000_000  # well below what two emulated machines carry, so that the processor is not the answer
REPLICATES, ASKED = 9, 0.92
_TRIAL = (
    f"trial: {{length: 1s, warmup: 500ms, settle: 50ms, replicates: {REPLICATES}}}\naccept: [suspect, impossible]\n"
)
_SINGLE = "send_with: [single], burst: [1]"  # netem would drop a whole super-datagram
_ROOM = "4096 65536 65536"


class Situation(NamedTuple):
    """How the bench is made and unmade by lines of root's shell on one host, and the plan's part."""

    right: str
    rest: str
    make: str = ""
    unmake: str = ""
    on: str = "dome"


def _netem(words: str) -> tuple[str, str]:
    return f"tc qdisc replace dev eth1 root netem limit 10000 {words}", "tc qdisc del dev eth1 root"


SITUATIONS = {
    "the link is full, TCP": Situation("link_full", "factors: {direction: [receive]}"),
    "the link is full, UDP offers more": Situation(
        "link_full", f"factors: {{direction: [transmit], transport: [udp], intended_load: [150%], {_SINGLE}}}"
    ),
    "UDP as offered": Situation(
        "intended_load", "factors: {direction: [receive], transport: [udp], intended_load: [40%]}"
    ),
    "TCP paced by the plan": Situation("intended_load", "factors: {direction: [transmit], pacing: [8Mbit/s]}"),
    "random loss, UDP": Situation(
        "loss",
        f"factors: {{direction: [transmit], transport: [udp], intended_load: [40%], {_SINGLE}}}",
        *_netem("loss 5%"),
    ),
    "small receive buffer, delay": Situation(
        "receiver_window",
        f"hold: [{{setting: tcp-receive-memory, at: hall, level: {_ROOM}}}]\nfactors: {{direction: [transmit]}}",
        *_netem("delay 40ms"),
    ),
    "small send buffer, delay": Situation(
        "send_buffer",
        f"hold: [{{setting: tcp-transmit-memory, at: dome, level: {_ROOM}}}]\nfactors: {{direction: [transmit]}}",
        *_netem("delay 40ms"),
        "hall",
    ),  # at dome netem disowns what it limits
    "a hole of 1500 bytes in a jumbo path": Situation(
        "path_frame_size", "factors: {direction: [transmit], mtu: [4000]}"
    ),
}


@pytest.fixture(scope="module")
def slow_link() -> Iterator[Machines]:
    with Machines(rate_bit_s=RATE_BIT_S) as machines:
        yield machines


def answers(machines: Machines, made: Situation, folder: Path, port_mtu: Callable[[int], None]) -> Counter[str]:
    """The first answers to one situation, by their codes."""
    if made.make:
        machines[made.on].output(made.make)
    if made.right == "path_frame_size":
        port_mtu(1500)
    try:
        done, found = run(machines, folder, plan(f"{made.rest}\n{_TRIAL}", "causes", RATE_BIT_S), timeout_s=600)
    finally:
        port_mtu(9216)
        if made.unmake:
            machines[made.on].output(made.unmake)
    assert done.returncode in (Exit.COMPLETE, Exit.SOME_NOT_VALID), done.stderr[-2000:]
    rows = read_trials(found).to_dict("records")
    return Counter(row_cause({str(name): value for name, value in row.items()}).code for row in rows)


def test_the_first_answer_to_what_holds_it_back_is_right_on_guests(slow_link: Machines, tmp_path: Path) -> None:
    port = OBSERVATORY[1].port(0)

    def port_mtu(mtu: int) -> None:
        slow_link.lab.switch.output(["ip", "link", "set", "dev", port, "mtu", str(mtu)])

    found: dict[str, Counter[str]] = {}
    for number, (name, made) in enumerate(SITUATIONS.items()):
        folder = tmp_path / str(number)
        folder.mkdir()
        found[name] = answers(slow_link, made, folder, port_mtu)
        print(f"{name:<40} {made.right:<16} {dict(found[name])}", flush=True)
    right = sum(found[name][made.right] for name, made in SITUATIONS.items())
    unknown = sum(codes["unknown"] + codes["not_measured"] for codes in found.values())
    total = sum(codes.total() for codes in found.values())
    lower = stats.binomtest(right, total).proportion_ci(0.95, "exact").low
    print(
        f"{total} answers: {right} right, {unknown} unknown, {total - right - unknown} confidently wrong; "
        f"lower end of the 95 % interval {lower:.3f}"
    )
    assert total >= 60
    assert right + unknown == total, found
    assert lower >= ASKED, found

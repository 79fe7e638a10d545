"""Two links at once: a row for each, their sum in cells and report, and no figure that the other link made."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from orchestrator.lab.lab import Lab
from orchestrator.lab.scenario import Scenario, lab_host
from orchestrator.lab.wiring import SPARE, UPLINK
from tests.spine.bench import Bench, plan_text, trials_of

pytestmark = pytest.mark.lab
RATE_BIT_S = 100_000_000
LINKS = {
    "uplink": {"under_test": "dome eth1", "far": "hall eth1", "rate": "100Mbit/s", "isolated": True},
    "spare": {
        "under_test": "dome eth2",
        "far": "hall eth2",
        "rate": "100Mbit/s",
        "isolated": True,
        "ports": "21000-21063",
    },
}
TRIAL = {"length": "600ms", "warmup": "300ms", "settle": "50ms", "replicates": 2}
# Framing (IEEE 802.3, RFC 768, 9293, 7323): 1538 octets on the wire with preamble 8, header 14, check 4, gap 12
UDP_CEILING = RATE_BIT_S * 1472 / 1538
TCP_CEILING = RATE_BIT_S * 1448 / 1538


@pytest.fixture
def two_links(tmp_path: Path) -> Iterator[Bench]:
    scenario = Scenario((lab_host("dome", 11, spare_end=True), lab_host("hall", 12, spare_end=True)), RATE_BIT_S)
    with Lab(scenario, server="openssh") as made:
        yield Bench(made, tmp_path)


def test_each_link_has_its_rows_and_the_sum_is_in_cells_and_report(two_links: Bench):
    done, folder = two_links.run(plan_text(links=LINKS, trial=TRIAL, factors={"together": ["alone", "all"]}))
    assert done.returncode == 0, done.stderr + done.stdout
    rows = trials_of(folder)
    assert sorted((row["together"], row["link"]) for row in rows) == sorted(
        2 * [("alone", "uplink"), ("alone", "spare"), ("all", "uplink"), ("all", "spare")]
    )
    assert {row["status"] for row in rows} == {"valid"}
    interfaces = {(row["link"], row["sender_interface"], row["receiver_interface"]) for row in rows}
    assert interfaces == {("uplink", "eth1", "eth1"), ("spare", "eth2", "eth2")}
    for row in rows:
        assert float(row["ceiling_bit_s"]) == pytest.approx(TCP_CEILING, rel=1e-9)
        assert 0.97 < float(row["fill"]) <= 1.003
    cells = {(row["together"], row["link"]): row for row in trials_of(folder, "cells.csv")}
    summed = cells["all", "uplink+spare"]
    assert float(summed["ceiling_bit_s"]) == pytest.approx(2 * TCP_CEILING, rel=1e-9)
    each = [float(cells["all", link]["goodput_mean_bit_s"]) for link in ("uplink", "spare")]
    assert float(summed["goodput_mean_bit_s"]) == pytest.approx(sum(each), rel=1e-9)
    assert ("alone", "uplink+spare") not in cells
    assert "uplink+spare" in (folder / "report.md").read_text()
    assert "uplink+spare" in (folder / "report.html").read_text()


def test_loss_on_one_link_is_that_links_and_weighs_in_the_sum_as_its_datagrams_do(two_links: Bench):
    two_links.lab.switch.drop_every(50, "dome")  # the uplink's port; the spare link has its own
    factors = {
        "together": [["uplink", "spare"]],
        "transport": ["udp"],
        "direction": ["bidirectional"],
        "intended_load": ["40%"],
    }
    done, folder = two_links.run(plan_text(links=LINKS, trial=TRIAL, factors=factors))
    rows = trials_of(folder)
    assert len(rows) == 2 * 2 * 2, done.stderr  # trials, links, ways
    for row in rows:
        lost, sent = int(row["datagrams_lost"]), int(row["datagrams_sent"])
        duplicate = int(row["datagrams_duplicate"])
        assert duplicate == 0
        if (row["link"], row["way"]) == ("uplink", "transmit"):
            assert lost / sent == pytest.approx(1 / 50, rel=0.05)  # every 50th frame, ours and the small talk counted
            assert int(row["lost_between"]) == lost
        else:
            assert lost == 0, row
        assert sent == int(row["datagrams_received"]) + lost
        assert float(row["intended_load_bit_s"]) == pytest.approx(0.4 * UDP_CEILING)
    summed = {row["way"]: row for row in trials_of(folder, "cells.csv") if row["link"] == "uplink+spare"}
    assert set(summed) == {"transmit", "receive"}
    assert float(summed["receive"]["loss_ratio_mean"] or 0) == 0
    # a busy machine does not send what is asked on each link, so the links' shares are those that the rows tell
    ratios = [
        sum(int(row["datagrams_lost"]) for row in pair) / sum(int(row["datagrams_sent"]) for row in pair)
        for trial in ("1", "2")
        for pair in [[row for row in rows if (row["trial"], row["way"]) == (trial, "transmit")]]
    ]
    assert len(ratios) == 2
    assert float(summed["transmit"]["loss_ratio_mean"]) == pytest.approx(sum(ratios) / 2, rel=1e-9)


def test_crossed_cables_are_named_at_the_start(two_links: Bench):
    for port, bridge in (("port-hall", SPARE), ("por2-hall", UPLINK)):
        two_links.lab.switch.output(["ip", "link", "set", "dev", port, "master", bridge])
    plan = two_links.write(plan_text(links=LINKS, trial=TRIAL, factors={"together": ["all"]}))
    done = two_links.contact("run", plan, "--rehearse", "--out", two_links.out)
    assert done.returncode == 3
    # either link may be looked at first, and each is crossed
    assert re.search(r"eth2 of hall answers, and eth1 does not|eth1 of hall answers, and eth2 does not", done.stderr)
    assert "or put the cable where the plan says" in done.stderr

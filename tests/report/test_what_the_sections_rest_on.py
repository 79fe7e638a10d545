"""The figures behind the sections: evidence of a cell, loss curves, the two ends, cautions, what is not valid."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from orchestrator.report import ends, influence, loss, method, read_report
from orchestrator.report.evidence import Evidence, gather
from orchestrator.report.model import Report, not_valid_groups
from orchestrator.report.page import cells as page_cells
from orchestrator.report.page import html
from orchestrator.report.page import run as page_run
from orchestrator.report.page.markup import Markup
from orchestrator.report.page.scale import STEPS, scale_of
from orchestrator.results import columns
from orchestrator.results.folder import RunFolder
from orchestrator.results.over_time import goodput_over_time
from orchestrator.results.read_run import read_run
from orchestrator.results.write import append_text_member
from tests.report.made_report import cell, made
from tests.report.page_tree import Element, parse
from tests.results.synthetic import Scenario, make_run


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Report:
    return read_report(
        make_run(
            tmp_path_factory.mktemp("small"),
            Scenario({"mtu": [1500, 9000], "direction": ["transmit", "bidirectional"]}, replicates=3, trouble=False),
        )
    )


@pytest.fixture(scope="module")
def evidence(small: Report) -> Evidence:
    return gather(small.data, frozenset({1, 2, 3, 4}))


def test_goodput_over_time_averages_to_the_trial_s_goodput(small: Report, evidence: Evidence) -> None:
    goodput = {(row.trial, row.link, row.way): row.goodput_bit_s for row in small.data.trials.itertuples()}

    assert set(evidence.series) == set(goodput)
    for key, line in evidence.series.items():
        assert sum(point.mean_bit_s for point in line) / len(line) == pytest.approx(goodput[key], rel=0.005)
        assert line[-1].t_s == pytest.approx(10.0)


def test_lines_are_thinned_by_averaging_not_by_dropping(small: Report) -> None:
    thin, whole = goodput_over_time(small.data.folder, 7), goodput_over_time(small.data.folder, 100)

    for key, line in thin.items():
        assert len(line) <= 7
        assert sum(point.bits for point in line) == pytest.approx(sum(point.bits for point in whole[key]), rel=1e-9)
        assert sum(point.seconds for point in line) == pytest.approx(whole[key][-1].t_s)
        assert line[-1].t_s == whole[key][-1].t_s


def test_an_interval_that_fell_out_stays_visible_among_ten_thousand(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Read in pieces that end in the middle of points; one interval of nothing, one of twice as much."""
    monkeypatch.setattr("orchestrator.results.over_time._ROWS_AT_ONCE", 777)
    names = columns.names("series.csv.gz")
    octets = [0 if place == 4321 else 2_000_000 if place == 7000 else 1_000_000 for place in range(10_000)]
    for trial, role in ((1, "measure"), (2, "broken_off")):
        append_text_member(
            tmp_path / "series.csv.gz",
            names,
            (
                f"{trial},1,uplink,transmit,{round((place + 1) / 10, 1)},{size},0,{role}\n"
                for place, size in enumerate(octets)
            ),
        )
    found = goodput_over_time(RunFolder(tmp_path), 100)

    assert {(line.trial, line.broken_off) for line in found} == {(1, False), (2, True)}
    for points in found.values():
        assert len(points) == 100
        assert [number for number, point in enumerate(points) if point.min_bit_s == 0] == [43]
        assert [number for number, point in enumerate(points) if point.most_bit_s > 1.5e8] == [70]
        assert points[0].mean_bit_s == pytest.approx(8e7)
        assert sum(point.bits for point in points) == 8 * sum(octets)


def test_the_cores_of_both_hosts_are_means_over_the_trials(small: Report, evidence: Evidence) -> None:
    cores = evidence.cores[(1, "uplink"), "dome"]

    assert [core.core for core in cores] == [0, 1, 2, 3]
    assert {host for _, host in evidence.cores} == {"dome", "hall"}
    assert max(cores, key=lambda core: core.busy).core == 2
    assert all(core.softirq == pytest.approx(0.1) for core in cores)


def test_many_trials_get_no_lines_but_keep_their_tables(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("orchestrator.report.evidence.GREATEST_TRIALS_DRAWN", 3)
    run = make_run(tmp_path, Scenario({"mtu": [1500, 9000], "direction": ["transmit"]}, replicates=2))
    found = gather(read_run(run), frozenset({1, 2}))

    assert (found.series, found.cores) == ({}, {})
    assert sum(len(trials) for trials in found.replicates.values()) == 4


def test_details_are_bounded_by_trials_as_well_as_by_cells(monkeypatch: pytest.MonkeyPatch) -> None:
    cells = [cell(number, {"mtu": str(number)}) for number in range(1, 30)]
    report = made(cells, {"mtu": tuple(str(number) for number in range(1, 30))})
    monkeypatch.setattr(page_cells, "GREATEST_TRIALS", 52)

    assert page_cells.details_of(report) == frozenset(range(1, 11))
    monkeypatch.setattr(page_cells, "GREATEST_CELLS", 4)
    assert page_cells.details_of(report) == frozenset({1, 2, 3, 4})


def test_loss_curves_differ_in_the_intended_load_only_and_the_worst_comes_first(report: Report) -> None:
    found = loss.curves(report)
    greatest = [curve.max_loss for curve in found]

    assert len(found) == 2 * 2 * 2
    assert greatest == sorted(greatest, reverse=True)
    assert {len(curve.points) for curve in found} == {2}
    assert found[0].name == "mtu 1500, clock powersave, hall → dome"
    assert found[0].points[0].offered_load_bit_s < found[0].points[1].offered_load_bit_s


def test_loss_both_ways_at_once_is_told_from_each_way_alone(report: Report) -> None:
    both = tuple(replace(cell, levels={**cell.levels, "direction": "bidirectional"}) for cell in report.cells)
    alone, together = loss.curves(report), loss.curves(replace(report, cells=both))

    assert not any("both at once" in curve.name for curve in alone)
    assert together
    assert all("both at once" in curve.name for curve in together)


def test_without_two_intended_loads_there_is_no_loss_section(small: Report) -> None:
    assert loss.curves(small) == []


def test_what_differs_between_the_ends_is_marked_where_it_means_something(report: Report) -> None:
    names, rows = ends.compare(report.run)
    differing = [row.what for row in rows if row.differs]

    assert names == ("dome", "hall")
    assert differing == ["kernel"]
    assert {row.what for row in rows} >= {"uplink: MAC", "uplink: addresses", "uplink: driver", "uplink: speed"}


def test_what_the_traffic_pair_reaches_alone_is_shown_for_each_host(report: Report) -> None:
    _, rows = ends.compare({**report.run, "instrument": {"dome": {"tcp": 6.96e9}, "hall": {"tcp": 1.79e10}}})
    (row,) = [row for row in rows if row.what == "the traffic pair alone, tcp"]

    assert [value.replace("\u202f", " ") for value in row.values] == ["6.96 Gb/s", "17.9 Gb/s"]
    assert not row.differs


def test_an_end_named_by_its_mac_finds_its_interface(report: Report) -> None:
    facts = ends.facts_of(report.run["hosts"]["hall"])

    assert ends.interface_of(facts, "mac:02:00:5e:10:00:07")["name"] == "eth1"
    assert ends.interface_of(facts, "driver:stella")["name"] == "eth1"
    assert ends.interface_of(facts, "bus:0000:03:00.0")["name"] == "eth1"
    assert ends.interface_of(facts, "mac:02:00:5e:10:00:08") == {}


def with_run(report: Report, **changes: Any) -> Report:
    return replace(report, data=replace(report.data, run={**report.run, **changes}))


def section(report: Report, name: str) -> Element:
    tree = parse(html.page(report))
    return next(element for element in tree.all("section") if element.attributes.get("id") == name)


def test_a_host_that_is_not_as_found_shows_what_differs_and_the_command_that_mends_it(small: Report) -> None:
    left = {"setting": "mtu", "target": "eth1", "before": 1500, "now": 9000, "command": "ip link set eth1 mtu 1500"}
    report = with_run(small, as_found={"dome": {"ok": False, "left": [left]}, "hall": {"ok": True}})
    found = section(report, "environment")
    alarms = [element.text() for element in found.walk() if element.attributes.get("class") == "alarm"]

    assert alarms == ["dome is NOT verified as found."]
    assert "hall is verified as found." in found.text()
    assert "ip link set eth1 mtu 1500" in [code.text() for code in found.all("code")]


def test_a_lab_s_figures_are_not_taken_for_hardware(small: Report) -> None:
    assert any("say nothing about any board" in text for text in method.cautions(with_run(small, lab={"switch": "x"})))
    assert not any("say nothing about any board" in text for text in method.cautions(small))


def test_few_replicates_are_a_caution_enough_are_none() -> None:
    few = made([cell(1, {"mtu": "1500"}, counts={"valid": 4})], {"mtu": ("1500",)})
    enough = made([cell(1, {"mtu": "1500"}, counts={"valid": 5})], {"mtu": ("1500",)})

    assert any("fewer than five valid trials" in text for text in method.cautions(few))
    assert not any("fewer than five" in text for text in method.cautions(enough))


def test_figures_under_the_ceiling_are_a_caution() -> None:
    full = made([cell(1, {"mtu": "1500"}, 2.35e9)], {"mtu": ("1500",)})

    assert any("1 figure lies within 3 % of the ceiling" in text for text in method.cautions(full))


def test_the_commands_name_this_run_and_its_best_cell(small: Report) -> None:
    best = max(small.measured, key=lambda one: one.mean_bit_s or 0.0)
    commands = [command for _, command in method.commands(small)]

    assert f"linktrial run {small.data.path.name}" in commands
    assert f"linktrial settings --for {small.data.path.name} {best.number}" in commands


def test_a_folder_s_name_never_meets_a_shell_bare(small: Report) -> None:
    odd = replace(small, data=replace(small.data, folder=replace(small.data.folder, path=Path("runs/a b; rm -rf x"))))

    assert all("'a b; rm -rf x'" in command for _, command in method.commands(odd))


def test_reasons_are_gathered_with_their_trials_and_cells(report: Report) -> None:
    found = parse(page_run.not_valid(report))
    rows = {row.all("th")[0].text(): row.text() for row in found.all("tbody")[0].all("tr")}

    assert set(rows) == {"impossible", "suspect"}
    assert "9600 bytes do not pass" in rows["impossible"]
    assert "cross_traffic" in rows["suspect"]


def test_one_reason_with_other_figures_is_one_reason() -> None:
    reasons = ["2.4968 times the ceiling", "2.5 times the ceiling", "dome was restarted"]
    trials = pd.DataFrame(
        {
            "status": "suspect",
            "doubts": ["above", "above", "rebooted"],
            "reason": reasons,
            "trial": [4, 9, 11],
            "cell": [1, 2, 2],
        }
    )
    alike, other = not_valid_groups(trials)

    assert (alike.reason, alike.trials) == ("2.4968 times the ceiling (trial 4; the others alike)", (4, 9))
    assert (other.reason, other.trials) == ("dome was restarted", (11,))


def test_figures_that_are_alike_share_one_shade() -> None:
    """Under 2 % of spread a full scale would turn noise into drama."""
    alike, apart = scale_of([2.40e9, 2.41e9, 2.42e9]), scale_of([1.0e9, 1.7e9, 2.4e9])

    assert {alike.step(value) for value in (2.40e9, 2.42e9)} == {STEPS // 2}
    assert [apart.step(value) for value in (1.0e9, 1.7e9, 2.4e9)] == [0, STEPS // 2, STEPS - 1]


def test_one_replicate_says_nothing_of_what_lies_between_replicates(tmp_path: Path) -> None:
    """What rounding leaves of a model that fits exactly is no share: it read as 0.000000000000 %."""
    factors = {"mtu": [1500, 9000], "direction": ["transmit", "receive"]}
    once = html.page(read_report(make_run(tmp_path / "once", Scenario(factors, replicates=1, trouble=False))))
    often = html.page(read_report(make_run(tmp_path / "often", Scenario(factors, replicates=3, trouble=False))))

    assert "of the variation lies between replicates" in often
    assert "of the variation lies between replicates" not in once
    assert "one replicate, so nothing says how far replicates differ" in once


def test_links_stand_in_the_plan_s_order_everywhere(small: Report) -> None:
    effects = [replace(one, link=link) for link in ("alpha", "uplink") for one in small.effects]
    shown = influence.on_goodput(replace(small, links=("uplink", "alpha"), effects=tuple(effects)))

    assert list(dict.fromkeys(one.link for one in shown)) == ["uplink", "alpha"]


def test_a_page_is_drawn_whole_unless_it_is_large(small: Report) -> None:
    """A picture of the whole page, as people put into a ticket, had blank sections of 900 pixels each."""
    large = html.document("large", [], [("cells", "Each cell", Markup("x" * html.LARGE_PAGE + "x"))], "")

    assert "class" not in parse(html.page(small)).all("main")[0].attributes
    assert parse(large).all("main")[0].attributes["class"] == "large"


def test_drawings_say_their_unit_and_name_no_shade_that_another_theme_turns(tree: Element) -> None:
    captions = [one.text() for one in tree.all("figcaption")]

    assert any(text.startswith("Goodput in Gb/s over the window") for text in captions)
    assert any("the lower part is softirq and interrupts" in text for text in captions)
    assert not any("dark" in text for text in captions)

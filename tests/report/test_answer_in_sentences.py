"""What the report says first rests on its figures."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

from orchestrator.report import answer, limits, read_report
from orchestrator.report.model import Report
from orchestrator.results.causes.from_columns import Cause
from orchestrator.words.bottlenecks import BOTTLENECKS
from tests.report.made_report import cell, made
from tests.results.synthetic import Scenario, make_run

FACTORS = {"mtu": ("1500", "9000"), "direction": ("transmit", "receive", "bidirectional")}
THIN = "\u202f"


def said(report: Report) -> str:
    return "\n".join(answer.sentences(report)).replace(THIN, " ")


def test_each_direction_has_its_best_and_min_with_their_levels() -> None:
    cells = [
        cell(1, {"mtu": "1500", "direction": "transmit"}, 1.2e9),
        cell(2, {"mtu": "9000", "direction": "transmit"}, 2.4e9),
        cell(3, {"mtu": "1500", "direction": "receive"}, 0.9e9, way="receive"),
    ]
    text = said(made(cells, FACTORS))

    assert (
        "uplink carries up to 2.40 Gb/s from dome to hall, 100.0 % of the ceiling, with mtu 9000; the lowest is "
        "1.20 Gb/s, with mtu 1500."
    ) in text
    assert "uplink carries up to 900 Mb/s from hall to dome" in text


def test_levels_that_cannot_be_told_apart_are_not_named_as_the_best() -> None:
    """A card that fills the link under either clock is not said to do it with the one that chance put ahead."""
    factors = {"mtu": ("1500", "9000"), "clock": ("powersave", "performance")}
    rates = {
        ("1500", "powersave"): 1.0e9,
        ("1500", "performance"): 1.5e9,
        ("9000", "powersave"): 2.401e9,
        ("9000", "performance"): 2.400e9,
    }
    cells = [
        cell(number, {"mtu": mtu, "clock": clock}, rate)
        for number, ((mtu, clock), rate) in enumerate(rates.items(), start=1)
    ]
    text = said(made(cells, factors))

    assert "100.0 % of the ceiling, with mtu 9000; the lowest is 1.00 Gb/s, with mtu 1500 and clock powersave." in text


def test_where_all_is_alike_no_level_is_named() -> None:
    cells = [
        cell(1, {"mtu": "1500", "direction": "transmit"}, 2.401e9),
        cell(2, {"mtu": "9000", "direction": "transmit"}, 2.4e9),
    ]

    assert "100.0 % of the ceiling; the lowest, 2.40 Gb/s with mtu 9000, cannot be told from it." in said(
        made(cells, FACTORS)
    )


def test_what_the_plan_itself_held_low_is_not_the_min_that_a_link_carries() -> None:
    factors = {"intended_load": ("10%", "95%", "99%")}
    cells = [
        cell(number, {"intended_load": level}, mean)
        for number, (level, mean) in enumerate((("10%", 1e8), ("95%", 9e8), ("99%", 9.8e8)), start=1)
    ]
    offered = {cells[0].key: Cause("intended_load", "the plan offered no more than this", ())}
    text = said(replace(made(cells, factors), causes=offered))

    assert "up to 980 Mb/s" in text
    assert "the lowest is 900 Mb/s, with intended_load 95%" in text


def test_both_directions_at_once_are_named() -> None:
    cells = [
        cell(1, {"mtu": "1500", "direction": "transmit"}, 2e9),
        cell(2, {"mtu": "1500", "direction": "bidirectional"}, 1e9),
    ]

    assert "with mtu 1500 and both directions at once" in said(made(cells, FACTORS))


def test_what_was_noted_in_valid_trials_is_said_once_with_cells_way_and_words() -> None:
    cells = [
        cell(1, {"mtu": "1500", "direction": "transmit"}, 1.2e9),
        cell(2, {"mtu": "9000", "direction": "transmit"}, 2.4e9),
    ]
    report = made(cells, FACTORS)
    trials = report.data.trials.astype({"doubts": object, "reason": object})
    of_first = trials["cell"] == 1
    trials.loc[of_first, "doubts"] = "sent_again"
    trials.loc[of_first, "reason"] = "2.3 % of TCP's segments were sent again: lost between the interfaces 120"
    text = said(replace(report, data=replace(report.data, trials=trials)))

    noted, valid = int(of_first.sum()), len(trials)
    assert (
        f"Noted in {noted} of {valid} valid trials, dome to hall with mtu 1500: 2.3 % of TCP's segments were sent "
        "again: lost between the interfaces 120."
    ) in text
    assert text.count("sent again") == 1
    assert "Noted" not in said(report)


def test_the_words_of_one_noted_trial_are_not_told_of_the_others() -> None:
    cells = [cell(number, {"mtu": mtu, "direction": "transmit"}, 1.2e9) for number, mtu in ((1, "1500"), (2, "9000"))]
    report = made(cells, FACTORS)
    trials = report.data.trials.astype({"doubts": object, "reason": object})
    trials["doubts"] = "limited_by_sender"
    trials["reason"] = [
        f"limited by the sender: {90 + number} % of the asked rate was offered" for number in trials.index
    ]
    assert len(trials) > 1

    text = said(replace(report, data=replace(report.data, trials=trials)))
    assert re.search(r"Noted in \d+ of \d+ valid trials.*: in one of them limited by the sender: 9\d %", text)


def test_nothing_measured_is_said_so() -> None:
    cells = [cell(1, {"mtu": "9000", "direction": "transmit"}, None, counts={"impossible": 5})]
    text = said(made(cells, FACTORS))

    assert "Nothing was measured" in text
    assert "carries" not in text


def test_what_is_not_valid_is_counted() -> None:
    cells = [
        cell(1, {"mtu": "1500", "direction": "transmit"}),
        cell(2, {"mtu": "9000", "direction": "transmit"}, None, counts={"impossible": 5}),
    ]

    assert "Of 2 trials, 1 are valid and 1 impossible" in said(made(cells, FACTORS))


def test_a_host_that_is_not_as_found_is_named_first_of_its_sentence() -> None:
    found = {"dome": {"ok": False, "left": []}, "hall": {"ok": True}}
    text = said(made([cell(1, {"mtu": "1500", "direction": "transmit"})], FACTORS, {"as_found": found}))

    assert "NOT verified as found: dome." in text


def test_hosts_are_never_called_as_found_without_a_record() -> None:
    text = said(made([cell(1, {"mtu": "1500", "direction": "transmit"})], FACTORS))

    assert "restored and verified" not in text
    assert "not recorded" in text


def test_a_cause_names_the_levels_that_all_its_cells_share() -> None:
    cells = [
        cell(1, {"mtu": "1500", "direction": "transmit"}, 1e9),
        cell(2, {"mtu": "1500", "direction": "transmit"}, 1e9),
        cell(3, {"mtu": "9000", "direction": "transmit"}, 2.4e9),
    ]
    busy = Cause("sender_process", "dome: the sending process was at its limit", ("sender_process_cpu_share",))
    report = made(cells, FACTORS)
    object.__setattr__(
        report,
        "causes",
        {cells[0].key: busy, cells[1].key: busy, cells[2].key: Cause("link_full", "the link is full", ("fill",))},
    )

    (sentence,) = limits.sentences(report)

    assert sentence == (
        "The bottlenecks of the 3 figures: the sending process on dome is at its limit in 2 (all with mtu "
        "1500); the link is full in 1."
    )


def test_every_cause_has_words_of_its_own() -> None:
    """Each code that results/causes can return has a short name and a clause."""
    source = Path(limits.cell_cause.__code__.co_filename).read_text(encoding="utf-8")
    roles = [code for code in BOTTLENECKS if code.startswith(("sender_", "receiver_"))]

    assert all(
        f'"{code}"' in source
        for code in BOTTLENECKS
        if code not in roles and code not in ("receiver_window", "send_buffer")
    )
    assert all(words.short and words.clause for words in BOTTLENECKS.values())


def test_the_strongest_factor_and_what_it_depends_on_are_said(tmp_path: Path) -> None:
    """The made-up dome manages 1.43 Gb/s at its low clock and small frames; all else fills the link."""
    run = make_run(tmp_path, Scenario({"mtu": [1500, 9000], "clock": ["powersave", "performance"]}, trouble=False))
    (sentence,) = [text for text in read_report(run).sentences if text.startswith("For transmit")]
    change = r"\+([\d.]+) % \([\d.]+ to [\d.]+\)"
    found = re.match(
        f"For transmit, mtu matters most: 9000 instead of 1500 brings {change} with clock powersave and "
        f"{change} with clock performance; then clock: ",
        sentence.replace(THIN, " "),
    )

    assert found is not None
    # 2.475 / 1.43 at the low clock; 2.475 / 2.354, the two ceilings, at the high one
    assert 70 < float(found[1]) < 75
    assert 4 < float(found[2]) < 6


def test_too_few_replicates_name_no_factor_as_the_one_that_matters(tmp_path: Path) -> None:
    """One replicate of each cell has no interval, so nothing is sure."""
    run = make_run(tmp_path, Scenario({"mtu": [1500, 9000], "clock": ["powersave", "performance"]}, replicates=1))
    (sentence,) = [text for text in read_report(run).sentences if text.startswith("For transmit")]

    assert "matters most" not in sentence
    assert "too few to say" in sentence


def test_factors_that_change_nothing_are_said_to_change_nothing(tmp_path: Path) -> None:
    run = make_run(tmp_path, Scenario({"mtu": [9000], "clock": ["performance", "other"], "direction": ["transmit"]}))
    (sentence,) = [text for text in read_report(run).sentences if text.startswith("For transmit")]

    assert sentence.replace(THIN, " ") == "For transmit, no factor was seen to change the goodput by 3 % or more."


def test_a_change_whose_interval_holds_none_is_not_called_one(tmp_path: Path) -> None:
    """A third of noise on two replicates: whatever is seen, it is not sure."""
    run = make_run(
        tmp_path,
        Scenario(
            {"mtu": [9000], "clock": ["performance", "other"], "direction": ["transmit"]},
            replicates=2,
            noise=0.3,
            seed=3,
        ),
    )
    (sentence,) = [text for text in read_report(run).sentences if text.startswith("For transmit")]

    assert "too few to say" in sentence
    assert "clock: other instead of performance" in sentence

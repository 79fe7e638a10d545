"""The sum of links that ran at once: of goodputs and ceilings, with no figure where a link has none."""

from __future__ import annotations

import pandas as pd
import pytest

from orchestrator.results.causes.from_columns import row_cause
from orchestrator.results.cells import cells_table
from orchestrator.results.columns import names
from orchestrator.results.read_run import _completed
from orchestrator.results.sums import with_sums

FACTORS = ["together"]


def _trials(rows: list[dict[str, object]]) -> pd.DataFrame:
    base = {
        "attempt": 1,
        "role": "measure",
        "way": "transmit",
        "sender": "dome",
        "receiver": "hall",
        "cell": 1,
        "status": "valid",
        "doubts": "",
        "reason": "",
        "together": "all",
        "ceiling_bit_s": 100.0,
    }
    frame = pd.DataFrame(
        [{**base, "position": row["trial"], "whole_plot": row["trial"], "block": row["trial"], **row} for row in rows]
    )
    return _completed(frame, "trials.csv")[names("trials.csv", FACTORS)]


def _pair(trial: int, uplink: float | None, spare: float | None, **more: object) -> list[dict[str, object]]:
    return [
        {"trial": trial, "link": "uplink", "goodput_bit_s": uplink, **more},
        {"trial": trial, "link": "spare", "goodput_bit_s": spare, **more},
    ]


def test_the_sum_is_of_each_trial_and_so_has_the_spread_of_the_sums():
    # one link's gain is the other's loss, as on a bus that both share: the sum is steady, neither link is
    frame = with_sums(_trials([*_pair(1, 90.0, 60.0), *_pair(2, 60.0, 90.0), *_pair(3, 75.0, 75.0)]))
    table = cells_table(frame, FACTORS).set_index("link")
    assert table.loc["uplink+spare", "goodput_mean_bit_s"] == 150
    assert table.loc["uplink+spare", "goodput_deviation_bit_s"] == 0
    assert table.loc["uplink", "goodput_deviation_bit_s"] == 15
    assert table.loc["uplink+spare", "ceiling_bit_s"] == 200
    assert table.loc["uplink+spare", "fill_mean"] == pytest.approx(0.75)
    assert table.loc["uplink+spare", "n_asked"] == 3


def test_a_link_without_a_figure_leaves_the_sum_without_one():
    frame = with_sums(_trials([*_pair(1, 90.0, None, status="failed"), *_pair(2, 60.0, 90.0)]))
    summed = frame[frame["link"] == "uplink+spare"].set_index("trial")
    assert pd.isna(summed.loc[1, "goodput_bit_s"])
    assert pd.isna(summed.loc[1, "fill"])
    assert summed.loc[2, "goodput_bit_s"] == 150


def test_loss_of_the_sum_is_lost_over_handed_over():
    rows = _pair(1, 90.0, 90.0)
    rows[0] |= {"datagrams_received": 900, "datagrams_lost": 100, "loss_ratio": 0.1}
    rows[1] |= {"datagrams_received": 3000, "datagrams_lost": 0, "loss_ratio": 0.0}
    frame = with_sums(_trials(rows))
    assert frame[frame["link"] == "uplink+spare"]["loss_ratio"].item() == pytest.approx(100 / 4000)


def test_what_holds_the_sum_back_is_the_busiest_process_of_its_links():
    rows = _pair(1, 60.0, 60.0)
    rows[0] |= {"receiver_process_cpu_share": 0.5, "receiver_process_wait_share": 0.1}
    rows[1] |= {"receiver_process_cpu_share": 0.9, "receiver_process_wait_share": 0.09}
    frame = with_sums(_trials(rows))
    summed = frame[frame["link"] == "uplink+spare"].iloc[0]
    assert summed["receiver_process_cpu_share"] == 0.9
    assert row_cause({**summed.to_dict(), "fill": 0.6}).code == "receiver_process"


def test_links_measured_alone_have_no_sum_and_the_tables_stay_as_they_are():
    alone = _trials(
        [
            {"trial": 1, "link": "uplink", "goodput_bit_s": 90.0, "together": "alone"},
            {"trial": 2, "link": "spare", "goodput_bit_s": 90.0, "together": "alone"},
        ]
    )
    assert with_sums(alone) is alone
    assert with_sums(alone.drop(columns="together")).equals(alone.drop(columns="together"))

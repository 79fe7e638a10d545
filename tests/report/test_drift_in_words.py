"""What the control trials say: nothing, that the bench stood still, or that it moved."""

from __future__ import annotations

import pandas as pd
import pytest

from orchestrator.report import answer, method
from orchestrator.report.model import Report
from tests.report.made_report import cell, made


def _report(goodputs: list[float], **other: str) -> Report:
    report = made([cell(1, {"mtu": "1500"}), cell(2, {"mtu": "9000"})], {"mtu": ("1500", "9000")})
    rows = [
        {
            "trial": 10 * place,
            "position": 10 * place,
            "cell": 1,
            "link": "uplink",
            "way": "transmit",
            "mtu": "1500",
            "role": "control",
            "status": "valid",
            "goodput_bit_s": goodput,
            **other,
        }
        for place, goodput in enumerate(goodputs, 1)
    ]
    trials = report.data.trials
    report.data.__dict__["trials"] = pd.concat([trials, pd.DataFrame(rows, columns=trials.columns)], ignore_index=True)
    return report


def _said(report: Report) -> tuple[str, str]:
    """(the answer, the method) as plain text."""
    return tuple(
        " ".join(part).replace("\u202f", " ")
        for part in (  # type: ignore[return-value]
            answer.sentences(report),
            method.paragraph(report),
        )
    )


def test_a_bench_that_slows_down_from_block_to_block_is_said_in_the_answer() -> None:
    said, how = _said(_report([1.00e9, 0.985e9, 0.971e9, 0.954e9, 0.94e9, 0.926e9]))
    assert "The bench drifted: the control trial of cell 1" in said
    assert "it changed by −7.7 %, more than chance shows" in said
    assert "−7.7 %" in how


@pytest.mark.parametrize(
    "goodputs", [[1.00e9, 1.001e9, 0.999e9, 1.002e9, 0.998e9], [1e9, 1.0002e9, 1.0004e9, 1.0006e9, 1.0008e9]]
)
def test_a_bench_that_stands_still_or_hardly_moves_is_said_where_it_was_measured(goodputs: list[float]) -> None:
    said, how = _said(_report(goodputs))
    assert "drifted" not in said
    assert "The control trial of cell 1 was repeated in each block and enters no figure" in how


def test_control_trials_that_failed_show_no_trend() -> None:
    _, how = _said(_report([1e9, 1e9, 1e9], status="suspect"))
    assert "its 0 valid trials show no trend" in how


def test_without_control_trials_nothing_is_said_of_them() -> None:
    assert "control" not in " ".join(_said(_report([])))

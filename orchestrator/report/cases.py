"""A run's cells as test cases: valid cells pass, the others say why not. Pure."""

from __future__ import annotations

from orchestrator.report.answer import levels_text
from orchestrator.report.model import CellResult, Report
from orchestrator.results.junit import Case, Outcome, junit_text
from orchestrator.words.figures import rate_text

_OUTCOMES: dict[str, Outcome] = {
    "measured": "passed",
    "suspect": "failure",
    "impossible": "error",
    "failed": "error",
    "skipped": "skipped",
}


def junit(report: Report) -> str:
    """The run as a JUnit document."""
    plan = str(report.run.get("plan_name", "run"))
    return junit_text(
        plan,
        [_case(report, cell, plan) for cell in report.cells],
        {"run_id": str(report.run.get("run_id", "")), "linktrial": str(report.run.get("linktrial", ""))},
    )


def _case(report: Report, cell: CellResult, plan: str) -> Case:
    figures = {
        "goodput_mean_bit_s": cell.mean_bit_s,
        "goodput_low_bit_s": cell.low_bit_s,
        "goodput_high_bit_s": cell.high_bit_s,
        "ceiling_bit_s": cell.ceiling_bit_s,
        "fill_mean": cell.fill,
        "loss_ratio_mean": cell.loss_ratio,
    }
    properties = {
        **{name: level for name, level in cell.levels.items() if level},
        **{name: f"{value:.9g}" for name, value in figures.items() if value is not None},
        "n_valid": str(cell.valid),
        "n_asked": str(cell.asked),
    }
    outcome = _OUTCOMES[cell.state]
    if outcome == "passed" and cell.valid < cell.asked:
        return _named(
            report,
            cell,
            plan,
            properties,
            "failure",
            f"{cell.valid} of {cell.asked} trials are valid (mean {rate_text(cell.mean_bit_s or 0.0)}): {cell.reason}",
        )
    why = f"{cell.state}: {cell.reason}" if outcome != "passed" else ""
    return _named(report, cell, plan, properties, outcome, why)


def _named(
    report: Report, cell: CellResult, plan: str, properties: dict[str, str], outcome: Outcome, message: str
) -> Case:
    return Case(
        f"{levels_text(report, cell)}, {cell.way}",
        f"{plan}.{cell.link}",
        outcome,
        message,
        kind="" if outcome == "passed" else cell.state,
        properties=properties,
    )

"""A run's cells as OpenMetrics text, for a monitoring system that reads files.

OpenMetrics 1.0.0 (the text format): a TYPE, UNIT and HELP line per family, escaped label values, `# EOF` at the end.
No timestamps, because collectors that read files refuse them.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from orchestrator.results.read_run import RunData
from orchestrator.stored import made_of
from orchestrator.words.plain_text import visible
from orchestrator.words.statuses import STATUSES

_NOT_IN_A_LABEL = re.compile(r"[^a-zA-Z0-9_]")


@dataclass(frozen=True)
class _Family:
    """One metric: its name ends in its unit, as OpenMetrics asks; `column` is where its value stands in cells.csv."""

    name: str
    unit: str
    help: str
    column: str


_FAMILIES = (
    _Family(
        "linktrial_goodput_bits_per_second",
        "bits_per_second",
        "Mean goodput of the valid trials of a cell.",
        "goodput_mean_bit_s",
    ),
    _Family(
        "linktrial_goodput_low_bits_per_second",
        "bits_per_second",
        "Lower end of its 95 % interval.",
        "goodput_low_bit_s",
    ),
    _Family(
        "linktrial_goodput_high_bits_per_second",
        "bits_per_second",
        "Upper end of its 95 % interval.",
        "goodput_high_bit_s",
    ),
    _Family(
        "linktrial_ceiling_bits_per_second",
        "bits_per_second",
        "The most goodput that framing, rate and bus allow.",
        "ceiling_bit_s",
    ),
    _Family("linktrial_fill_ratio", "ratio", "Mean goodput / ceiling.", "fill_mean"),
    _Family("linktrial_loss_ratio", "ratio", "Mean share of datagrams that were lost.", "loss_ratio_mean"),
)


def openmetrics_text(data: RunData) -> str:
    """The cells of a run; a figure that a cell does not have has no sample."""
    with made_of(data.path):
        return _text(data)


def _text(data: RunData) -> str:
    labels = _label_names(data.factors)
    rows = data.cells.to_dict("records")
    placed = [(_labels(row, labels), row) for row in rows]
    parts = [_run_info(data.run)]
    for family in _FAMILIES:
        samples = [
            f"{family.name}{{{place}}} {_number(row[family.column])}"
            for place, row in placed
            if _is_number(row[family.column])
        ]
        parts.append(_family(family.name, family.unit, family.help, samples))
    counts = [
        f'linktrial_trials{{{place},status="{status}"}} {_number(row[f"n_{status}"])}'
        for place, row in placed
        for status in STATUSES
        if _is_number(row[f"n_{status}"])
    ]
    parts.append(_family("linktrial_trials", "", "Trials of a cell by status.", counts))
    return "".join(parts) + "# EOF\n"


def _family(name: str, unit: str, about: str, samples: Sequence[str]) -> str:
    if not samples:
        return ""
    head = [f"# TYPE {name} gauge", *([f"# UNIT {name} {unit}"] if unit else []), f"# HELP {name} {about}"]
    return "\n".join([*head, *samples]) + "\n"


def _run_info(run: Mapping[str, Any]) -> str:
    labels = ",".join(
        f'{name}="{_escaped(run.get(key, ""))}"'
        for name, key in (("run_id", "run_id"), ("plan", "plan_name"), ("linktrial", "linktrial"))
    )
    return (
        "# TYPE linktrial_run info\n# HELP linktrial_run The run that the samples are from.\n"
        f"linktrial_run_info{{{labels}}} 1\n"
    )


def _label_names(factors: Iterable[str]) -> dict[str, str]:
    """A label name for each factor: `factor_` and its letters; a number is added where two would be the same."""
    out: dict[str, str] = {}
    for factor in factors:
        wanted = "factor_" + _NOT_IN_A_LABEL.sub("_", factor)
        name, number = wanted, 2
        while name in out.values():
            name, number = f"{wanted}_{number}", number + 1
        out[factor] = name
    return out


def _labels(row: Mapping[Any, Any], labels: Mapping[str, str]) -> str:
    fixed = {name: row[name] for name in ("cell", "link", "way", "sender", "receiver")}
    levels = {label: row[factor] for factor, label in labels.items() if row[factor] != ""}
    return ",".join(f'{name}="{_escaped(value)}"' for name, value in {**fixed, **levels}.items())


def _escaped(value: Any) -> str:
    return visible(value).replace("\\", "\\\\").replace('"', '\\"')


def _is_number(value: Any) -> bool:
    return value is not None and type(value).__name__ != "NAType" and math.isfinite(value)


def _number(value: Any) -> str:
    return repr(float(value))

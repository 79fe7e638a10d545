"""How it was measured, how to repeat it, and what not to conclude. Pure; sentences only."""

from __future__ import annotations

import shlex
from typing import Any

from orchestrator.report.influence import threshold
from orchestrator.report.model import Report
from orchestrator.results.control import Drift, drifts
from orchestrator.words.figures import count_text, listed, share_text


def commands(report: Report) -> list[tuple[str, str]]:
    """(what for, the command), for a shell whose current folder holds the run's folder."""
    # A public copy's folder is called as its user likes; what is on its page is called as the copy says.
    public = report.run.get("public") and report.run.get("run_id")
    name = shlex.quote(str(public) if public else report.data.path.resolve().name)
    best = max(report.measured, key=lambda cell: cell.mean_bit_s or 0.0, default=None)
    keep = (
        []
        if best is None
        else [
            (
                f"How each host keeps the levels of cell {best.number}, the best, for good:",
                f"linktrial settings --for {name} {best.number}",
            )
        ]
    )
    return [
        ("The same plan, seed and levels again:", f"linktrial run {name}"),
        ("This report again, without contacting a host:", f"linktrial report {name}"),
        ("Against another run:", f"linktrial compare {name} --with OTHER_RUN"),
        *keep,
    ]


def paragraph(report: Report) -> list[str]:
    """The methods paragraph, sentence by sentence."""
    run, trials = report.run, report.data.trials
    asked = max((cell.asked for cell in report.cells), default=0)
    cells = len({cell.number for cell in report.cells})
    varied = [
        f"{factor.name} ({', '.join(level or 'not applicable' for level in factor.levels)})"
        for factor in report.factors
        if factor.varies
    ]
    out = [
        f"linktrial {run.get('linktrial', '')} measured {count_text(cells, 'cell')} with up to "
        f"{count_text(asked, 'trial')} each" + (f", varying {listed(varied)}" if varied else "") + "."
    ]
    out += _timing(run.get("trial"), run.get("seed"))
    out.append(
        "Before each trial the settings were read back on both ends, what had been learned about the path was "
        "forgotten, and frames of the cell's size were proven to pass."
    )
    out.append(
        "Goodput is payload counted at the receiver over the window in which all flows ran (RFC 2647 section "
        "3.17); loss is counted from every sequence number."
    )
    out.append(
        "The ceiling is the goodput that framing, the link's rate and the bus allow; fill is goodput divided by it."
    )
    out.append(
        "Means and intervals rest on valid trials only; a trial in which a condition of its cell did not hold "
        "is suspect and enters no figure."
    )
    return out + [drift_text(report, drift) for drift in drifts(trials)]


def drift_text(report: Report, drift: Drift) -> str:
    """What the control trials of one link and way say of the bench."""
    over = f", {drift.way} over {drift.link}," if len(report.links) > 1 else ""
    begin = f"The control trial of cell {drift.cell}{over} was repeated in each block and enters no figure"
    if drift.ratio is None:
        return f"{begin}: its {count_text(drift.n, 'valid trial')} show no trend."
    moved = f"{begin}: from the first block to the last it changed by {_signed(drift.ratio)}"
    return f"{moved}, {'more' if drift.sure else 'no more'} than chance shows."


def drift_alarms(report: Report) -> list[str]:
    """A sentence for the answer where the bench surely moved by what matters."""
    return [
        f"The bench drifted: {drift_text(report, drift)[0].lower()}{drift_text(report, drift)[1:]}"
        for drift in drifts(report.data.trials)
        if drift.sure and drift.ratio is not None and abs(drift.ratio) >= threshold(report)
    ]


def _signed(ratio: float) -> str:
    return f"{'−' if ratio < 0 else '+'}{share_text(abs(ratio))}"


def _timing(trial: Any, seed: Any) -> list[str]:
    out = []
    if isinstance(trial, dict) and isinstance(trial.get("length_s"), (int, float)):
        out.append(
            f"Each trial ran {trial['length_s']:g} s after a warm-up of {trial.get('warmup_s', 0):g} s that is "
            "not counted."
        )
    out.append(
        "Trials ran in blocks, one replicate of every cell per block, in an order drawn from the seed "
        f"{seed}; costly settings were changed between whole plots only."
        if seed is not None
        else "Trials ran in blocks, one replicate of every cell per block."
    )
    return out


def cautions(report: Report) -> list[str]:
    """What a reader must not conclude."""
    out = []
    if report.run.get("lab"):
        out.append(
            "The hosts of this run are network namespaces of one machine. The figures show that the method "
            "works; they say nothing about any board, card or cable."
        )
    few = [cell for cell in report.measured if cell.valid < 5]
    if few:
        out.append(
            f"{count_text(len(few), 'figure rests', 'figures rest')} on fewer than five valid trials; such "
            "intervals are wide, or too narrow by chance."
        )
    full = [cell for cell in report.measured if cell.fill is not None and cell.fill >= 0.97]
    if full:
        out.append(
            f"{count_text(len(full), 'figure lies', 'figures lie')} within 3 % of the ceiling. There the spread "
            "is that of the link, so two hosts that both fill it cannot be told apart here."
        )
    out.append(
        "Replicates within one run do not show what a reboot, another cable or another day would change; "
        "compare several runs for that."
    )
    out.append(
        "Test traffic saturates what it crosses: run it only over links that you own and that nobody else uses "
        "(RFC 6815)."
    )
    notes = report.run.get("notes")
    out.extend(f"Noted during the run: {_note(note)}" for note in (notes if isinstance(notes, list) else [])[:50])
    return out


def _note(note: Any) -> str:
    if isinstance(note, dict):
        return str(note.get("sentence") or note.get("message") or note)
    return str(note)

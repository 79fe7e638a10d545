"""What a plan would do, as text to read and as data for programs. Pure: the command prints it."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import groupby
from types import MappingProxyType
from typing import Any

from orchestrator.planning.cautions import Caution, cautions
from orchestrator.planning.cells import Cell, cells
from orchestrator.planning.changes import HostChanges, SettingChange, changes
from orchestrator.planning.estimate import Estimate, estimate
from orchestrator.planning.impossible import why_impossible_by_plan
from orchestrator.planning.order import Trial, replicate_range, restarts, schedule
from orchestrator.planning.plan import Catalogue, Plan, level_text
from orchestrator.planning.screening import screen_as_dict, screen_of, screen_sentences
from orchestrator.planning.systems import BSD, NOT_WATCHED
from orchestrator.planning.together import links_text
from orchestrator.words import units

_WIDTH = 110
NONE: Mapping[str, float] = MappingProxyType({})
_MOST_PLOTS = 40  # lines of the schedule that are shown where not all are asked for


@dataclass(frozen=True)
class Outline:
    """Everything that `check` says about one plan."""

    plan: Plan
    cells: tuple[Cell, ...]
    trials: tuple[Trial, ...]
    estimate: Estimate
    longest: Estimate  # with as many replicates as there can be
    hosts: tuple[HostChanges, ...]
    cautions: tuple[Caution, ...]
    impossible: tuple[tuple[int, str], ...]  # (cell, why), where the plan alone tells

    def as_dict(self) -> dict[str, Any]:
        """For programs; times in seconds."""
        return {
            "file": self.plan.name,
            "plan": self.plan.plan,
            "purpose": self.plan.purpose,
            "binds": dict(self.plan.binds),
            "factors": {name: [level.shown for level in factor.levels] for name, factor in self.plan.factors.items()},
            "cells": [asdict(cell) for cell in self.cells],
            "trials": [asdict(trial) for trial in self.trials],
            "seed": self.plan.order.seed,
            "estimate": {**asdict(self.estimate), "total_s": self.estimate.total_s},
            "longest": {**asdict(self.longest), "total_s": self.longest.total_s},
            "budget_s": self.plan.budget_s,
            "screen": screen_as_dict(self.plan),
            "lease_s": self.plan.lease_s,
            "hosts": [asdict(host) for host in self.hosts],
            "cautions": [asdict(caution) for caution in self.cautions],
            "impossible": [{"cell": cell, "why": why} for cell, why in self.impossible],
        }


def outline(plan: Plan, catalogue: Catalogue) -> Outline:
    """Work out everything that a plan would do."""
    found = cells(plan)
    trials = schedule(plan, found)
    longest = schedule(plan, found, replicates=replicate_range(plan)[1])
    return Outline(
        plan=plan,
        cells=found,
        trials=trials,
        estimate=estimate(plan, found, trials),
        longest=estimate(plan, found, longest),
        hosts=changes(plan, found, longest, catalogue),
        cautions=cautions(plan, found),
        impossible=tuple((cell.number, why) for cell in found if (why := why_impossible_by_plan(plan, cell))),
    )


def render(found: Outline, *, everything: bool = False, noise: str = "", latest_s: Mapping[str, float] = NONE) -> str:
    """The outline as text; `everything` shows every whole plot of a long schedule, `noise` is what n can resolve.

    `latest_s` says of each host how many seconds after our last word it has restored itself at the latest.
    """
    plan = found.plan
    parts = [f"{plan.name}: {plan.plan}"]
    if plan.purpose:
        parts.append(textwrap.indent(textwrap.fill(plan.purpose, _WIDTH - 2), "  "))
    if plan.binds:
        parts.append("  bound: " + ", ".join(f"{name}={value}" for name, value in plan.binds.items()))
    if noise:
        noise = "\n" + textwrap.fill(noise, _WIDTH, initial_indent="Noise   ", subsequent_indent=" " * 8)
    parts += ["", _counts(found) + noise, "", "Cells", *_cell_table(found)]
    if screened := list(screen_sentences(plan)):
        parts += ["", "Screen", *(line for sentence in screened for line in _bullet(sentence))]
    if found.impossible:
        parts += ["", "Impossible: tried by no traffic, and so in the results", *_impossible(found)]
    parts += ["", "Schedule", *_schedule(found, None if everything else _MOST_PLOTS)]
    parts += [
        "",
        "What is done to each host",
        *(line for host in found.hosts for line in _host(found, host, latest_s.get(host.host))),
    ]
    if found.cautions:
        parts += ["", "Cautions", *(line for caution in found.cautions for line in _bullet(caution.text))]
    return "\n".join(parts)


def duration_text(seconds: float) -> str:
    """About how long, for a person: `45 s`, `12 min`, `3 h 20 min`."""
    if seconds < 90:
        return f"{round(seconds)} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h {minutes % 60} min"


def bytes_text(count: float) -> str:
    """About how many bytes, for a person, in powers of 1000."""
    for unit in ("B", "kB", "MB", "GB"):
        if count < 1000:
            return f"{count:.3g} {unit}"
        count /= 1000
    return f"{count:.3g} TB" if count < 1000 else f"{count:.0f} TB"


def _counts(found: Outline) -> str:
    """Cells, trials and time, with the arithmetic."""
    plan, time = found.plan, found.estimate
    product = " x ".join(
        [
            *([f"{len(plan.links)} links"] if len(plan.links) > 1 else []),
            *(f"{len(factor.levels)} {name}" for name, factor in plan.factors.items()),
        ]
    )
    less = ""
    if screen_of(plan):
        less = ": a fraction of them, see Screen"
    elif _reduced(plan, found.cells):
        less = " (less where a factor does not apply, or is left out)"
    order = f"shuffled with seed {plan.order.seed}" if plan.order.shuffle else "in the plan's order"
    plots = len({trial.whole_plot for trial in found.trials})
    whole_plots = f", in {plots} whole plots: so often costly settings are applied" if plan.costly else ""
    cells_line = f"Cells   {len(found.cells)}" + (f" from {product}{less}" if product else ": the hosts as they stand")
    least, most = replicate_range(plan)
    replicates = "1 replicate" if least == 1 else f"{least} replicates"
    count = "1 cell" if len(found.cells) == 1 else f"{len(found.cells)} cells"
    controls = sum(trial.role == "control" for trial in found.trials)
    control = f" and {controls} control trial{'s' if controls > 1 else ''} of cell 1" if controls else ""
    trials_line = f"{count} x {replicates}{control}, {order}{whole_plots}"
    spent = ", ".join(
        f"{word} {duration_text(seconds)}"
        for word, seconds in (
            ("traffic", time.traffic_s),
            ("quiet", time.quiet_s),
            ("handling", time.handling_s),
            ("rehearsal", time.rehearsal_s),
            ("restarts", time.restarts_s),
        )
        if word != "restarts" or seconds
    )
    assumed = "(handling and rehearsal are assumed until they are measured)"
    time_line = f"Time    about {duration_text(time.total_s)}: {spent} {assumed}"
    lines = [cells_line, f"Trials  {len(found.trials)} = {trials_line}", time_line]
    if starts := restarts(found.trials, found.cells):
        lines.append(f"Starts  the hosts that take one are restarted {starts} times at most, the last for the way back")
    if most > least:
        lines.append(f"Then    {_open_end(found, most)}")
    return "\n".join(textwrap.fill(line, _WIDTH, subsequent_indent=" " * 8) for line in lines)


def _open_end(found: Outline, most: int) -> str:
    """What goes on after the schedule, where a precision or a budget decides."""
    plan = found.plan
    limit = f"at most {most} replicates of a cell (about {duration_text(found.longest.total_s)} in all)"
    if plan.budget_s is not None:
        return f"more where the uncertainty is, until {duration_text(plan.budget_s)} of trials are spent; {limit}"
    width = units.format_as(units.RATIO, plan.trial.precision_ratio or 0.0)
    return f"more of each cell until its interval is within {width} of its mean; {limit}"


def _reduced(plan: Plan, found: Sequence[Cell]) -> bool:
    """Whether some combination is no cell."""
    product = len(plan.links)
    for factor in plan.factors.values():
        product *= len(factor.levels)
    return product != len(found)


def _cell_table(found: Outline) -> Iterator[str]:
    """Every cell with its levels, a dash where a factor does not apply."""
    factors = list(found.plan.factors)
    several = len(found.plan.links) > 1
    head = ["cell", *(["link"] if several else []), *factors]
    rows = [
        [
            str(cell.number),
            *([links_text(cell.links)] if several else []),
            *(level_text(cell.levels[name]) or "-" for name in factors),
        ]
        for cell in found.cells
    ]
    widths = [max(len(row[column]) for row in [head, *rows]) for column in range(len(head))]
    for row in [head, *rows]:
        cells_text = [
            row[0].rjust(widths[0]),
            *(text.ljust(width) for text, width in zip(row[1:], widths[1:], strict=True)),
        ]
        yield ("  " + "  ".join(cells_text)).rstrip()


def _impossible(found: Outline) -> Iterator[str]:
    """What the plan alone tells of its cells, those with one reason in one line."""
    for why in dict.fromkeys(why for _, why in found.impossible):
        numbers = [str(cell) for cell, reason in found.impossible if reason == why]
        yield from _bullet(f"cell{'s' if len(numbers) > 1 else ''} {', '.join(numbers)}: {why}")


def _schedule(found: Outline, most: int | None) -> Iterator[str]:
    """The cells of each whole plot in order, one plot a line."""
    plots = [list(plot) for _, plot in groupby(found.trials, key=lambda trial: trial.whole_plot)]
    for plot in plots[:most]:
        first = plot[0]
        head = f"  block {first.block}, trials {first.position}-{plot[-1].position}: cells "
        numbers = " ".join(str(trial.cell) for trial in plot)
        yield from textwrap.wrap(numbers, _WIDTH, initial_indent=head, subsequent_indent=" " * len(head))
    if most is not None and len(plots) > most:
        yield f"  ... and {len(plots) - most} more whole plots: --all shows them"


def _host(found: Outline, host: HostChanges, latest_s: float | None) -> Iterator[str]:
    """One host: what is changed there, what runs, and what becomes of it."""
    yield f"  {host.host} (ssh {host.ssh}), privilege {host.privilege}"
    if host.system == BSD:
        yield from _bullet(NOT_WATCHED, 4)
    for change in host.settings:
        yield from _bullet(_setting(change), 4)
    if not host.settings:
        yield from _bullet("no setting is changed", 4)
    sends, receives = _amount(host.sends_bytes_at_most), _amount(host.receives_bytes_at_most)
    yield from _bullet(
        f"traffic for {duration_text(host.traffic_s)}: sends {sends}, receives {receives}" if host.traffic_s else
        "no traffic", 4
    )  # fmt: skip
    for ports in host.listens:
        yield from _bullet(f"listens for its peer on ports {ports}", 4)
    yield from _bullet("nothing is installed; at the end it is compared with what was found", 4)
    lease = units.format_as(units.DURATION, found.plan.lease_s)
    yield from _bullet(_lease_text(lease, bool(host.settings), latest_s), 4)


def _lease_text(lease: str, changed: bool, latest_s: float | None) -> str:
    """What a host does by itself, and when, once nothing is heard from us."""
    what = "it ends the traffic and restores itself" if changed else "it ends what it runs for us"
    text = f"when it does not hear from us for {lease}, during a trial of any length too, {what}"
    if latest_s is None:
        return text
    why = ", where a change is being made at that moment or a driver hangs" if changed else ""
    return f"{text}; at the latest {latest_s:.0f} s after our last word{why}"


def _setting(change: SettingChange) -> str:
    """One setting: where, the levels, the privilege, how often, and what becomes of it after a restart."""
    levels = ", ".join(level_text(level) for level in change.levels)
    unit = f" {change.unit}" if change.unit else ""
    often = "for the whole run" if len(change.levels) == 1 and change.writes <= 2 else f"written {change.writes} times"
    stays = (
        "each for one restart, which takes it back"
        if change.restarts
        else "may outlive a restart"
        if change.survives_reboot
        else "gone after a restart"
    )
    where = f" of {change.place}" if change.place else ""
    runs = f"; runs {'; '.join(change.programs)}" if change.programs else ""
    needs = "needs root" if change.privilege == "root" else "needs no privilege"
    return f"{change.setting}{where}: {levels}{unit} ({needs}, {often}, {stays}){runs}"


def _amount(count: int | None) -> str:
    """At most so much."""
    if count is None:
        return "as much as the link carries (say rate: for a figure)"
    return f"at most {bytes_text(count)}" if count else "nothing"


def _bullet(text: str, indent: int = 2) -> list[str]:
    """A wrapped line with a dash."""
    lead = " " * indent
    return textwrap.wrap(
        text, _WIDTH, initial_indent=f"{lead}- ", subsequent_indent=f"{lead}  ", break_long_words=False
    )

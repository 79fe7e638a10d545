"""The answer in sentences: what comes before any table. Pure; each sentence rests on figures the report also shows."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from orchestrator.decide.as_found import stays
from orchestrator.report import influence, limits, method, noted, screening
from orchestrator.report.matrix import BOTH_WAYS, DIRECTION
from orchestrator.report.model import CellResult, Report
from orchestrator.words.figures import count_text, duration_text, listed, rate_text, share_text
from orchestrator.words.statuses import STATUSES

_MOST_BROKEN_OFF = 4  # attempts, links and ways that get a sentence


def sentences(report: Report) -> list[str]:
    """The answer, most important first."""
    return [
        *_what_it_carries(report),
        *screening.sentences(report),
        *influence.sentences(report),
        *limits.sentences(report),
        *method.drift_alarms(report),
        *_validity(report),
        *noted.sentences(report),
        *_broken_off(report),
        *as_found(report.run),
    ]


def _what_it_carries(report: Report) -> list[str]:
    if not report.measured:
        if not len(report.data.trials) and report.rehearsed:
            return ["Nothing was measured: only the rehearsal was made, whose figures (rehearsal.csv) are no results."]
        return ["Nothing was measured: no trial is valid."]
    out = []
    pairs = dict.fromkeys((cell.link, cell.sender, cell.receiver) for cell in report.measured)
    for link, sender, receiver in pairs:
        cells = [
            cell for cell in report.measured if (cell.link, cell.sender, cell.receiver) == (link, sender, receiver)
        ]
        out.append(_one_way(report, link, sender, receiver, cells))
    return out


def _one_way(report: Report, link: str, sender: str, receiver: str, cells: Sequence[CellResult]) -> str:
    best = max(cells, key=lambda cell: cell.mean_bit_s or 0.0)
    free = [cell for cell in cells if not _capped_by_the_plan(report, cell)] or cells
    least = min(free, key=lambda cell: cell.mean_bit_s or 0.0)
    fill = f", {share_text(best.fill)} of the ceiling" if best.fill is not None else ""
    text = f"{link} carries up to {rate_text(best.mean_bit_s or 0.0)} from {sender} to {receiver}{fill}"
    alike = [cell for cell in cells if cell is best or _alike(cell, best)]
    if best is least or len(free) == 1:
        return f"{text}, with {_best_levels(report, best, alike, cells)}." if len(cells) > 1 else text + "."
    lowest = rate_text(least.mean_bit_s or 0.0)
    if len(alike) == len(cells):
        return f"{text}; the lowest, {lowest} with {levels_text(report, least)}, cannot be told from it."
    return (
        f"{text}, with {_best_levels(report, best, alike, cells)}; the lowest is {lowest}, "
        f"with {levels_text(report, least)}."
    )


def _alike(cell: CellResult, best: CellResult) -> bool:
    """Whether the mean of one lies in the interval of the other; without an interval nothing says so."""
    return _holds(cell, best.mean_bit_s) or _holds(best, cell.mean_bit_s)


def _holds(cell: CellResult, rate_bit_s: float | None) -> bool:
    return None not in (cell.low_bit_s, cell.high_bit_s, rate_bit_s) and (cell.low_bit_s or 0.0) <= (
        rate_bit_s or 0.0
    ) <= (cell.high_bit_s or 0.0)


def _best_levels(report: Report, best: CellResult, alike: Sequence[CellResult], cells: Sequence[CellResult]) -> str:
    """The levels that make the best figure: those that chance alone put ahead of others are not named."""
    shared = [factor.name for factor in report.factors if len({cell.levels[factor.name] for cell in alike}) == 1]
    with_them = [cell for cell in cells if all(cell.levels[name] == best.levels[name] for name in shared)]
    if len(with_them) == len(alike):
        return levels_text(report, best, frozenset(shared))
    others = count_text(len(alike) - 1, "other cell")
    return f"{levels_text(report, best)} ({others} cannot be told from it)"


def _capped_by_the_plan(report: Report, cell: CellResult) -> bool:
    """Whether the cell carried all that was offered: no statement about what the link can do at least."""
    cause = report.causes.get(cell.key)
    return cause is not None and cause.code == "intended_load"


def levels_text(report: Report, cell: CellResult, only: frozenset[str] | None = None) -> str:
    """The cell's levels of the factors that vary, or of `only` some: `mtu 9000 and clock performance`."""
    named = [
        _level_text(factor.name, cell.levels[factor.name])
        for factor in report.factors
        if factor.varies and (only is None or factor.name in only) and cell.levels[factor.name] not in ("", cell.way)
    ]
    return listed(named) or f"cell {cell.number}"


def _level_text(factor: str, level: str) -> str:
    """A level with its factor's name; a direction that is the row's own way goes without saying."""
    return "both directions at once" if (factor, level) == (DIRECTION, BOTH_WAYS) else f"{factor} {level}"


def _validity(report: Report) -> list[str]:
    trials = report.data.trials
    by_status = {status: trials.loc[trials["status"] == status, "trial"].nunique() for status in STATUSES}
    total = int(trials["trial"].nunique())
    wrong = [f"{number} {status}" for status, number in by_status.items() if number and status != "valid"]
    if not total:
        return []
    if not wrong:
        return [f"All {count_text(total, 'trial')} are valid." if total > 1 else "The one trial is valid."]
    valid = by_status["valid"]
    counted = listed([f"{valid} are valid", *wrong])
    return [f"Of {count_text(total, 'trial')}, {counted}; trials.csv has the reason of each."]


def _broken_off(report: Report) -> list[str]:
    """What was measured and then lost its trial: it is kept, and in no figure."""
    rows = report.data.broken_off.to_dict("records")
    told = [
        f"Attempt {row['attempt']} at trial {row['trial']} was broken off after {duration_text(row['seconds'])} of "
        f"{row['way']} over {row['link']} at {rate_text(row['goodput_bit_s'])}: in series.csv.gz, and in no figure."
        for row in rows[:_MOST_BROKEN_OFF]
        if row["seconds"] > 0
    ]
    more = len(rows) - _MOST_BROKEN_OFF
    return [*told, f"{count_text(more, 'more')} in broken-off.csv."] if more > 0 else told


def as_found(run: dict[str, Any]) -> list[str]:
    """Whether every host is as it was found before the run; in the files, since a command says it of each host."""
    found = run.get("as_found")
    if not isinstance(found, dict) or not found:
        return ["Whether the hosts are as they were found is not recorded: ask `linktrial recover`."]
    if run.get("exit", 0) is None and run.get("ended") != "recovered":
        return ["The run has not ended, so nobody has verified the hosts as found: see `linktrial show` and `recover`."]
    verdicts = {str(host): verdict if isinstance(verdict, dict) else {} for host, verdict in found.items()}
    left = [host for host, verdict in verdicts.items() if verdict.get("ok") is not True]
    kept = [host for host, verdict in verdicts.items() if host not in left and verdict.get("accepted")]
    untouched = [
        host
        for host, verdict in verdicts.items()
        if host not in kept and verdict.get("how") == "unchanged" and verdict.get("ok") is True
    ]
    restored = [host for host in verdicts if host not in (*left, *kept, *untouched)]
    return [
        *([f"NOT verified as found: {listed(left)}."] if left else []),
        *(sentence for host in left for sentence in _not_as_found(host, verdicts[host])),
        *(_kept(host, verdicts[host]) for host in kept),
        *(
            f"{listed(hosts)} {'was' if len(hosts) == 1 else 'were'} {what}."
            for hosts, what in ((restored, "restored and verified as found"), (untouched, "not changed"))
            if hosts
        ),
    ]


def _not_as_found(host: str, verdict: dict[str, Any]) -> list[str]:
    """Each thing that differs, with its command; said here and now, so that nobody has to look for it."""
    why = str(verdict.get("fault") or "the run could not look")
    unknown = f"What differs on {host} is not known ({why}): `linktrial recover` looks, and restores what is left."
    return stays.lines(host, verdict) or [unknown]


def _kept(host: str, verdict: dict[str, Any]) -> str:
    values = listed([f"{one.what}: {one.now} ({one.before} before the run)" for one in stays.accepted(verdict)])
    return f"{host} was restored and verified as found, but for what its owner keeps: {values}."

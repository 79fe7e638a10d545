"""`linktrial compare`: what differs between runs, and how sure that is."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from orchestrator.cli.say import say, say_json, typed
from orchestrator.faults import PlanError
from orchestrator.results.suite import is_suite, open_suite
from orchestrator.run_files import has_file
from orchestrator.words.exit_codes import Exit, most_serious

if TYPE_CHECKING:
    from orchestrator.results.comparison.compare import Comparison
    from orchestrator.results.comparison.run_summary import RunSummary

_FAIL_ON = {"worse": "worse", "lost": "lost", "inconclusive": "inconclusive", "better": "better"}
# The character \b keeps click from filling the lines that follow it.
_HELP = """Compare runs: RUNS are the reference, the runs after --with the candidate. Suites are paired plan by plan.

\b
linktrial compare monday tuesday --with new-kernel-1 new-kernel-2
linktrial compare monday tuesday --keep board-a
linktrial compare today --against board-a --junit result.xml
"""
_MEASURES = ("goodput", "sender-cpu", "receiver-cpu", "round-trip")


class ManyAfterWith(click.Command):
    """Takes `--with A B C` as `--with A --with B --with C`, because runs are named by the shell's `*`."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Spread what stands between --with and the next option."""
        spread: list[str] = []
        taking = False
        for arg in args:
            if arg.startswith("-"):
                taking = arg == "--with"
                if not taking:
                    spread.append(arg)
            else:
                spread += ["--with", arg] if taking else [arg]
        return super().parse_args(ctx, spread)


def _ratio(_ctx: click.Context, _param: click.Parameter, text: str | None) -> float | None:
    if text is None:
        return None
    try:
        ratio = float(text.removesuffix("%").strip()) / (100 if text.endswith("%") else 1)
    except ValueError:
        ratio = -1.0
    if not text.endswith("%") or not 0 < ratio < 1:
        raise click.BadParameter(f"{text!r} is no threshold; write 3% or 0.5%")
    return ratio


def _verdicts(_ctx: click.Context, _param: click.Parameter, text: str) -> frozenset[str]:
    names = [name.strip() for name in text.split(",") if name.strip()]
    unknown = [name for name in names if name not in _FAIL_ON]
    if unknown:
        raise click.BadParameter(f"{unknown[0]!r} is none of {', '.join(_FAIL_ON)}")
    return frozenset(_FAIL_ON[name] for name in names)


@click.command(
    "compare", cls=ManyAfterWith, help=_HELP, short_help="Say what differs between runs, and how sure that is."
)
@click.argument("runs", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--with",
    "candidates",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="CANDIDATE...",
    help="The runs that are compared with the reference; several runs a side say how far runs differ.",
)
@click.option("--against", metavar="NAME", help="Take the stored reference NAME as the reference; RUNS are compared.")
@click.option(
    "--spread-from", metavar="NAME", help="With one run a side: how far runs differ, from the stored reference NAME."
)
@click.option("--keep", metavar="NAME", help="Add RUNS to the stored reference NAME, and compare nothing.")
@click.option("--references", type=click.Path(path_type=Path, file_okay=False), help="Where references are stored.")
@click.option("--threshold", callback=_ratio, metavar="3%", help="A difference that matters; the plan's, otherwise.")
@click.option(
    "--measure",
    type=click.Choice(_MEASURES),
    default="goodput",
    show_default=True,
    help="What to compare; CPU is seconds per gigabyte, round-trip the 99th percentile under traffic.",
)
@click.option("--anyway", is_flag=True, help="Compare runs that did not measure the same thing.")
@click.option(
    "--fail-on",
    callback=_verdicts,
    default="worse,lost",
    show_default=True,
    metavar="worse,lost,inconclusive,better",
    help="The verdicts for which the exit code is 1; lost is a cell that "
    "the reference measured and the candidate could not.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the comparison as JSON.")
@click.option("--markdown", type=click.Path(path_type=Path, dir_okay=False), help="Write it as Markdown too.")
@click.option("--html", type=click.Path(path_type=Path, dir_okay=False), help="Write it as a page too.")
@click.option("--junit", type=click.Path(path_type=Path, dir_okay=False), help="Write it as JUnit XML too.")
def command(**options: Any) -> int:
    """Compare, write what was asked for, and tell by the exit code."""
    if options["keep"]:
        return _keep(options)
    reference, candidate = _sides(options)
    if not any(is_suite(path) for path in (*options["runs"], *options["candidates"])):
        return _compare("", reference, candidate, options)
    return _compare_suites(reference, candidate, options)


def _compare_suites(reference: list[RunSummary], candidate: list[RunSummary], options: dict[str, Any]) -> int:
    """Plan by plan, by name; a plan that only one side has is said, and lost when it is the reference's."""
    plans = {
        plan: ([run for run in reference if plan_of(run) == plan], [run for run in candidate if plan_of(run) == plan])
        for plan in dict.fromkeys(map(plan_of, (*reference, *candidate)))
    }
    pairs = {plan: sides for plan, sides in plans.items() if all(sides)}
    alone = {plan: "reference" if sides[0] else "candidate" for plan, sides in plans.items() if not all(sides)}
    if not pairs:
        raise PlanError(
            "not_alike",
            "the two sides have no plan in common",
            next_step="compare suites of the same plans",
            plans=sorted(plans),
        )
    codes = [_compare(plan, was, now, options) for plan, (was, now) in pairs.items()]
    if not options["as_json"]:
        say(*(line for plan, side in alone.items() for line in ("", f"{plan}: only the {side} has it; not compared")))
    elif alone:
        say(*(f"{plan}: only the {side} has it; not compared" for plan, side in alone.items()), err=True)
    lost = "reference" in alone.values() and "lost" in options["fail_on"]
    return most_serious(*codes, Exit.SOME_NOT_VALID if lost else Exit.COMPLETE)


def plan_of(run: RunSummary) -> str:
    """The name of a run's plan: its id is `<plan>-<UTC time>-<short id>`."""
    return run.run_id.rsplit("-", 2)[0]


def _compare(plan: str, reference: list[RunSummary], candidate: list[RunSummary], options: dict[str, Any]) -> int:
    """One plan's runs; `plan` is empty where no suite is compared."""
    from orchestrator.results.comparison.compare import (
        compare,  # loads pandas and scipy, and help must not wait for them
    )
    from orchestrator.results.comparison.references import load

    spread = load(options["spread_from"], options["references"]) if options["spread_from"] else []
    spread = [run for run in spread if not plan or plan_of(run) == plan]
    found = compare(
        reference,
        candidate,
        measure=options["measure"],
        threshold_ratio=options["threshold"],
        spread_from=spread,
        anyway=options["anyway"],
    )
    if plan and not options["as_json"]:
        say("", plan)
    _write(found, options, plan)
    return Exit.SOME_NOT_VALID if found.has_any_of(options["fail_on"]) else Exit.COMPLETE


def _keep(options: dict[str, Any]) -> int:
    if options["candidates"] or options["against"]:
        raise PlanError("usage", "--keep stores RUNS and compares nothing: leave --with and --against out")
    from orchestrator.results.comparison.references import keep

    path, count = keep(options["keep"], _read(options["runs"]), options["references"])
    say(f"{path}: {count} {'run' if count == 1 else 'runs'}")
    return Exit.COMPLETE


def _sides(options: dict[str, Any]) -> tuple[list[RunSummary], list[RunSummary]]:
    """(reference, candidate) as the command line names them."""
    from orchestrator.results.comparison.references import load

    if options["against"]:
        if options["candidates"]:
            raise PlanError(
                "usage",
                "--against names the reference, so the runs to compare stand without --with",
                next_step=f"linktrial compare RUN... --against {options['against']}",
            )
        return load(options["against"], options["references"]), _read(options["runs"])
    if not options["candidates"]:
        raise PlanError(
            "usage",
            "name the runs to compare after --with, or a stored reference with --against",
            next_step="linktrial compare REFERENCE... --with CANDIDATE...",
        )
    return _read(options["runs"]), _read(options["candidates"])


def _read(paths: list[Path]) -> list[RunSummary]:
    """The runs at these paths; a suite's are those of its runs that measured something."""
    from orchestrator.results.comparison.run_summary import summarise_run
    from orchestrator.results.read_run import read_run

    runs = []
    for path in paths:
        if is_suite(path):
            suite = open_suite(path)
            folders = [folder for entry in suite.entries if (folder := suite.folder_of(entry)) is not None]
            found = [summarise_run(read_run(folder)) for folder in folders if has_file(folder / "trials.csv")]
            if not found:
                raise PlanError(
                    "nothing_measured",
                    f"{path}: no run of this suite has measured anything",
                    next_step=f"linktrial resume {typed(path)}",
                )
            runs += found
        else:
            runs.append(summarise_run(read_run(path)))
    return runs


def _write(found: Comparison, options: dict[str, Any], plan: str) -> None:

    from orchestrator.report import comparison as words
    from orchestrator.run_files import write_file

    if path := _file(options["markdown"], plan):
        write_file(path, words.markdown(found))
    if path := _file(options["html"], plan):
        from orchestrator.report.page.comparison import page

        write_file(path, page(found))
    if path := _file(options["junit"], plan):
        write_file(path, words.junit(found, options["fail_on"]))
    if options["as_json"]:  # of suites one line for each plan
        say_json({"plan": plan, **words.as_data(found)}, None) if plan else say_json(words.as_data(found))
    else:
        say(*words.text_lines(found))


def _file(path: Path | None, plan: str) -> Path | None:
    """Where one plan's comparison is written: of suites `result-PLAN.xml` for `result.xml`."""
    return path.with_stem(f"{path.stem}-{plan}") if path and plan else path

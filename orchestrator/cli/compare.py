"""`linktrial compare`: what differs between runs, and how sure that is."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from orchestrator.cli.exits import Exit
from orchestrator.faults import PlanError

if TYPE_CHECKING:
    from orchestrator.results.compare import Comparison
    from orchestrator.results.run_summary import RunSummary

_FAIL_ON = {"worse": "worse", "lost": "lost", "unsure": "cannot tell", "better": "better"}
# The character \b keeps click from filling the lines that follow it.
_HELP = """Compare runs: RUNS are the reference, the runs after --with the candidate.

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


@click.command("compare", cls=ManyAfterWith, help=_HELP,
               short_help="Say what differs between runs, and how sure that is.")
@click.argument("runs", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--with", "candidates", multiple=True, type=click.Path(path_type=Path), metavar="CANDIDATE...",
              help="The runs that are compared with the reference; several runs a side say how far runs differ.")
@click.option("--against", metavar="NAME", help="Take the stored reference NAME as the reference; RUNS are compared.")
@click.option("--spread-from", metavar="NAME",
              help="With one run a side: how far runs differ, from the stored reference NAME.")
@click.option("--keep", metavar="NAME", help="Add RUNS to the stored reference NAME, and compare nothing.")
@click.option("--references", type=click.Path(path_type=Path, file_okay=False), help="Where references are stored.")
@click.option("--threshold", callback=_ratio, metavar="3%", help="A difference that matters; the plan's, otherwise.")
@click.option("--measure", type=click.Choice(_MEASURES), default="goodput", show_default=True,
              help="What to compare; CPU is seconds per gigabyte, round-trip the 99th percentile under traffic.")
@click.option("--anyway", is_flag=True, help="Compare runs that did not measure the same thing.")
@click.option("--fail-on", callback=_verdicts, default="worse,lost", show_default=True,
              metavar="worse,lost,unsure,better", help="The verdicts for which the exit code is 1; lost is a cell that "
              "the reference measured and the candidate could not.")
@click.option("--json", "as_json", is_flag=True, help="Print the comparison as JSON.")
@click.option("--markdown", type=click.Path(path_type=Path, dir_okay=False), help="Write it as Markdown too.")
@click.option("--html", type=click.Path(path_type=Path, dir_okay=False), help="Write it as a page too.")
@click.option("--junit", type=click.Path(path_type=Path, dir_okay=False), help="Write it as JUnit XML too.")
def command(**options: Any) -> int:
    """Compare, write what was asked for, and tell by the exit code."""
    if options["keep"]:
        return _keep(options)
    reference, candidate = _sides(options)
    from orchestrator.results.compare import compare  # loads pandas and scipy, and help must not wait for them
    from orchestrator.results.references import load

    spread = load(options["spread_from"], options["references"]) if options["spread_from"] else []
    found = compare(reference, candidate, measure=options["measure"], threshold_ratio=options["threshold"],
                    spread_from=spread, anyway=options["anyway"])
    _write(found, options)
    return Exit.SOME_NOT_VALID if found.has_any_of(options["fail_on"]) else Exit.COMPLETE


def _keep(options: dict[str, Any]) -> int:
    if options["candidates"] or options["against"]:
        raise PlanError("usage", "--keep stores RUNS and compares nothing: leave --with and --against out")
    from orchestrator.results.references import keep

    path, count = keep(options["keep"], _read(options["runs"]), options["references"])
    click.echo(f"{path}: {count} {'run' if count == 1 else 'runs'}")
    return Exit.COMPLETE


def _sides(options: dict[str, Any]) -> tuple[list[RunSummary], list[RunSummary]]:
    """(reference, candidate) as the command line names them."""
    from orchestrator.results.references import load

    if options["against"]:
        if options["candidates"]:
            raise PlanError("usage", "--against names the reference, so the runs to compare stand without --with",
                            next_step=f"linktrial compare RUN... --against {options['against']}")
        return load(options["against"], options["references"]), _read(options["runs"])
    if not options["candidates"]:
        raise PlanError("usage", "name the runs to compare after --with, or a stored reference with --against",
                        next_step="linktrial compare REFERENCE... --with CANDIDATE...")
    return _read(options["runs"]), _read(options["candidates"])


def _read(paths: list[Path]) -> list[RunSummary]:
    from orchestrator.results.read_run import read_run
    from orchestrator.results.run_summary import summarise_run

    return [summarise_run(read_run(path)) for path in paths]


def _write(found: Comparison, options: dict[str, Any]) -> None:
    import json

    from orchestrator.report import comparison as words
    from orchestrator.results.write import write_whole

    if options["markdown"]:
        write_whole(options["markdown"], words.markdown(found))
    if options["html"]:
        from orchestrator.report.page_comparison import page

        write_whole(options["html"], page(found))
    if options["junit"]:
        write_whole(options["junit"], words.junit(found, options["fail_on"]))
    click.echo(json.dumps(words.as_data(found), indent=1) if options["as_json"] else
               "\n".join(words.text_lines(found)))

"""How a suite stands: its table at the end of a command, and `show SUITE`."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from orchestrator.cli.say import say, typed
from orchestrator.cli.views import run_view
from orchestrator.faults import Fault
from orchestrator.results.suite import Suite, SuiteEntry
from orchestrator.words.plain_text import visible

if TYPE_CHECKING:
    from rich.table import Table

NOT_BEGUN = "not begun"


def suite_view(suite: Suite) -> dict[str, Any]:
    """Every plan with what is known of its run; plain data."""
    plans = [_plan_view(suite, entry) for entry in suite.entries]
    left = [plan["plan"] for plan in plans if plan["left"]]
    going = any(plan["standing"] == "going on" for plan in plans)
    return {
        "suite": suite.name,
        "folder": str(suite.path),
        "rehearse": suite.rehearse,
        "plans": plans,
        "left": left,
        "next": f"to go on: linktrial resume {typed(suite.path)}" if left and not going else "",
    }


def _plan_view(suite: Suite, entry: SuiteEntry) -> dict[str, Any]:
    folder = suite.folder_of(entry)
    view: dict[str, Any] = {
        "plan": entry.plan,
        "run": entry.run if folder else "",
        "exit": entry.exit,
        "standing": NOT_BEGUN,
        "why": entry.why,
        "left": True,
    }
    if folder is None:
        return view
    try:
        found = run_view(folder)
    except Fault as fault:  # it ended before its journal began
        return {**view, "why": entry.why or fault.message}
    shown = {
        key: found[key] for key in ("exit", "standing", "trials", "finished", "statuses", "rehearsal", "now", "hosts")
    }
    return {**view, **shown, "left": bool(found["next"] or found["standing"] == "going on")}


def suite_lines(view: dict[str, Any]) -> Iterator[str]:
    """The same for a person: a line for each plan, one for each of its hosts that is not as found, and what is next."""
    plans = view["plans"]
    yield (
        f"suite {view['suite']}: {len(plans) - len(view['left'])} of {len(plans)} plans complete"
        + (", rehearsals only" if view["rehearse"] else "")
    )
    for plan in plans:
        yield f"  {plan['plan']}: {plan['standing']}{_trials(plan)}" + (f"; {plan['why']}" if plan["why"] else "")
        if plan.get("now"):
            yield f"    now: {plan['now']}"
        yield from (f"    {name}: {words}" for name, words in plan.get("hosts", {}).items())
    yield f"  folder: {view['folder']}"
    if view["next"]:
        yield view["next"]


def _trials(plan: dict[str, Any]) -> str:
    if "trials" not in plan:
        return ""
    counted = ", ".join(f"{count} {status}" for status, count in plan["statuses"].items())
    return f"; {plan['finished']} of {plan['trials']} trials have an outcome" + (f" ({counted})" if counted else "")


def tell_suite(suite: Suite) -> None:
    """Write the suite's page, print its table, and where both are."""
    from orchestrator.cli.running import console_for_results
    from orchestrator.report.suite import write_suite

    page = write_suite(suite.path)
    console = console_for_results()
    try:
        console.print()
        console.print(_table(suite))
        console.print()
    except (OSError, SystemExit):  # nobody reads it any more
        return
    say(f"suite: {page}")
    say(f"folder: {suite.path}")


def _table(suite: Suite) -> Table:
    from rich.table import Table
    from rich.text import Text

    from orchestrator.report.suite import answer_of, read_runs

    table = Table(box=None, pad_edge=False, header_style="bold", padding=(0, 2, 0, 0))
    for head in ("plan", "answer", "trials", "exit"):
        table.add_column(head, no_wrap=head in ("plan", "exit"))
    views = [_plan_view(suite, entry) for entry in suite.entries]
    for run, view in zip(read_runs(suite), views, strict=True):
        counted = ", ".join(f"{count} {status}" for status, count in view.get("statuses", {}).items())
        left = view.get("trials", 0) - view.get("finished", 0)
        trials = ", ".join(part for part in (counted, f"{left} left" if left else "") if part)
        row = (view["plan"], answer_of(run.report), trials, view["standing"] if view["exit"] is None else view["exit"])
        table.add_row(*(Text(visible(cell)) for cell in row))
    return table

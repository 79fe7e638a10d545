"""Keeping the winner: for one cell of a run, what each host's owner types, and what makes it last."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from orchestrator.cli.kept_levels import Given, Kept, keep
from orchestrator.cli.plans import load_plans
from orchestrator.cli.say import say, say_json
from orchestrator.decide.links.ends import target_of
from orchestrator.faults import PlanError
from orchestrator.onhost.settings import CATALOGUE
from orchestrator.planning import cells
from orchestrator.planning.cells import Cell
from orchestrator.run_files import Folder
from orchestrator.stored import made_of
from orchestrator.words.exit_codes import Exit


def print_kept(run: Path, number: int, *, as_json: bool) -> int:
    """Print the commands and files of every host for the levels of cell `number`; nothing is contacted."""
    cell = _cell(run, number)
    with made_of(run / "run.json"):
        kept = {host: keep(uses, CATALOGUE) for host, uses in _uses(run, cell).items()}
    if as_json:
        say_json({host: each._asdict() for host, each in kept.items()}, indent=2)
    else:
        lines = [line for host, each in kept.items() for line in _shown(host, each)]
        say(*(lines or [f"cell {number} ({cell.key}) changes no setting"]))
    return Exit.COMPLETE


def _cell(run: Path, number: int) -> Cell:
    found = cells(load_plans([run], {})[0].plan)
    cell = next((each for each in found if each.number == number), None)
    if cell is None:
        raise PlanError("no_such_cell", f"{run}: its plan has no cell {number}", next_step=f"1 to {len(found)}")
    return cell


def _uses(run: Path, cell: Cell) -> dict[str, list[Given]]:
    """By host, the interfaces by the names that they had in the run."""
    known = Folder(run).json("run.json") if Folder(run).has("run.json") else {}
    facts = known.get("hosts", {}) if isinstance(known, dict) else {}
    uses: dict[str, list[Given]] = {}
    for use in cell.settings:
        host = facts.get(use.host)
        if not host:
            raise PlanError(
                "no_facts",
                f"{run}: run.json does not say what {use.host} is",
                next_step="name the folder of a run that reached its hosts",
            )
        target = target_of(use, host.get("facts", host))
        uses.setdefault(use.host, []).append({"setting": use.setting, "target": target, "level": use.level})
    return uses


def _shown(host: str, kept: Kept) -> Iterator[str]:
    yield f"# {host}: as root"
    yield from kept.commands
    for path, text in kept.files.items():
        yield ""
        yield f"# {host}: to keep it after a restart, in {path}" + (
            " (then: systemctl enable " + Path(path).stem + ")" if path.endswith(".service") else ""
        )
        yield from text.rstrip().split("\n")
    if kept.not_kept:
        yield ""
        yield f"# {host}: no single command keeps these: {'; '.join(kept.not_kept)}"
    yield ""

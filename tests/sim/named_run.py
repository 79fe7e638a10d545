"""A plan with any names, checked, run on the virtual clock, with tables and report: what is left when the names are
taken out again.
"""

from __future__ import annotations

import asyncio
import csv
import gzip
import html.parser
import io
import json
import re
from collections import Counter
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

from orchestrator.act.actions import HostActions
from orchestrator.act.run_folder import write_run_json, write_surveys
from orchestrator.act.runner import Runner
from orchestrator.cli.plans import LoadedPlan, load_plans
from orchestrator.cli.progress import Progress
from orchestrator.cli.running import finish_folder
from orchestrator.decide.compose import compose
from orchestrator.decide.invariants import broken_invariants
from orchestrator.decide.setup import setup_from_dict
from orchestrator.decide.state import begin
from orchestrator.planning.traffic import TRAFFIC_FACTORS
from orchestrator.results.write import neutral_text
from tests.sim.fake_host import FakeHost, same_in_simulation
from tests.sim.fake_session import Chance, FakeWorld
from tests.sim.results import path_results, traffic_results
from tests.sim.sim import MemoryJournal
from tests.sim.virtual_loop import VirtualLoop

OWN_WORDS = (*sorted(TRAFFIC_FACTORS), "mtu", "governor", "command")  # what the plan below says besides names


@dataclass(frozen=True)
class Names:
    """Every name that the plan below gives something."""

    plan: str = "plain"
    first: str = "a"
    second: str = "b"
    link: str = "wire"
    size: str = "frames"
    clock: str = "tuning"
    led: str = "lamp"
    low: str = "one"
    high: str = "two"
    off: str = "dark"
    on: str = "bright"

    @property
    def clashing(self) -> bool:
        """Whether two things of one kind have one name, so that it would be another plan."""
        kinds = (
            (self.first, self.second),
            (self.size, self.clock, self.led),
            (self.low, self.high),
            (self.off, self.on),
        )
        return any(len(set(kind)) < len(kind) for kind in kinds)


PLAIN = Names()


def plan_text(names: Names) -> str:
    """A plan with a setting under a name of its own, a bundle, and a command; every name quoted as YAML wants it."""
    quoted = replace(names, **{field.name: json.dumps(getattr(names, field.name)) for field in fields(names)})
    return f"""plan: {quoted.plan}
hosts:
  {quoted.first}: {{ssh: one.example}}
  {quoted.second}: {{ssh: two.example}}
links:
  {quoted.link}: {{under_test: {{host: {quoted.first}, interface: eth1}}, \
far: {{host: {quoted.second}, interface: eth1}}, \
rate: 1Gbit/s}}
factors:
  {quoted.size}: {{setting: mtu, levels: [1500, 9000]}}
  {quoted.clock}: {{levels: {{{quoted.low}: {{}}, {quoted.high}: {{governor: performance}}}}}}
  {quoted.led}: {{setting: command, at: {quoted.first}, read: [lamp], write: [lamp, "{{level}}"], \
levels: [{quoted.off}, {quoted.on}]}}
trial: {{length: 1s, warmup: 200ms, settle: 100ms, replicates: 2}}
order: {{seed: 7}}
"""


@dataclass(frozen=True)
class Done:
    """What a named run left."""

    code: int
    problems: tuple[str, ...]
    statuses: dict[int, str]
    events: tuple[str, ...]
    tables: dict[str, list[list[str]]]
    markdown_shape: tuple[tuple[int, int], ...]
    page_shape: Counter[str]
    repeated_ids: tuple[str, ...]


def checked(names: Names, folder: Path) -> LoadedPlan:
    """The plan as `check` accepts it; PlanProblems when it does not."""
    path = folder / "plan.yaml"
    path.write_text(plan_text(names))
    [loaded] = load_plans([path], {})
    return loaded


def run(names: Names, loaded: LoadedPlan, folder: Path) -> Done:
    """Run it; `folder` holds the plan, and gets the run's files."""
    plan = compose(loaded.plan, run_id="named", holder="sim")
    setup = setup_from_dict(json.loads(json.dumps(plan.as_dict())))
    values = {("mtu", "eth1"): 1500, ("governor", ""): "schedutil", ("command", names.led): names.off}
    hosts = {name: FakeHost(name, number, values) for number, name in enumerate((names.first, names.second), 1)}
    world = FakeWorld(
        hosts, Chance(1, {}, calm_after_s=0), lambda one, other: path_results(one, other, 9000), traffic_results
    )
    journal, state = MemoryJournal(), begin(setup)
    journal.append("setup", setup.as_dict())
    problems: list[str] = []
    progress = Progress(folder / "log.txt", io.StringIO())

    def listen(state: Any, item: Any) -> None:
        progress(state, item)
        problems.extend(broken_invariants(state))

    async def drive() -> int:
        actions = HostActions(state, world.connect, same_in_simulation)  # type: ignore[arg-type]
        runner = Runner(state, journal, actions, listen)  # type: ignore[arg-type]
        code = await runner.run()
        problems.extend(map(repr, runner.bugs))
        return code

    loop = VirtualLoop()
    try:
        code = loop.run_until_complete(asyncio.wait_for(drive(), 3600.0))
    finally:
        loop.close()
    problems += [f"{name} is {host.values}" for name, host in hosts.items() if host.values != values]
    progress.close()
    (folder / "journal.jsonl").write_bytes(journal.data)
    about: dict[str, Any] = {
        "started_at": "2026-01-01T00:00:00+00:00",
        "helper_hash": "",
        "bench": {},
        "purpose": "",
        "threshold_ratio": 0.03,
        "binds": {},
    }
    write_run_json(folder, state, ended_at="2026-01-01T00:10:00+00:00", exit_code=code, **about)
    write_surveys(folder, state)
    finish_folder(folder)
    page = _Page()
    page.feed((folder / "report.html").read_text())
    return Done(
        code,
        tuple(problems),
        {place: one["status"] for place, one in state.outcomes.items()},
        tuple(entry.body.get("event", "") for entry in journal.entries),
        _tables(names, folder),
        _markdown_shape((folder / "report.md").read_text()),
        page.tags,
        tuple(one for one, count in page.ids.items() if count > 1),
    )


_CHANGING = re.compile(r"started_at|overhead_s|took|wait")


def _tables(names: Names, folder: Path) -> dict[str, list[list[str]]]:
    """Every table with the plain names in the place of these; columns that tell the machine's own time left out."""
    found = {}
    for path in sorted((*folder.glob("*.csv"), *folder.glob("*.csv.gz"))):
        data = path.read_bytes()
        text = (gzip.decompress(data) if path.suffix == ".gz" else data).decode()
        header, *rows = list(csv.reader(io.StringIO(text, newline="")))
        columns = [place for place, name in enumerate(header) if not _CHANGING.search(name)]
        wanted = {names.size: "size", names.clock: "clock", names.led: "led"}
        plain = [
            _cells(names, wanted.get(header[place], header[place]), [row[place] for row in rows]) for place in columns
        ]
        found[path.name] = [
            [f"factor {wanted[header[place]]}" if header[place] in wanted else header[place], *values]
            for place, values in zip(columns, plain, strict=True)
        ]
    return found


_HOLDING = {
    "sender": ("first", "second"),
    "receiver": ("first", "second"),
    "host": ("first", "second"),
    "link": ("link",),
    "plan": ("plan",),
    "clock": ("low", "high"),
    "led": ("off", "on"),
}


def _cells(names: Names, column: str, values: list[str]) -> list[str]:
    """A column's values; where it holds names, these as the plain ones."""
    if column == "key":  # names and levels in one text: shown, never read back
        return [""] * len(values)
    plain = {neutral_text(getattr(names, kind)): getattr(PLAIN, kind) for kind in _HOLDING.get(column, ())}
    return [plain.get(value, value) for value in values]


def _markdown_shape(text: str) -> tuple[tuple[int, int], ...]:
    """(rows, columns) of every table; a name that is no more than a name changes none of them."""
    shapes: list[tuple[int, int]] = []
    rows: list[str] = []
    for line in [*text.splitlines(), ""]:
        if line.startswith("|"):
            rows.append(re.sub(r"\\\|", "", line))
        elif rows:
            shapes.append((len(rows), rows[0].count("|")))
            rows = []
    return tuple(shapes)


class _Page(html.parser.HTMLParser):
    """How many elements of each kind a page has, and its ids."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: Counter[str] = Counter()
        self.ids: Counter[str] = Counter()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in ("tspan", "text", "br", "wbr"):  # what a longer name may be broken into
            self.tags[tag] += 1
        self.ids.update(value for name, value in attrs if name == "id" and value)

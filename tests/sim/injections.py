"""Errors raised at every await and at every function's beginning of the controller, in simulated runs; and a referee.

The places are read from the code itself: every `await`, `async with` and `async for` of the rooms below, and the
beginning of every function of them. A scene is played once to see which places it comes to, and how often; then again
for each case, with one error raised at one visit of one place (or at every visit from there on).
"""

from __future__ import annotations

import ast
import asyncio
import functools
import random
import sys
from collections import Counter
from collections.abc import Awaitable, Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import CodeType, FrameType
from typing import Any, NamedTuple
from unittest import mock

import orchestrator
from orchestrator.act import runner as runner_module
from orchestrator.decide import events as ev
from orchestrator.decide.ending import runs_changed
from orchestrator.decide.invariants import broken_invariants
from orchestrator.faults import BugError, HostError
from orchestrator.onhost.safety import record
from tests.sim.helper_host import helpers
from tests.sim.stage import LEASE_S, Stage
from tests.sim.test_restarts import StartedStage
from tests.sim.virtual_loop import VirtualLoop

ROOT = Path(orchestrator.__file__).parent
# What drives a run. The pure rooms below it are entered through their functions; SSH itself is not simulated.
AWAITS_OF = tuple(
    ROOT / "act" / name
    for name in (
        "runner.py",
        "supervised.py",
        "tries.py",
        "actions.py",
        "conduct.py",
        "clocks.py",
        "path_proof.py",
        "instrument.py",
        "wiring.py",
        "power.py",
        "external.py",
        "in_band.py",
        "looking_at_ends.py",
        "recovering.py",
        "still_held.py",
    )
)
FUNCTIONS_OF = (*AWAITS_OF, ROOT / "act/journal.py", ROOT / "act/legs.py", *sorted((ROOT / "decide").rglob("*.py")))
NOT_ITS_BEGINNING = frozenset({"<module>", "<lambda>", "<genexpr>", "<listcomp>", "<setcomp>", "<dictcomp>"})
LONGEST_S = 3 * 3600.0  # of virtual time; beyond it a run hangs


class Place(NamedTuple):
    """Somewhere in the code: an await by its line, or a function by its first."""

    file: str
    line: int
    kind: str  # await | enter
    function: str

    def __str__(self) -> str:
        return f"{Path(self.file).relative_to(ROOT)}:{self.line} {self.kind} {self.function}"


@dataclass(frozen=True)
class Case:
    """One error at one visit of one place in one scene; `lasting`: at every later visit, too."""

    scene: str
    place: Place
    visit: int
    error: str
    lasting: bool = False

    def __str__(self) -> str:
        return f"{self.scene}: {self.error} at {self.place}, visit {self.visit}{' and all later' * self.lasting}"


ERRORS: dict[str, Callable[[], BaseException]] = {
    "Exception": lambda: Exception("injected"),
    "KeyError": lambda: KeyError("injected"),
    "OSError": lambda: OSError(5, "injected"),
    "TimeoutError": lambda: TimeoutError("injected"),
    "CancelledError": lambda: asyncio.CancelledError("injected"),  # which nobody has asked for
    "BugError": lambda: BugError("injected", "injected"),
    "HostError": lambda: HostError("injected", "injected", host="dome"),
}
# What a function catches because it means something there: a timeout of its own wait.
BY_DESIGN = {("TimeoutError", "_open_anew")}
OURS = frozenset(ERRORS) - {
    "HostError"
}  # the others are a host's fault, and end as the README's table of exit codes says


@functools.cache
def awaits(path: Path) -> set[int]:
    """The lines of every await of a file."""
    return {
        node.lineno
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.Await | ast.AsyncWith | ast.AsyncFor)
    }


class Tracer:
    """Counts the visits of places, and raises at one of them."""

    def __init__(
        self,
        case: Case | None = None,
        awaits_of: Sequence[Path] = AWAITS_OF,
        functions_of: Sequence[Path] = FUNCTIONS_OF,
    ) -> None:
        self.awaits = {str(path): awaits(path) for path in awaits_of}
        self.functions = {str(path) for path in functions_of}
        self.case = case
        self.visits: Counter[Place] = Counter()
        self.raised: BaseException | None = None
        self.armed = True

    def __enter__(self) -> Tracer:
        sys.settrace(self._call)
        return self

    def __exit__(self, *_: object) -> None:
        sys.settrace(None)

    def _call(self, frame: FrameType, event: str, _: Any) -> Any:
        code = frame.f_code
        if code.co_filename not in self.functions:
            return None
        if event == "call" and self._begins(frame, code):
            self._visit(Place(code.co_filename, code.co_firstlineno, "enter", code.co_name))
        return self._line if code.co_filename in self.awaits else None

    def _begins(self, frame: FrameType, code: CodeType) -> bool:
        """A coroutine is "called" again whenever it goes on."""
        first = frame.f_lasti <= 4 or frame.f_lineno == code.co_firstlineno
        return first and code.co_name not in NOT_ITS_BEGINNING

    def _line(self, frame: FrameType, event: str, _: Any) -> Any:
        if event == "line" and frame.f_lineno in self.awaits[frame.f_code.co_filename]:
            self._visit(Place(frame.f_code.co_filename, frame.f_lineno, "await", frame.f_code.co_name))
        return self._line

    def _visit(self, place: Place) -> None:
        if not self.armed:
            return
        self.visits[place] += 1
        case = self.case
        if case is None or place != case.place:
            return
        if self.visits[place] == case.visit or (case.lasting and self.visits[place] > case.visit):
            error = ERRORS[case.error]()
            self.raised = self.raised or error
            if case.lasting:
                asyncio.get_running_loop().call_soon(sys.settrace, self._call)  # raising ends the tracing
            raise error


@dataclass
class Ended:
    """What became of a scene."""

    codes: list[int]
    problems: list[str]
    bugs: list[BaseException]
    raised: BaseException | None
    as_found: dict[str, bool]
    named: set[str]
    nothing_of_ours: bool
    said: list[str]


class InjectedStage(StartedStage):
    """A stage whose scene ends with the run; its state is looked at after every event."""

    tracer: Tracer

    def __init__(self, kernels: bool = False) -> None:
        self.problems: list[str] = []
        self.said: list[str] = []
        self.codes: list[int] = []
        self.refused: BaseException | None = None  # what kept the run from being taken up again
        if kernels:
            super().__init__(("dome",))
        else:
            Stage.__init__(self)
            self.starts = dict.fromkeys(self.hosts, 0)
            self.asked_in, self.hangs, self.deaf, self.wrong = {}, 0, False, []
        cells = self.setup.cells
        self.setup = replace(self.setup, schedule=self.setup.schedule[:4], length_s=12.0, cells=cells)

    def _watch(self, state: Any, item: Any) -> None:
        self.said.append(item if isinstance(item, str) else type(item).__name__)
        if isinstance(item, ev.Event):
            self.problems += [f"after {type(item).__name__}: {one}" for one in broken_invariants(state)]

    async def to_the_end(self) -> None:
        """The run's end; as `linktrial resume` has it when the journal cannot be replayed."""
        assert self.running is not None
        try:
            self.codes.append(await self.running)
        except (Exception, asyncio.CancelledError) as error:  # as cli/running.py does
            held = any(host.token or host.changed for host in self.state.hosts.values())
            self.codes.append(5 if held else 4)
            self.refused = error

    async def until(self, position: int) -> None:
        """Until the traffic of this trial is under way, or the run is over before it."""
        assert self.running is not None
        while not self.running.done() and not (self.state.position == position and self._traffic_runs()):
            await asyncio.sleep(0.05)


Scene = Callable[[InjectedStage], Awaitable[None]]


async def undisturbed(stage: InjectedStage) -> None:
    await stage.to_the_end()


async def sessions_lost(stage: InjectedStage) -> None:
    """The session of dome is lost in a trial, the other's between two."""
    await stage.until(2)
    stage.world.lose_all("dome")
    await asyncio.sleep(9.0)
    stage.world.lose_all("hall")
    await stage.to_the_end()


async def cut_for_long(stage: InjectedStage) -> None:
    await stage.until(2)
    stage.cut("hall")
    await asyncio.sleep(LEASE_S * 2)
    stage.mend("hall")
    await stage.to_the_end()


async def taken_up_again(stage: InjectedStage) -> None:
    await stage.until(3)
    if stage.running is not None and not stage.running.done():
        stage.tracer.armed = False  # what it did in dying is nobody's any more
        await stage.kill()
        stage.tracer.armed = True
        await asyncio.sleep(LEASE_S / 3)
        try:
            stage.start()
        except Exception as error:  # the journal cannot be replayed: `resume` says so, and to recover
            stage.codes.append(5)
            stage.refused = error
            return
    await stage.to_the_end()


async def interrupted(stage: InjectedStage) -> None:
    await stage.until(2)
    assert stage.runner is not None
    stage.runner.post(ev.StopAsked("interrupt", "interrupted"))
    await stage.to_the_end()


async def over_one_port(stage: InjectedStage) -> None:
    """SSH runs over the interface that is changed."""
    host = stage.hosts["hall"]
    host._control = lambda args, now: {
        "local": "",
        "peer": "",
        "interface": "eth1",  # type: ignore[method-assign]
        "interfaces": ["eth1"],
    }
    await stage.to_the_end()


async def open_ended(stage: InjectedStage) -> None:
    """Whether the schedule is to grow is thought about twice."""
    assert stage.runner is not None
    asked: list[int] = []
    trial = stage.setup.schedule[0]

    def advise(state: Any) -> tuple[list[Any], str]:
        asked.append(1)
        return ([replace(trial, position=100 + len(asked))], "") if len(asked) < 2 else ([], "enough")

    stage.runner.advise = advise
    await stage.to_the_end()


SCENES: dict[str, tuple[Scene, Callable[[InjectedStage], None]]] = {}


def _as_it_is(stage: InjectedStage) -> None:
    """The stage's own plan."""


def _with_budget(stage: InjectedStage) -> None:
    stage.setup = replace(stage.setup, budget_s=3600.0)


SCENES.update(
    {
        "undisturbed": (undisturbed, _as_it_is),
        "sessions lost": (sessions_lost, _as_it_is),
        "cut for long": (cut_for_long, _as_it_is),
        "taken up again": (taken_up_again, _as_it_is),
        "interrupted": (interrupted, _as_it_is),
        "over one port": (over_one_port, _as_it_is),
        "open-ended": (open_ended, _with_budget),
        "restarts": (undisturbed, _as_it_is),
    }
)


def play(scene: str, case: Case | None = None) -> tuple[Ended, Tracer]:
    """A scene from its beginning to one lease after its end, with an error in it or none."""
    story, prepare = SCENES[scene]
    stage = InjectedStage(kernels=scene == "restarts")
    prepare(stage)
    tracer = stage.tracer = Tracer(case)
    loop = VirtualLoop()
    ended: list[Ended] = []

    async def whole() -> None:
        watchdogs = asyncio.ensure_future(stage.watchdogs())
        await asyncio.sleep(0)
        with tracer:
            tracer.armed = False  # before the run nothing was begun: what fails there is told by the command itself
            stage.start()
            tracer.armed = True
            assert stage.runner is not None
            loop.set_exception_handler(lambda _, context: _unhandled(stage, context))
            await story(stage)
        ended.append(_looked_at(stage, tracer))
        await asyncio.sleep(2 * LEASE_S)
        for name, host in stage.hosts.items():
            if host.values != stage.before[name]:
                ended[0].problems.append(f"{name} is not as found one lease after the end")
            if not host.runs_as_found() and name not in ended[0].named:  # only a restart helps, which is the user's
                ended[0].problems.append(f"{name} runs what a trial started, and was not named")
        watchdogs.cancel()
        await asyncio.gather(watchdogs, *stage.world.meetings, return_exceptions=True)

    async def at_once(work: Callable[[], Any], timeout_s: float) -> Any:
        """The virtual loop knows no threads."""
        return work()

    real, runner_module.in_thread = runner_module.in_thread, at_once  # type: ignore[assignment]
    try:
        with helpers(), mock.patch.object(record, "lock_holder"):  # who holds the lock is told to people only
            loop.run_until_complete(asyncio.wait_for(whole(), LONGEST_S))
    finally:
        runner_module.in_thread = real
        sys.settrace(None)
        loop.close()
    return ended[0], tracer


def _unhandled(stage: InjectedStage, context: dict[str, Any]) -> None:
    """As `linktrial run` does it."""
    if stage.runner is not None:
        stage.runner.unhandled(context.get("exception") or BugError("loop", context["message"]))


def _looked_at(stage: InjectedStage, tracer: Tracer) -> Ended:
    assert stage.runner is not None
    return Ended(
        stage.codes,
        stage.problems,
        [*stage.runner.bugs, *([stage.refused] if stage.refused else [])],
        tracer.raised,
        {name: stage.is_as_found(name) and stage.hosts[name].runs_as_found() for name in stage.hosts},
        _named(stage),
        stage.nothing_of_ours(),
        stage.said,
    )


def _named(stage: InjectedStage) -> set[str]:
    """The hosts that the run says are not, or not surely, as found."""
    assert stage.runner is not None
    state = stage.runner.state
    if stage.refused is not None or state.exit_code is None:  # nothing is known of any of them, and that is said
        return set(state.hosts)
    return {name for name, host in state.hosts.items() if not host.as_found or runs_changed(host)}


def chain(error: BaseException | None) -> Iterator[BaseException]:
    """An error and those that it came of."""
    while error is not None:
        yield error
        error = error.__cause__ or error.__context__


def verdict(case: Case) -> list[str]:
    """What was not as promised in one case; nothing when all was well."""
    try:
        ended, _ = play(case.scene, case)
    except BaseException as error:
        if isinstance(error, KeyboardInterrupt):
            raise
        return [f"no end in order: {type(error).__name__}: {error}"]
    if ended.raised is None:
        return []  # never came to this visit again: the error is not in this run
    problems = list(ended.problems)
    code = ended.codes[-1]
    if (case.error, case.place.function) in BY_DESIGN:
        return problems
    if case.error in OURS and code not in (4, 5):
        problems.append(f"exit code {code}")
    if case.error in OURS and not any(error is ended.raised for bug in ended.bugs for error in chain(bug)):
        problems.append("the error is lost: there is no traceback of it for the log")
    changed = {name for name, as_found in ended.as_found.items() if not as_found}
    if code == 5:
        problems += [f"{name} is not as found, and was not named" for name in changed - ended.named]
        problems += [] if ended.named else ["exit code 5, and no host is named"]
    elif code not in (130, 143):
        problems += [f"exit code {code}, but {name} is not as found" for name in changed]
    return problems


def reached() -> dict[str, Counter[Place]]:
    """Scene -> the places it comes to, and how often."""
    found = {}
    for scene in SCENES:
        ended, tracer = play(scene)
        assert ended.problems == [], (scene, ended.problems)
        assert ended.codes[-1] in (0, 1, 130), (scene, ended.codes, ended.bugs)
        found[scene] = tracer.visits
    return found


def cases(seed: int, visits: dict[str, Counter[Place]]) -> Iterator[Case]:
    """Every place with every error: at its first and at a drawn visit, in a drawn scene that comes to it; for ever.

    The first round holds every place once with every error; later rounds draw visits and scenes anew.
    """
    dice = random.Random(seed)
    places = sorted({place for found in visits.values() for place in found})
    while True:
        round_of = [
            (place, error) for place in places for error in ERRORS if error != "CancelledError" or place.kind == "await"
        ]
        dice.shuffle(round_of)
        for place, error in round_of:
            scene = dice.choice([name for name, found in visits.items() if place in found])
            yield Case(scene, place, dice.randint(1, visits[scene][place]), error, dice.random() < 0.1)


def all_awaits() -> set[tuple[str, int]]:
    """Every await of the rooms, whether a scene comes to it or not."""
    return {(str(path), line) for path in AWAITS_OF for line in awaits(path)}

"""One command after the other, each in a process of its own that was forked with everything loaded."""

from __future__ import annotations

import errno
import os
import signal
import sys
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import asyncssh

from orchestrator.act import actions, instrument, recovering
from orchestrator.act.journal import Journal
from orchestrator.cli import compare, recover, report, resume, run, running, show, suite_view, suites
from orchestrator.cli import main as cli_main
from orchestrator.lab.namespaces import die_with_parent
from orchestrator.report import making, suite
from orchestrator.report.terminal import print_matrix
from orchestrator.results import tables
from orchestrator.results.comparison import compare as comparing
from orchestrator.run_files import Folder
from tests.endings.cases import Accident
from tests.endings.machines import world
from tests.sim.fake_host import same_in_simulation
from tests.sim.fake_session import FakeWorld

# loaded here, once; a command takes longer to load than to run
LOADED = (
    asyncssh,
    compare,
    report,
    resume,
    run,
    show,
    suite_view,
    suites,
    making,
    suite,
    print_matrix,
    comparing,
    tables,
)
TIMEOUT_S = 90
Act = Callable[[], None]


@dataclass(frozen=True)
class Said:
    """What a command came to. `code` is below zero for a signal that killed it."""

    words: tuple[str, ...]
    code: int
    out: str
    err: str

    @property
    def text(self) -> str:
        """Both streams."""
        return f"{self.out}\n{self.err}"


class Desk:
    """A folder with hosts, plans and runs."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.runs, self.hosts = folder, folder / "runs", folder / "hosts"
        self.hosts.mkdir(parents=True)

    def linktrial(self, *words: object, accident: Accident | None = None) -> Said:
        """One command to its end."""
        files = [self.folder / name for name in ("said.out", "said.err")]
        texts = tuple(map(str, words))
        sys.stdout.flush()
        child = os.fork()
        if child == 0:
            _be_linktrial(texts, files, self.hosts, accident or Accident())
        status = _wait(child)
        return Said(texts, status, *(file.read_text(errors="replace") for file in files))


def _wait(child: int) -> int:
    timer = threading.Timer(TIMEOUT_S, os.kill, (child, signal.SIGKILL))
    timer.start()
    try:
        return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    finally:
        timer.cancel()
        timer.join()


def _be_linktrial(words: Sequence[str], files: Sequence[Path], hosts: Path, accident: Accident) -> None:
    status = 99
    try:
        die_with_parent()
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        for number, file in enumerate(files, 1):
            os.dup2(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), number)
        os.environ |= {"NO_COLOR": "1", "COLUMNS": "400"}
        there = world(hosts)
        _use(there)
        _arrange(accident, there)
        sys.argv = ["linktrial", *words]
        cli_main.main()
    except SystemExit as end:
        status = int(end.code or 0)
    except BaseException:
        import traceback

        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(status)


def _use(there: FakeWorld) -> None:
    """The simulated hosts in the place of SSH."""
    for module in (running, recover):
        module.opener = lambda plan, access, note=None: there.connect  # type: ignore[assignment,attr-defined]
    actions.same_value = same_in_simulation  # type: ignore[assignment]
    recovering.recover_host.__defaults__ = (same_in_simulation,)
    instrument.WINDOW_S, instrument.WARMUP_S = 0.05, 0.02
    making.charts.write_charts = _one_chart


def _one_chart(report: Any, folder: Folder) -> list[Path]:
    """Drawing takes a second; that a file is written is all that counts here."""
    folder.make()
    folder.write("one.svg", "<svg/>")
    return [folder.at("one.svg")]


def _arrange(accident: Accident, there: FakeWorld) -> None:
    """Count the points of the command, and let the accident happen at its own."""
    happens: dict[str, Act] = {
        "killed": lambda: os.kill(os.getpid(), signal.SIGKILL),
        "unreachable": lambda: _cut(there, accident.host),
        "disk full": _fill,
    }
    if accident.way == "busy":
        taken = {"run_id": "another-run", "holder": "somebody@desk (process 1)", "lease_s": 2.0}
        there.hosts[accident.host].do("lease.acquire", taken, _boottime_s())
        return
    act = happens.get(accident.way) or (lambda: _signal(accident) if accident.number else None)
    passed = [0]

    def point() -> None:
        passed[0] += 1
        if passed[0] == accident.point:
            act()

    append, fdopen = Journal.append, os.fdopen

    def counted_append(self: Journal, kind: str, body: dict[str, Any]) -> Any:
        point()
        return append(self, kind, body)

    def counted_fdopen(*args: Any, **more: Any) -> Any:
        point()
        return fdopen(*args, **more)

    Journal.append = counted_append  # type: ignore[method-assign]
    os.fdopen = counted_fdopen


def _boottime_s() -> float:
    import time

    return time.monotonic()


def _signal(accident: Accident) -> None:
    def send() -> None:
        os.kill(os.getpid(), accident.number)

    times = [accident.after_s] + ([accident.after_s + 0.05] if "twice" in accident.way else [])
    for after_s in times:
        if after_s:
            timer = threading.Timer(after_s, send)
            timer.daemon = True
            timer.start()
        else:
            send()


def _cut(there: FakeWorld, host: str) -> None:
    there.cut.add(host)
    there.lose_all(host)


def _fill() -> None:
    """Nothing can be written any more: journal, tables, report."""

    def full(*args: Any, **more: Any) -> Any:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    os.fdatasync = full
    os.replace = full

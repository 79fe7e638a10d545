"""Every command that reads a folder, one after the other in a process that was forked for it and is bounded."""

from __future__ import annotations

import contextlib
import gc
import json
import os
import resource
import signal
import sys
import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

from orchestrator.act.bundle import helper_bundle
from orchestrator.cli import if_changed, keep, main, recover, report, running, settings, show, survey
from orchestrator.faults import HostError
from orchestrator.lab.namespaces import die_with_parent
from orchestrator.report import making, public
from orchestrator.report.page import comparison as page_comparison
from orchestrator.report.public.look_again import our_words
from orchestrator.report.public.sentences import sentences
from orchestrator.results import openmetrics, parquet
from orchestrator.results.comparison import kernel_change
from orchestrator.results.statistics import resolution
from tests.endings import desk as loaded_by_desk
from tests.strangers.as_user import obey_permissions

LOADED = (
    keep,
    report,
    settings,
    show,
    page_comparison,
    public,
    kernel_change,
    openmetrics,
    parquet,
    resolution,
    loaded_by_desk,
)  # once, before anybody is forked
for _gathered_once_in_a_process in (our_words, sentences, helper_bundle):
    _gathered_once_in_a_process()  # now, or each forked process would do it again
gc.collect()
gc.freeze()  # what is loaded is never garbage: looking at it again would copy it into each forked process
TIMEOUT_S = 60  # of one command
INTERRUPTED_AFTER_S = 15.0
MOST_MEMORY_BYTES = 300 << 20
MOST_FILE_BYTES = 256 << 20
_ADDRESS_SPACE_BYTES = 1536 << 20  # beyond what there is: a net far above the bound that is measured
_STARTS = (
    "subprocess.Popen",
    "os.exec",
    "os.posix_spawn",
    "os.spawn",
    "os.system",
    "os.fork",
    "os.forkpty",
    "pty.spawn",
    "socket.connect",
    "socket.sendto",
    "ctypes.dlopen",
)


@dataclass(frozen=True)
class Said:
    """What one command came to; `code` is below zero for a signal that ended it."""

    words: tuple[str, ...]
    code: int
    out: str
    err: str
    started: tuple[str, ...] = ()  # programs and connections
    seconds: float = 0.0
    memory_bytes: int = 0  # beyond what was held before


def is_long(words: Sequence[str]) -> bool:
    """Whether a command reads whole tables or makes a report: most of the time of all goes there."""
    makes_one = words[0] in ("report", "compare", "recover", "resume")
    return makes_one or any(word in words for word in ("--doubt", "--no-doubt"))


def commands(folder: Path, good: Path, out: Path) -> list[tuple[str, ...]]:
    """Those that only read come first, as the others may mend what is broken."""
    plan, good_plan, survey_file = folder / "plan.yaml", good / "plan.yaml", folder / "survey-before.json"
    found = [
        ("show", folder),
        ("show", folder, "--json"),
        ("compare", good, "--with", folder),
        ("compare", folder, "--with", good, "--json", "--html", out / "c.html", "--markdown", out / "c.md"),
        ("compare", folder, "--keep", "stored", "--references", out / "references"),
        ("settings", "--for", folder, "1"),
        ("check", folder),
        ("check", good_plan, "--noise", folder),
        ("survey", plan),
        ("survey", good_plan, "--against", survey_file, "--json"),
        (
            "report",
            folder,
            "--out",
            out / "again",
            "--junit",
            out / "j.xml",
            "--openmetrics",
            out / "m.txt",
            "--parquet",
            out / "p",
        ),
        ("report", folder, "--public", "--out", out / "public"),
        ("run", folder, "--if-changed", "kernel", "--out", out / "runs"),
        ("run", good_plan, "--if-changed", "kernel", "--reference", folder, "--out", out / "runs"),
        ("report", folder),
        ("show", folder, "--doubt", "1", "--because", "x"),
        ("show", folder, "--no-doubt", "1"),
        ("recover", folder),
        ("resume", folder),
        ("resume", folder, "--replicates", "3"),
        ("run", folder, "--out", out / "runs"),
    ]
    return [tuple(map(str, words)) for words in found]


def told(asked: Sequence[tuple[str, ...]], scratch: Path, *, draws: bool = False) -> list[Said]:
    """What each of the commands came to; a process that is ended by one is forked anew for those after it."""
    answers: list[Said] = []
    while len(answers) < len(asked):
        before = len(answers)
        sys.stdout.flush()
        child = os.fork()
        if child == 0:
            _be_linktrial(asked, before, scratch, draws=draws)
        status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        answers += [
            _read(scratch / f"{place}.json", asked[place])
            for place in range(before, len(asked))
            if (scratch / f"{place}.json").exists()
        ]
        if len(answers) < len(asked):
            place = len(answers)
            texts = [
                (scratch / f"{place}.{stream}").read_text(errors="replace")
                if (scratch / f"{place}.{stream}").exists()
                else ""
                for stream in ("out", "err")
            ]
            answers.append(Said(asked[place], status if status < 0 else 99, texts[0], texts[1], (), TIMEOUT_S))
    return answers


def _read(file: Path, words: tuple[str, ...]) -> Said:
    said = json.loads(file.read_text())
    place = file.stem
    texts = [
        (file.parent / f"{place}.{stream}").read_bytes().decode(errors="surrogateescape") for stream in ("out", "err")
    ]
    return Said(words, said["code"], texts[0], texts[1], tuple(said["started"]), said["seconds"], said["memory_bytes"])


def _be_linktrial(asked: Sequence[tuple[str, ...]], first: int, scratch: Path, *, draws: bool) -> NoReturn:
    try:
        die_with_parent()
        obey_permissions()
        started = _watch_and_bound(draws=draws)
        for place in range(first, len(asked)):
            del started[:]
            for number, stream in ((1, "out"), (2, "err")):
                _put(scratch / f"{place}.{stream}", number)
            held = _forget_peak()
            began = os.times()
            signal.setitimer(signal.ITIMER_REAL, TIMEOUT_S)
            code = _one(asked[place])
            signal.setitimer(signal.ITIMER_REAL, 0)
            (scratch / f"{place}.json").write_text(
                json.dumps(
                    {
                        "code": code,
                        "started": list(started),
                        "seconds": os.times().elapsed - began.elapsed,
                        "memory_bytes": max(0, _memory("VmHWM") - held),
                    }
                )
            )
        os._exit(0)
    except BaseException:
        import traceback

        traceback.print_exc()
    os._exit(98)


def _put(file: Path, number: int) -> None:
    handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    os.dup2(handle, number)
    os.close(handle)


def _one(words: Sequence[str]) -> int:
    sys.argv = ["linktrial", *words]
    try:
        with _interrupted_after(INTERRUPTED_AFTER_S if words[0] in ("run", "resume", "recover") else 0.0):
            main.main()
    except SystemExit as end:
        return int(end.code or 0)
    except KeyboardInterrupt:  # the desk's own, later than the command's last word
        return 130
    except BaseException:
        import traceback

        traceback.print_exc()
        return 97
    finally:
        for stream in (sys.stdout, sys.stderr):
            with contextlib.suppress(OSError):
                stream.flush()
        signal.signal(signal.SIGALRM, signal.SIG_DFL)
    return 0


def _watch_and_bound(*, draws: bool) -> list[str]:
    """Hosts that refuse at once, bounds of the system's, and a list that fills with what was started."""
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    for module in (running, recover, if_changed, survey):
        module.opener = lambda plan, access, note=None: _refused  # type: ignore[assignment,attr-defined]
    if not draws:
        making.charts.write_charts = loaded_by_desk._one_chart
        space = _memory("VmSize") + _ADDRESS_SPACE_BYTES  # the engine that draws reserves more than it ever takes
        resource.setrlimit(resource.RLIMIT_AS, (space, space))
    resource.setrlimit(resource.RLIMIT_FSIZE, (MOST_FILE_BYTES, MOST_FILE_BYTES))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    started: list[str] = []

    def heard(event: str, args: tuple[Any, ...]) -> None:
        if event in _STARTS:
            started.append(f"{event} {str(args)[:200]}")

    sys.addaudithook(heard)
    return started


async def _refused(name: str, *_: object, **__: object) -> NoReturn:
    raise HostError("unreachable", f"{name}: connection refused", host=name)


@contextlib.contextmanager
def _interrupted_after(seconds: float) -> Iterator[None]:
    """A run that waits for its hosts as long as its plan says is interrupted, as by a person."""
    signal.signal(signal.SIGINT, signal.default_int_handler)
    timer = threading.Timer(seconds, os.kill, (os.getpid(), signal.SIGINT)) if seconds else None
    if timer:
        timer.daemon = True
        timer.start()
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        if timer:
            timer.cancel()
            timer.join()


def _forget_peak() -> int:
    """Let the system count the greatest memory from now on; what is held now."""
    Path("/proc/self/clear_refs").write_text("5")  # proc(5): resets the peak of resident memory
    return _memory("VmRSS")


def _memory(name: str) -> int:
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) << 10 for line in lines if line.startswith(name))

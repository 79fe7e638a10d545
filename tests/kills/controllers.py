"""Runs `linktrial` again and again in the controller's place of a lab, forked from one process that has it loaded.

Reads a line of JSON per command line: {"words": [...], "said": FILE, "stop_at": N or {...}, "before": bool}. Answers
with a line whenever something happens: "at N" when the command is about to write (`before`) or has just written the
N-th line of a journal, or the first with these words in its body, and waits there until it reads a line; "ended
STATUS" at the end. The lines "kill", "stop", "cont" and "interrupt" are signals.

Loading takes longer than a tiny run: that is all this is for. Tables and report are left out: they are made from the
journal, when the hosts are free already.
"""

from __future__ import annotations

import json
import os
import select
import signal
import sys
from typing import Any

import asyncssh

from orchestrator.act import instrument
from orchestrator.act.journal import Journal
from orchestrator.cli import main as cli_main
from orchestrator.cli import recover, resume, run, running
from orchestrator.lab.namespaces import die_with_parent

SIGNALS = {"kill": signal.SIGKILL, "stop": signal.SIGSTOP, "cont": signal.SIGCONT, "interrupt": signal.SIGINT}
LOADED = (asyncssh, recover, resume, run)  # once, here


def main() -> None:
    """One command line after the other."""
    running.finish_folder = lambda folder, **_: None
    instrument.WINDOW_S, instrument.WARMUP_S = 0.05, 0.02  # nobody looks at what the pair alone reaches
    while line := sys.stdin.readline():
        if not line.startswith("{"):
            continue  # a word for a command that ended at that very moment
        order = json.loads(line)
        hear, tell = os.pipe()
        go_on, let_go_on = os.pipe()
        child = os.fork()
        if child == 0:
            die_with_parent()
            os.close(hear)
            os.close(let_go_on)
            be_linktrial(order, tell, go_on)
        os.close(tell)
        os.close(go_on)
        _follow(child, hear, let_go_on)
        os.close(hear)
        os.close(let_go_on)


def _follow(child: int, hear: int, let_go_on: int) -> None:
    """Pass on what the command says and what it is told, until it has ended."""
    while True:
        ready, _, _ = select.select([hear, sys.stdin], [], [])
        if sys.stdin in ready:
            words = sys.stdin.readline().strip()
            if words in SIGNALS:
                os.kill(child, SIGNALS[words])
            else:
                os.write(let_go_on, b".")
        if hear in ready:
            said = os.read(hear, 100).decode()
            if not said:
                break
            print(said.strip(), flush=True)
    print("ended", os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)


def be_linktrial(order: dict[str, Any], tell: int, go_on: int) -> None:
    """The child: the command itself, with its words in a file."""
    said = os.open(order["said"], os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    nothing = os.open(os.devnull, os.O_RDONLY)
    os.dup2(nothing, 0)
    os.dup2(said, 1)
    os.dup2(said, 2)
    if order.get("stop_at"):
        _stop_at(order["stop_at"], bool(order.get("before")), tell, go_on)
    sys.argv = ["linktrial", *order["words"]]
    status = 1
    try:
        cli_main.main()
    except SystemExit as end:
        status = int(end.code or 0)
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(status)


def _stop_at(place: int | dict[str, Any], before: bool, tell: int, go_on: int) -> None:
    """Have the journal pause once, at its N-th line or at the first that says so; lines of intervals do not count."""
    append = Journal.append
    paused = False
    appended = 0

    def paused_append(journal: Journal, kind: str, body: dict[str, Any]) -> Any:
        nonlocal paused, appended
        appended += 1
        number = len(journal.entries_found) + appended
        here = (
            number == place
            if isinstance(place, int)
            else all({"kind": kind, **body}.get(key) == value for key, value in place.items())
        )
        here, paused = here and not paused, here or paused
        if here and before:
            _pause(number, tell, go_on)
        entry = append(journal, kind, body)
        if here and not before:
            _pause(number, tell, go_on)
        return entry

    Journal.append = paused_append  # type: ignore[method-assign]


def _pause(number: int, tell: int, go_on: int) -> None:
    os.write(tell, f"at {number}\n".encode())
    os.read(go_on, 1)


if __name__ == "__main__":
    main()

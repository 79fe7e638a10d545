"""One command against a hostile server, as a process of its own: how it ends, what it says, what memory it took."""

from __future__ import annotations

import asyncio
import os
import re
import subprocess
import sys
import time
from pathlib import Path

import yaml

from tests.act.hostile_server import hostile_server

# No command waits for a host for longer than 30 s to log in and 30 s for the survey; a recovery's bound is its own.
BOUNDS_S = {"trust": 60.0, "survey": 100.0, "run": 130.0, "recover": 60.0}
COMMANDS = tuple(BOUNDS_S)
CODES = {"trust": {0, 3}, "survey": {0, 1, 3, 4}, "run": {3, 4, 5, 6}, "recover": {0, 3, 4, 5}}
MOST_BYTES = 300e6
RAW = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")
# The same command, which gives up a silent host sooner: what is waited for is a bound of our own, and not the subject.
HASTY = """
import sys
memory = sys.argv.pop(1)
def note_memory():  # of this program alone: what resource tells counts the one that it was started by as well
    with open(memory, "w") as file:
        file.write(next(line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM")))
import atexit
atexit.register(note_memory)
from orchestrator.act import login, recovering, session, surveying
from orchestrator.cli import access
access.CONNECT_TIMEOUT_S = float(sys.argv.pop(1))
for room, names in ((session, ("ANSWER_GRACE_S",)), (recovering, ("TIMEOUT_S", "LOCK_PATIENCE_S")),
                    (surveying, ("_SURVEY_TIMEOUT_S",))):
    for name in names:
        assert hasattr(room, name), name
        setattr(room, name, access.CONNECT_TIMEOUT_S)
from orchestrator.cli.main import main
main()
"""
HASTY_S = 3.0
PLAN = {
    "plan": "night",
    "hosts": {name: {"ssh": "box", "privilege": "none"} for name in ("dome", "hall")},
    "links": {"uplink": {"under_test": "dome eth1", "far": "hall eth1", "rate": "1Gbit/s"}},
    "factors": {"streams": [1, 2]},
    "trial": {"length": "1s", "replicates": 1},
    "lease": "5s",
    "patience": "1s",
}


async def play(folder: Path, command: str, step: str, seed: int) -> list[str]:
    """What did not hold; [] when all did."""
    async with hostile_server(folder, step, seed) as server:
        config = server.configuration(server.known_line() if command != "trust" else "")
        plan = folder / "plan.yaml"
        plan.write_text(yaml.safe_dump(PLAN))
        words = {
            "trust": ["box"],
            "survey": ["box"],
            "run": [str(plan), "--out", str(folder / "runs")],
            "recover": [str(plan)],
        }[command]
        memory = folder / "memory-kib"
        argv = [sys.executable, "-c", HASTY, str(memory), str(HASTY_S), command, *words, "--ssh-config", config]
        return await asyncio.to_thread(_run, argv, command, memory)


def _run(argv: list[str], command: str, memory: Path) -> list[str]:
    began = time.monotonic()
    process = subprocess.Popen(
        argv,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, "NO_COLOR": "1"},
    )
    try:
        out, err = process.communicate(timeout=BOUNDS_S[command])
    except subprocess.TimeoutExpired:
        process.kill()
        process.communicate()
        return [f"did not end within {BOUNDS_S[command]:g} s"]
    text = (out + err).decode("utf-8", "replace")
    problems = []
    if process.returncode not in CODES[command]:
        problems.append(f"exit code {process.returncode}: {text[-400:]!r}")
    if "Traceback" in text or "our own fault" in text:
        problems.append(f"a fault of ours: {text[-600:]!r}")
    if found := RAW.search(text):
        problems.append(f"raw {found.group()!r} in {text[max(0, found.start() - 80) : found.end() + 40]!r}")
    if not text.strip():
        problems.append("not a word")
    if len(text) > 60_000:
        problems.append(f"{len(text)} characters were said")
    most = 1024 * int(memory.read_text())
    if most > MOST_BYTES:
        problems.append(f"{most / 1e6:.0f} MB after {time.monotonic() - began:.0f} s")
    return problems

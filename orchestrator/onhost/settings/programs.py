"""Run one program from an argument list: no shell, a fixed environment, bounded in time and output."""

from __future__ import annotations

import contextlib
import os
import select
import signal
import subprocess
import time
from typing import List

from orchestrator.onhost.settings.kernel import Outcome
from orchestrator.onhost.system.process import die_with_parent

_ENVIRONMENT = {"PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL": "C", "HOME": "/"}
MOST_OUTPUT_BYTES = 1 << 16


def run_program(arguments: List[str], timeout_s: float) -> Outcome:
    """Run it to its end, or end it and all it started when it takes longer or says more than it may.

    Raises OSError when there is no such program or it cannot be started.
    """
    caller = os.getpid()

    def belong_to_caller() -> None:
        # a group of its own, to be ended as a whole, but the caller's session, by which it is found when the caller
        # itself is killed; a caller that is killed takes it along
        os.setpgid(0, 0)
        die_with_parent(caller)

    process = subprocess.Popen(
        arguments,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=_ENVIRONMENT,
        cwd="/",
        close_fds=True,
        preexec_fn=belong_to_caller,  # noqa: PLW1509 - a job has one thread
    )
    assert process.stdout is not None, "asked for above"
    assert process.stderr is not None, "asked for above"
    texts = {process.stdout.fileno(): bytearray(), process.stderr.fileno(): bytearray()}
    until = time.monotonic() + timeout_s
    try:
        too_late, too_much = _collect(texts, until)
        if not too_late and not too_much:
            too_late = _outlasts(process, until)
    finally:
        # its group is its own: whatever it left running goes with it
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        process.stdout.close()
        process.stderr.close()
    output, complaint = (bytes(text).decode("utf-8", "backslashreplace") for text in texts.values())
    return Outcome(process.returncode, output, complaint, too_late, too_much)


def _collect(texts: dict[int, bytearray], until: float) -> tuple[bool, bool]:
    """Read both ends until they close; whether the time, and whether the room, ran out."""
    pending = set(texts)
    while pending:
        ready, _, _ = select.select(list(pending), [], [], max(0.0, until - time.monotonic()))
        if not ready:
            return True, False
        for handle in ready:
            part = os.read(handle, 4096)
            if not part:
                pending.discard(handle)
            texts[handle] += part
            if len(texts[handle]) > MOST_OUTPUT_BYTES:
                del texts[handle][MOST_OUTPUT_BYTES:]
                return False, True
    return False, False


def _outlasts(process: subprocess.Popen[bytes], until: float) -> bool:
    """Whether the program still runs at its timeout although it closed its outputs."""
    try:
        process.wait(max(0.0, until - time.monotonic()))
    except subprocess.TimeoutExpired:
        return True
    return False

"""Run one step in a process of its own, so that a driver stuck in the kernel holds up nothing but itself."""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import time
from typing import Callable, Tuple, TypeVar, cast

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.system.process import close_all_but, die_with_parent

Found = TypeVar("Found")


def run_bounded(step: Callable[[], Found], timeout_s: float) -> Found:
    """What `step` returns, as JSON carries it, computed in a forked child; Refusal "stuck" when it takes longer.

    A Refusal of the step is raised here; any other exception, the child's death, or a host at its limit of processes,
    as Refusal "failed": whoever restores a host goes on with the next place.
    """
    child, readable = _start(step)
    try:
        answer = _read_until_end(readable, time.monotonic() + timeout_s)
    finally:
        os.close(readable)
        with contextlib.suppress(ProcessLookupError):
            os.kill(child, signal.SIGKILL)
        _reap(child)
    if answer is None:
        raise Refusal("stuck", f"it did not end within {timeout_s:g} s", timeout_s=timeout_s)
    try:
        kind, value = json.loads(answer)
    except ValueError:
        raise Refusal("failed", "the process doing it died") from None
    if kind == "refusal":
        raise Refusal(value["code"], value["message"], **value["values"])
    return cast("Found", value)  # as the step returned it: its process is our own fork


def _start(step: Callable[[], object]) -> Tuple[int, int]:
    """The child, and the end of the pipe to read its answer from."""
    parent = os.getpid()
    ends: Tuple[int, ...] = ()
    try:
        ends = os.pipe()
        child = os.fork()
    except OSError as error:
        for end in ends:
            os.close(end)
        raise Refusal("failed", f"the process doing it could not be started: {error.strerror}") from error
    readable, writable = ends
    if child == 0:
        os.close(readable)
        _answer(parent, writable, step)
    os.close(writable)
    return child, readable


def _answer(parent: int, writable: int, step: Callable[[], object]) -> None:
    code = 1
    try:
        die_with_parent(parent)
        # Above all the host's lock: a child that is stuck in the kernel outlives its parent, whatever kills both.
        close_all_but({0, 1, 2, writable})
        try:
            answer = ["value", step()]
        except Refusal as refusal:
            answer = ["refusal", refusal.as_dict()]
        except Exception as error:  # whatever goes wrong with one step must not stop the others
            answer = ["refusal", Refusal("failed", f"{type(error).__name__}: {error}").as_dict()]
        with os.fdopen(writable, "w", encoding="utf-8") as handle:
            json.dump(answer, handle)
        code = 0
    finally:
        os._exit(code)


def _read_until_end(readable: int, until: float) -> str | None:
    """All that the child wrote; None when it had not ended by then."""
    parts: list[bytes] = []
    while True:
        ready, _, _ = select.select([readable], [], [], max(0.0, until - time.monotonic()))
        if not ready:
            return None
        part = os.read(readable, 65536)
        if not part:
            return b"".join(parts).decode("utf-8")
        parts.append(part)


def _reap(child: int) -> None:
    """Collect the child; one that is stuck in the kernel is left for init after a moment."""
    for _ in range(100):
        with contextlib.suppress(ChildProcessError):
            if os.waitpid(child, os.WNOHANG)[0] == 0:
                time.sleep(0.001)
                continue
        return

"""The plan's own command that switches a host's power: run here, as a list of arguments, never through a shell."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal

from orchestrator.decide.setup import PowerSwitch
from orchestrator.faults import HostError
from orchestrator.words.plain_text import visible

COMMAND_TIMEOUT_S = 120.0  # a switch may wait between off and on
_MOST_SAID = 300


async def switch_power(switch: PowerSwitch, timeout_s: float = COMMAND_TIMEOUT_S) -> None:
    """Run the command to its end; HostError when it cannot be run, fails, or takes longer than `timeout_s` seconds."""
    try:
        process = await asyncio.create_subprocess_exec(
            *switch.command,
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.STDOUT,
            start_new_session=True,
        )
    except OSError as error:
        raise _failed(switch, f"cannot be run: {error.strerror or error}") from error
    try:
        said, _ = await asyncio.wait_for(process.communicate(), timeout_s)
    except TimeoutError:
        raise _failed(switch, f"had not ended after {timeout_s:g} s and was killed") from None
    finally:
        await _end(process)
    if process.returncode:
        words = visible(said[-_MOST_SAID:].decode(errors="replace").strip())
        raise _failed(switch, f"ended with {process.returncode}: {words or 'it said nothing'}")


async def _end(process: asyncio.subprocess.Process) -> None:
    """The command and what it started, if it still runs; it has a session of its own."""
    if process.returncode is None:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        await process.wait()


def _failed(switch: PowerSwitch, why: str) -> HostError:
    return HostError(
        "power_cycle",
        f"{switch.host}: the command that switches its power, {switch.command[0]}, {why}",
        host=switch.host,
        command=list(switch.command),
        next_step=f"try the command by hand; start {switch.host}, then resume the run",
    )

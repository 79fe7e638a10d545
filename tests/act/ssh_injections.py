"""Errors raised at every await and every function of the rooms that speak SSH, against real servers on loopback.

The simulation has sessions of its own, so that `tests.sim.injections` does not come to these. Here a scene logs in,
starts the real helper, talks to it and closes; one error is raised at one visit of one place. It must end in bounded
time, raise what was raised (or end the session by it), and leave neither a helper nor a task of ours behind.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import itertools
import os
import random
import signal
import socket
import sys
from collections import Counter
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from pathlib import Path
from typing import Any

from orchestrator.act import session as sessions
from orchestrator.act.login import shown_key
from orchestrator.act.session import HostSession, connect
from orchestrator.faults import HostError
from tests.act.local_server import BOX, LocalServer, local_server
from tests.sim.injections import ERRORS, ROOT, Case, Place, Tracer, awaits, chain

ROOMS = tuple(ROOT / "act" / name for name in ("session.py", "channel.py", "login.py"))
LONGEST_S = 40.0  # every wait of a scene has a bound of its own below that
WAIT_S = 10.0
# A host's or the network's errors mean something to a login, and may be told in words of ours; these never do.
NEVER_MEANT = ("Exception", "KeyError", "BugError")
GONE_WITHIN_S = 5.0
Scene = Callable[[LocalServer], Awaitable[None]]


@contextlib.asynccontextmanager
async def _opened(server: LocalServer, known: str | None = None, more: str = "") -> AsyncIterator[HostSession]:
    config = server.configuration(server.known_line() if known is None else known, more)
    made = await connect(BOX, ssh_config=config, timeout_s=WAIT_S)
    try:
        yield made
    finally:
        await made.close()


async def talk(server: LocalServer) -> None:
    """Questions, a refusal, a job that tells, one that is cancelled, a link that is shared, a heartbeat."""
    async with _opened(server) as made:
        await made.request("clock", timeout_s=WAIT_S)
        with _expected("bad_request"):
            await made.request("lease.renew", {"token": 0, "lease_s": 10}, timeout_s=WAIT_S)
        job = made.start("path.answer", _path_args(), timeout_s=WAIT_S)
        await job.event(WAIT_S)
        await asyncio.sleep(0.1)  # heartbeats
        made.share_link(None)
        made.share_link(None, over=True)
        assert made.peer_address
        assert made.waiting_bytes == 0
        await job.cancel()
        await job.next_event()
        with _expected("cancelled"):
            await job.result()
        told = made.start("path.answer", _path_args(), timeout_s=WAIT_S)
        await told.event(WAIT_S)
        await told.tell({"enough": True})
        await told.result()


async def helper_killed(server: LocalServer) -> None:
    async with _opened(server) as made:
        waiting = asyncio.ensure_future(made.request("clock", timeout_s=WAIT_S))
        await waiting
        os.kill(made.facts_of_start["pid"], signal.SIGKILL)
        await asyncio.wait_for(made.lost.wait(), WAIT_S)
        with _expected("lost"):
            await made.request("clock", timeout_s=WAIT_S)


async def through_a_jump(server: LocalServer) -> None:
    async with _opened(server, more="  ProxyJump jumper\n" + _as_jumper(server)) as made:
        await made.request("clock", timeout_s=WAIT_S)
        assert not made.peer_address


async def unknown_key(server: LocalServer) -> None:
    with _expected("host_key_unknown"):
        async with _opened(server, known="\n"):
            pass


async def key_shown(server: LocalServer) -> None:
    await shown_key(BOX, ssh_config=server.configuration(""), timeout_s=WAIT_S)


async def no_helper(server: LocalServer) -> None:
    """What is started is none of ours, and says much before it ends."""
    (server.folder / "bin").mkdir(exist_ok=True)
    python = server.folder / "bin" / "python3"
    python.write_text("#!/bin/sh\necho no; exit 3\n")
    python.chmod(0o755)
    with _expected(""):
        async with _opened(server):
            pass


SCENES: dict[str, Scene] = {
    scene.__name__: scene for scene in (talk, helper_killed, through_a_jump, unknown_key, key_shown, no_helper)
}


@contextlib.contextmanager
def _expected(code: str) -> Iterator[None]:
    """A HostError of this code ("" for any) is what the scene is about; that it does not come, or another, is not."""
    try:
        yield
    except HostError as error:
        if code not in ("", error.code):
            raise
        return
    raise AssertionError(f"nothing was refused with {code or 'any code'}")


def _as_jumper(server: LocalServer) -> str:
    """The same server under another name, to come through."""
    lines = Path(server.configuration(server.known_line())).read_text()
    return lines.replace("Host box", "Host jumper")


def _path_args() -> dict[str, Any]:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    ends = {"interface": "lo", "local": "127.0.0.1", "peer": "127.0.0.1", "family": 4}
    return {"token": "ab" * 32, **ends, "port": port, "mtu": 1500, "small_first_timeout_s": WAIT_S}


async def _play(folder: Path, scene: str, case: Case | None) -> tuple[list[str], Tracer]:
    """(what was not as promised, what was visited) of one scene."""
    problems: list[str] = []
    unhandled: list[BaseException] = []
    loop = asyncio.get_running_loop()
    environment = {"PATH": f"{folder}/bin:/usr/bin:/bin", "HOME": str(folder)} if scene == "no_helper" else None
    async with local_server(folder, environment=environment) as server:
        loop.set_exception_handler(lambda _, context: unhandled.append(context.get("exception") or Exception()))
        before = asyncio.all_tasks()
        tracer, ended, began = Tracer(case, ROOMS, ROOMS), None, loop.time()
        with tracer:
            task = asyncio.ensure_future(SCENES[scene](server))
            done, _ = await asyncio.wait({task}, timeout=LONGEST_S)
        if not done:
            problems.append(f"no end after {loop.time() - began:.0f} s")
            task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            ended = (await asyncio.gather(task, return_exceptions=True))[0]
        problems += [f"left behind: {one}" for one in await _left_behind(server, before)]
    gc.collect()  # a task that died with an error that nobody took says so now
    if tracer.raised is not None and case is not None and case.error in NEVER_MEANT:
        met = [ended, *unhandled]
        if not any(tracer.raised in chain(one) for one in met if isinstance(one, BaseException)):
            problems.append(f"the error is lost: the scene came to {ended!r}")
    elif tracer.raised is None and ended is not None:
        problems.append(f"undisturbed, it came to {ended!r}")
    return problems, tracer


async def _left_behind(server: LocalServer, before: set[asyncio.Task[Any]]) -> list[str]:
    until = asyncio.get_running_loop().time() + GONE_WITHIN_S
    while True:
        helpers = [child.pid for child in server.children if child.returncode is None]
        ours = [
            task.get_coro().__qualname__  # type: ignore[union-attr] # of a coroutine of ours
            for task in asyncio.all_tasks() - before
            if any(str(room) in str(getattr(task.get_coro(), "cr_code", "")) for room in ROOMS)
        ]
        if not helpers and not ours:
            return []
        if asyncio.get_running_loop().time() > until:
            return [*(f"helper {pid}" for pid in helpers), *(f"task {name}" for name in ours)]
        await asyncio.sleep(0.02)


def play(folder: Path, scene: str, case: Case | None = None) -> tuple[list[str], Tracer]:
    """A scene with an error in it, or none; (what was not as promised, what was visited)."""
    folder.mkdir(parents=True)
    sessions.HEARTBEAT_S, real = 0.04, sessions.HEARTBEAT_S
    try:
        return asyncio.run(_play(folder, scene, case))
    finally:
        sessions.HEARTBEAT_S = real
        sys.settrace(None)


def reached(folder: Path) -> dict[str, Counter[Place]]:
    """Scene -> the places it comes to, and how often."""
    found = {}
    for scene in SCENES:
        problems, tracer = play(folder / scene, scene)
        assert problems == [], (scene, problems)
        found[scene] = tracer.visits
    return found


def cases(seed: int, visits: dict[str, Counter[Place]]) -> Iterator[Case]:
    """Every place with every error at a drawn visit in a drawn scene that comes to it; for ever."""
    dice = random.Random(seed)
    places = sorted({place for found in visits.values() for place in found})
    for _ in itertools.count():
        drawn = [(place, error) for place in places for error in ERRORS if error != "CancelledError"]
        dice.shuffle(drawn)
        for place, error in drawn:
            scene = dice.choice([name for name, found in visits.items() if place in found])
            yield Case(scene, place, dice.randint(1, visits[scene][place]), error)


def all_awaits() -> set[tuple[str, int]]:
    """Every await of the rooms, whether a scene comes to it or not."""
    return {(str(path), line) for path in ROOMS for line in awaits(path)}

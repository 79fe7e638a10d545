"""An SSH server that does as a script says at one step: stalls, closes, floods, says something else, paints.

Two layers: `raw` speaks before there is any key exchange, on a plain socket; the rest is asyncssh's server with our own
process in the helper's place, which can also be the real helper up to a step.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
import struct
import zlib
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path
from typing import Any

import asyncssh

from orchestrator.act.bundle import MARKER
from tests.act.local_server import LocalServer
from tests.borders.mutations import ESCAPES, mutated, text_of
from tests.borders.scripted import ANSWERS, frame

PAINT = ESCAPES.encode("utf-8", "surrogateescape")
RAW_STEPS = (
    "silent",
    "close",
    "paint",
    "flood",
    "version then silence",
    "version then close",
    "version then garbage",
    "huge version",
    "other protocol",
)
AUTH_STEPS = ("refuse all", "stall", "banner", "disconnect")
CHANNEL_STEPS = (
    "refuse",
    "stall",
    "exit",
    "paint",
    "flood stdout",
    "flood stderr",
    "octet by octet",
    "marker only",
    "marker and garbage",
    "marker and huge frame",
    "marker and half a frame",
    "odd marker",
    "signal",
)
HELPER_STEPS = (
    "odd hello",
    "no hello",
    "stall at a verb",
    "close at a verb",
    "mutated answers",
    "flood of events",
    "frames without end",
    "answers nobody asked for",
    "painted errors",
)
STEPS = (
    *(f"raw: {one}" for one in RAW_STEPS),
    *(f"auth: {one}" for one in AUTH_STEPS),
    *(f"channel: {one}" for one in CHANNEL_STEPS),
    *(f"helper: {one}" for one in HELPER_STEPS),
)
MARK = f"{MARKER} 3.11.2 -\n".encode()
HELLO = {"id": 0, "kind": "hello", "body": {"code": "x", "pid": 7, "uid": 0, "verbs": [], "python": "3.11.2"}}
Session = asyncssh.SSHServerProcess[bytes]


@contextlib.asynccontextmanager
async def hostile_server(folder: Path, step: str, seed: int = 1) -> AsyncIterator[LocalServer]:
    """Serve by this script until the block ends."""
    key, user = (asyncssh.generate_private_key("ssh-ed25519") for _ in range(2))
    (folder / "user_key").write_bytes(user.export_private_key())
    (folder / "user_key").chmod(0o600)
    served, dice = LocalServer(folder, 0, [key]), random.Random(seed)
    layer, _, what = step.partition(": ")
    if layer == "raw":
        listener: Any = await asyncio.start_server(_raw(what, dice), "127.0.0.1", 0)
        served.port = listener.sockets[0].getsockname()[1]
    else:
        listener = await asyncssh.listen(
            "127.0.0.1",
            0,
            server_host_keys=[key],
            server_factory=lambda: _Server(what if layer == "auth" else ""),
            authorized_client_keys=asyncssh.import_authorized_keys(user.export_public_key().decode()),
            process_factory=_process(layer, what, dice),
            encoding=None,
        )
        served.port = listener.get_port()
    try:
        yield served
    finally:
        listener.close()
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(listener.wait_closed(), 2)


def _raw(what: str, dice: random.Random) -> Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]:
    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        says = {
            "paint": PAINT + b"\r\n",
            "flood": b"x" * 65536,
            "huge version": b"SSH-2.0-" + b"v" * 100_000,
            "other protocol": b"HTTP/1.1 400 Bad Request\r\nX: " + PAINT + b"\r\n\r\n",
        }.get(what, b"SSH-2.0-OpenSSH_9 " + PAINT.replace(b"\r\n", b"") + b"\r\n" if "version" in what else b"")
        with contextlib.suppress(OSError):
            writer.write(says)
            await writer.drain()
            for _ in range(400 if what == "flood" else 0):
                writer.write(dice.randbytes(65536))
                await writer.drain()
            if "garbage" in what:
                writer.write(dice.randbytes(5000))
                await writer.drain()
            if what in ("silent", "version then silence"):
                await reader.read()  # until the other end has given up
        writer.close()

    return serve


class _Server(asyncssh.SSHServer):
    def __init__(self, what: str) -> None:
        self._what = what
        self._connection: asyncssh.SSHServerConnection | None = None

    def connection_made(self, conn: asyncssh.SSHServerConnection) -> None:
        """As asyncssh says."""
        self._connection = conn

    async def begin_auth(self, username: str) -> bool:  # type: ignore[override] # asyncssh takes both
        """The step before anybody has logged in."""
        assert self._connection is not None
        if self._what == "stall":
            await asyncio.sleep(3600)
        if self._what in ("banner", "refuse all"):
            for _ in range(20):
                self._connection.send_auth_banner(ESCAPES + "x" * 20_000)
        if self._what == "disconnect":
            self._connection.disconnect(asyncssh.DISC_BY_APPLICATION, ESCAPES)
        return True

    def public_key_auth_supported(self) -> bool:
        """Nobody is let in where all are refused."""
        return self._what != "refuse all"


def _process(layer: str, what: str, dice: random.Random) -> Callable[[Session], Awaitable[None]]:
    async def run(process: Session) -> None:
        try:
            await (_channel(process, what, dice) if layer == "channel" else _helper(process, what, dice))
        except (OSError, asyncssh.Error, asyncio.IncompleteReadError):
            return

    return run


async def _channel(process: Session, what: str, dice: random.Random) -> None:
    out, err = process.stdout, process.stderr
    if what == "refuse":
        process.exit(1)
    elif what == "exit":
        out.write(PAINT)
        process.exit(77)
    elif what == "signal":
        process.exit_with_signal("KILL", False, ESCAPES)
    elif what in ("flood stdout", "flood stderr"):
        while True:
            stream = out if what == "flood stdout" else err
            stream.write(PAINT * 500)
            await stream.drain()
    elif what == "octet by octet":
        for _ in range(3000):
            out.write(b"x")
            await out.drain()
    elif what == "paint":
        out.write(PAINT * 20)
        err.write(PAINT * 20)
    elif what.startswith("marker") or what == "odd marker":
        out.write(MARKER.encode() + b" 9.99.999 " + b"m" * 300 + b"\n" if what == "odd marker" else MARK)
        head = struct.pack(">II", 1 << 31, 0)
        out.write(
            {
                "marker and garbage": dice.randbytes(4000),
                "marker and huge frame": head + struct.pack(">I", zlib.crc32(head)),
                "marker and half a frame": frame(text_of(HELLO, random.Random(0)))[:-4],
            }.get(what, b"")
        )
    if not process.is_closing():
        await asyncio.sleep(3600)


async def _helper(process: Session, what: str, dice: random.Random) -> None:
    from orchestrator.act.bundle import helper_bundle
    from orchestrator.onhost.service.frames import FrameReader

    out = process.stdout
    out.write(MARK)
    await process.stdin.readexactly(len(helper_bundle().blob))
    hello = mutated(HELLO, dice) if what == "odd hello" else HELLO
    if what == "no hello":
        await asyncio.sleep(3600)
    out.write(frame(text_of(hello, random.Random(0))))
    reader, seen = FrameReader(), 0
    while data := await process.stdin.read(65536):
        for message in reader.feed(data):
            if "verb" in message:
                seen += 1
                await _answer(process, what, message, seen, dice)


async def _answer(process: Session, what: str, message: dict[str, Any], seen: int, dice: random.Random) -> None:
    out, verb, number = process.stdout, message["verb"], message["id"]
    if what == "stall at a verb" and seen >= 2:
        return
    if what == "close at a verb" and seen >= 2:
        process.exit(3)
        return
    if what in ("flood of events", "answers nobody asked for", "frames without end"):
        asked = what != "answers nobody asked for"
        body = {"id": number if asked else 10**9, "kind": "event", "body": {"x": "y" * 10**6}}
        octets = frame(text_of(body, random.Random(0)))
        for _ in range(300):
            out.write(octets)
            await out.drain()
    if what == "painted errors":
        error = {"code": "odd", "message": ESCAPES * 3, "values": {"x": ESCAPES}}
        body = {"id": number, "kind": "error", "error": error}
        out.write(frame(text_of(body, random.Random(0))))
        return
    for one in ANSWERS.get(verb, [])[:1]:
        content = mutated(one["content"], dice) if what == "mutated answers" else one["content"]
        out.write(frame(text_of({"id": number, "kind": one["kind"], "body": content}, random.Random(0))))

"""One SSH channel to a helper: the start marker is found among a profile's noise, then frames go both ways.

The end of the helper is its exit status, not the end of its output: a profile's background job keeps the output
open for as long as it likes.
"""

from __future__ import annotations

import asyncio
import functools
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import asyncssh

from orchestrator.act.bundle import MARKER
from orchestrator.onhost.service.frames import FrameError, FrameReader, encode
from orchestrator.stored import Json

NOISE_LIMIT_BYTES = 256 * 1024
DIAGNOSTICS_LIMIT_BYTES = 16 * 1024
_START = re.compile(
    re.escape(MARKER.encode()) + rb" ([0-9]{1,4}\.[0-9]{1,4}\.[0-9]{1,4}) ([A-Za-z0-9_,.]{1,400}|-)\r?\n"
)
_LONGEST_START = len(MARKER) + 450
_KEPT_NOISE_BYTES = 16 * 1024  # for saying what came instead


@dataclass
class Seen:
    """What a start has shown so far; the evidence for saying why it failed."""

    output: bytes = b""
    diagnostics: bytes = b""
    exit_status: int | None = None
    signal: str = ""
    closed: bool = False
    lost: str = ""
    python: str = ""
    missing: tuple[str, ...] = ()
    damage: str = ""
    bug: Exception | None = None  # an error of ours, met while what the host says was taken


def _met_here(heard: Callable[..., None]) -> Callable[..., None]:
    """An error of ours ends the session as what it is; asyncssh would take it for the end of the connection."""

    @functools.wraps(heard)
    def guarded(channel: Channel, *what: Any) -> None:
        try:
            heard(channel, *what)
        except Exception as error:
            channel.seen.bug = channel.seen.bug or error
            channel.close()

    return guarded


@dataclass
class Channel(asyncssh.SSHClientSession[bytes]):
    """The session object that asyncssh calls; everything is bytes."""

    on_message: Callable[[Json, int], None]  # the message, and about what it may take in memory, bytes
    on_end: Callable[[], None]
    seen: Seen = field(default_factory=Seen)
    started: asyncio.Event = field(default_factory=asyncio.Event)
    ended: asyncio.Event = field(default_factory=asyncio.Event)
    _frames: FrameReader = field(default_factory=FrameReader)
    _channel: asyncssh.SSHClientChannel[bytes] | None = None
    _noise: bytearray = field(default_factory=bytearray)  # output before the marker

    def connection_made(self, chan: asyncssh.SSHClientChannel[bytes]) -> None:
        """The channel is open."""
        self._channel = chan

    @_met_here
    def data_received(self, data: bytes, datatype: asyncssh.DataType) -> None:
        """Output of the helper, or of whatever the login shell runs before it."""
        if datatype == asyncssh.EXTENDED_DATA_STDERR:
            self.seen.diagnostics = (self.seen.diagnostics + data)[-DIAGNOSTICS_LIMIT_BYTES:]
        elif not self.started.is_set():
            self._look_for_start(data)
        elif not self.ended.is_set():
            self._feed(data)

    def send(self, message: Json) -> None:
        """One frame to the helper; FrameError when it is too large."""
        self.send_code(encode(message))

    def send_code(self, blob: bytes) -> None:
        """Bytes as they are: the code, right after the marker."""
        if self._channel is not None and not self.ended.is_set():
            self._channel.write(blob)

    def close(self) -> None:
        """End the helper by ending its input, and the channel with it."""
        if self._channel is not None:
            self._channel.abort()
        self._end()

    @_met_here
    def exit_status_received(self, status: int) -> None:
        """The helper, or what ran in its place, has ended."""
        self.seen.exit_status = status
        self._end()

    @_met_here
    def exit_signal_received(self, signal: str, core_dumped: bool, msg: str, lang: str) -> None:  # noqa: ARG002 - theirs
        """The helper, or what ran in its place, was killed."""
        self.seen.signal = signal
        self._end()

    @_met_here
    def connection_lost(self, exc: Exception | None) -> None:
        """The channel is closed, with its connection or alone."""
        self.seen.closed = True
        if exc is not None:
            self.seen.lost = str(exc)
        self._end()

    def _look_for_start(self, data: bytes) -> None:
        looked_at = max(0, len(self._noise) - _LONGEST_START)  # octet by octet, all of it each time would take minutes
        self._noise += data
        found = None if self.ended.is_set() else _START.search(self._noise, looked_at)
        if found is None:
            del self._noise[: -NOISE_LIMIT_BYTES - 1]
            self.seen.output = bytes(self._noise[-_KEPT_NOISE_BYTES:])
            if len(self._noise) > NOISE_LIMIT_BYTES and not self.ended.is_set():
                self.damaged(f"more than {NOISE_LIMIT_BYTES} bytes came before the helper's start marker")
            return  # last words may come after the exit status that they explain
        self.seen.python = found[1].decode()
        self.seen.missing = () if found[2] == b"-" else tuple(found[2].decode().split(","))
        rest = bytes(self._noise[found.end() :])
        self.seen.output = bytes(self._noise[: found.start()][-_KEPT_NOISE_BYTES:])
        self._noise.clear()
        self.started.set()
        self._feed(rest)

    def _feed(self, data: bytes) -> None:
        try:
            for message in self._frames.feed(data):
                self.on_message(message, self._frames.weight_bytes)
                if self.ended.is_set():
                    return
        except FrameError as error:
            self.damaged(str(error))

    def damaged(self, why: str) -> None:
        """End it all, because what comes is none of ours."""
        self.seen.damage = why
        self.close()

    def _end(self) -> None:
        if not self.ended.is_set():
            self.ended.set()
            self.on_end()

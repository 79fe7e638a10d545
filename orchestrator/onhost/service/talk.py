"""A job's conversation with the controller, through the helper that forked it."""

from __future__ import annotations

import select
import socket
import time
from typing import List, Mapping

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.service.frames import FrameError, FrameReader, Message, encode

_UNSENT_LIMIT_BYTES = 1024 * 1024  # at a few kB a second, minutes of a controller that takes nothing


class Talk:
    """What a job is given to report events and to wait for what the controller tells it."""

    def __init__(self, line: socket.socket) -> None:
        self._line = line
        self._reader = FrameReader()
        self._told: List[Message] = []
        self._unsent = bytearray()  # of what was offered, all in order

    def event(self, body: Mapping[str, object]) -> None:
        """Report something while the job goes on."""
        self.send("event", body)

    def offer(self, body: Mapping[str, object]) -> bool:
        """Report something without ever waiting; False when so much is unsent that this was dropped."""
        self.push()
        frame = encode({"kind": "event", "body": body})
        if self._unsent and len(self._unsent) + len(frame) > _UNSENT_LIMIT_BYTES:
            return False
        self._unsent += frame
        self.push()
        return True

    def push(self) -> None:
        """Send what the line takes of what was offered."""
        while self._unsent:
            try:
                sent = self._line.send(self._unsent[:65536], socket.MSG_DONTWAIT)
            except BlockingIOError:
                return
            del self._unsent[:sent]

    def wait(self, timeout_s: float) -> Message:
        """The next message the controller tells this job; Refusal "not_told" when none comes in time."""
        until = time.monotonic() + timeout_s
        while not self._told:
            left_s = until - time.monotonic()
            if left_s <= 0:
                raise Refusal("not_told", f"the controller said nothing for {timeout_s:g} s", timeout_s=timeout_s)
            readable, _, _ = select.select([self._line], [], [], left_s)
            if readable:
                self._receive()
        return self._told.pop(0)

    def fileno(self) -> int:
        """For jobs that wait for the controller and for other things at once."""
        return self._line.fileno()

    def send(self, kind: str, body: Mapping[str, object]) -> None:
        """One frame to the helper; only the helper's own code calls this directly."""
        frame = encode({"kind": kind, "body": body})
        unsent, self._unsent = self._unsent, bytearray()
        self._line.sendall(unsent + frame)

    def _receive(self) -> None:
        data = self._line.recv(65536)
        if not data:
            raise Refusal("helper_gone", "the helper that started this job has ended")
        try:
            self._told.extend(self._reader.feed(data))
        except FrameError as error:
            raise Refusal("damaged", str(error)) from error

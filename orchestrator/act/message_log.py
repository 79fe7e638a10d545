"""What goes between the controller and a host, for the log: verbs, sizes, durations, never what is in a message."""

from __future__ import annotations

import time
from collections.abc import Callable

from orchestrator.onhost.service.frames import FrameError, encode

Note = Callable[[str], None]
SENT, HEARD = "->", "<-"


class MessageLog:
    """One line for each message to and from a host. Values stay out: keys, tokens and before-values are among them."""

    def __init__(self, host: str, note: Note, clock: Callable[[], float] = time.monotonic) -> None:
        """`note` takes each line; `clock` counts seconds."""
        self._host, self._note, self._clock = host, note, clock
        self._under_way: dict[int, tuple[str, float]] = {}  # number -> verb, when it was asked

    def sent(self, message: dict[str, object]) -> None:
        """One message that has left."""
        number = _number(message)
        if "verb" in message:
            self._under_way[number] = (str(message["verb"]), self._clock())
            kind = f"asked, at most {message['timeout_s']} s"
        else:
            kind = "cancelled" if message.get("cancel") else "told"
        self._line(SENT, number, kind, message)

    def heard(self, message: dict[str, object]) -> None:
        """One message that has come, before anybody has checked it: of what it says only the kind and code are told."""
        number, kind = _number(message), message.get("kind")
        if number < 0 or kind not in ("hello", "event", "done", "error"):
            self._line(HEARD, number, "something that is no answer", message)
            return
        error = message.get("error")
        code = error.get("code") if isinstance(error, dict) else None
        told = kind if kind != "error" else f"error {str(code)[:40]}"
        took = f", {self._clock() - self._under_way[number][1]:.3f} s" if number in self._under_way else ""
        self._line(HEARD, number, told + took, message)
        if kind in ("done", "error"):
            self._under_way.pop(number, None)

    def _line(self, way: str, number: int, what: str, message: dict[str, object]) -> None:
        verb, _ = self._under_way.get(number, ("", 0.0))
        self._note(f"{self._host} {way} {number}{f' {verb}' if verb else ''}: {what}, {_octets(message)} bytes")


def _number(message: dict[str, object]) -> int:
    number = message.get("id")
    return number if isinstance(number, int) else -1


def _octets(message: dict[str, object]) -> int:
    """What the message takes on the line, with its frame's header; 0 for one that no frame holds."""
    try:
        return len(encode(message))
    except (FrameError, ValueError):
        return 0

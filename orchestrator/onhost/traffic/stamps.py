"""The kernel's own receive times (SO_TIMESTAMPNS): when something arrived, however late a process came to read it.

A receiver that had to wait for a core, or for its control group's next period, finds a backlog: by its own clock all
of that would have arrived at once, and in the wrong window.
"""

from __future__ import annotations

import socket
import struct
import time
from typing import Dict, List, Sequence, Tuple

from orchestrator.onhost.system.socket_options import SO_TIMESTAMPNS

STEPPED_NS = 1_000_000  # a wall clock that moved by more against the monotonic one was set, not slewed
_STAMP = "qq" if struct.calcsize("@l") == 8 else "ii"  # the struct timespec of SO_TIMESTAMPNS
_ONE = struct.Struct("=" + _STAMP)
_HEAD = struct.Struct("@Nii")
_HEAD_BYTES = socket.CMSG_LEN(0)
# Room per message for the receive time and for the size of a coalesced block's parts.
CONTROL_BYTES = socket.CMSG_SPACE(_ONE.size) + socket.CMSG_SPACE(4)


_CLOSE_NS, _TRIES = 5_000, 20


def wall_offset_ns() -> int:
    """Wall clock less monotonic clock, read so close to each other that a pause between the two cannot pass for a step.

    The closest of several readings where every one is interrupted.
    """
    closest: Tuple[int, int] = (1 << 62, 0)
    for _ in range(_TRIES):
        begun = time.monotonic_ns()
        wall = time.time_ns()
        took = time.monotonic_ns() - begun
        closest = min(closest, (took, wall - begun - took // 2))
        if took <= _CLOSE_NS:
            break
    return closest[1]


def stamp_of(ancillary: Sequence[Tuple[int, int, bytes]]) -> int:
    """The receive time in what recvmsg gave, nanoseconds of the wall clock; 0 when there is none."""
    for level, kind, data in ancillary:
        if level == socket.SOL_SOCKET and kind == SO_TIMESTAMPNS and len(data) >= _ONE.size:
            seconds, rest = _ONE.unpack_from(data)
            return int(seconds * 1_000_000_000 + rest)
    return 0


class StampClock:
    """Turns receive times into the monotonic clock's, and never into the future or behind what came before."""

    def __init__(self) -> None:
        self.refresh()

    def refresh(self) -> None:
        """Compare the two clocks again; often enough that a clock that is set does no lasting harm."""
        self._offset_ns = wall_offset_ns()

    def monotonic_ns(self, stamp_ns: int, before_ns: int, now_ns: int) -> int:
        """The instant of CLOCK_MONOTONIC, between the one before and now."""
        if not stamp_ns:
            return now_ns
        if not before_ns - STEPPED_NS <= stamp_ns - self._offset_ns <= now_ns + STEPPED_NS:
            self.refresh()  # the wall clock may have been set meanwhile; what merely waited to be read stays as it was
        return max(before_ns, min(now_ns, stamp_ns - self._offset_ns))


class ReceiveTimes:
    """Reads receive times out of the control data of a batch of messages, CONTROL_BYTES each; the time comes first."""

    def __init__(self, control: bytearray) -> None:
        self._control = control
        self._layouts: Dict[int, struct.Struct] = {}

    def last_ns(self, count: int) -> int:
        """Receive time of the last of `count` messages, nanoseconds of the wall clock; 0 when it has none."""
        start = (count - 1) * CONTROL_BYTES
        _, level, kind = _HEAD.unpack_from(self._control, start)
        if level != socket.SOL_SOCKET or kind != SO_TIMESTAMPNS:
            return 0
        seconds, rest = _ONE.unpack_from(self._control, start + _HEAD_BYTES)
        return int(seconds * 1_000_000_000 + rest)

    def read_ns(self, count: int) -> List[int]:
        """Receive times of the first `count` messages."""
        layout = self._layouts.get(count)
        if layout is None:
            behind = CONTROL_BYTES - _HEAD_BYTES - _ONE.size
            layout = self._layouts[count] = struct.Struct("=" + f"{_HEAD_BYTES}x{_STAMP}{behind}x" * count)
        values: Tuple[int, ...] = layout.unpack_from(self._control)
        return [seconds * 1_000_000_000 + rest for seconds, rest in zip(values[::2], values[1::2])]

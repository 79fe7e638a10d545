"""What runs beside the traffic on this end: samples of the host, TCP's own account, counters before and after."""

from __future__ import annotations

import time
from typing import Any, Callable, Dict, List

from orchestrator.onhost.traffic import tcp_info
from orchestrator.onhost.traffic.flows import Pair
from orchestrator.onhost.traffic.window import Window
from orchestrator.onhost.watch import Watcher
from orchestrator.onhost.watch.counters import read_counters, settled_counters

_INFO_EVERY_NS = 100_000_000
_NEVER_NS = 1 << 62


class Regular:
    """Something to do at an instant, every so often, and for the last time at another instant exactly."""

    def __init__(self, first_ns: int, every_ns: int, last_ns: int, action: Callable[[], None]) -> None:
        self.due_ns = first_ns
        self._every_ns, self._last_ns, self._action = every_ns, last_ns, action

    def turn(self, now_ns: int) -> None:
        """Do it when it is due. What was missed is not made up for."""
        if now_ns < self.due_ns:
            return
        self._action()
        if self.due_ns >= self._last_ns:
            self.due_ns = _NEVER_NS
        else:
            missed = max(0, now_ns - self.due_ns) // self._every_ns
            self.due_ns = min(self.due_ns + (1 + missed) * self._every_ns, self._last_ns)


class Beside:
    """The observers of one end. `turn` does what is due, `due_ns` says when to come again."""

    def __init__(self, pair: Pair, sockets: Dict[int, Any], watch_s: float) -> None:
        """Reads the counters for the first time: before any traffic."""
        self._pair, self._sockets = pair, sockets
        self._watcher = Watcher(pair.interface, watch_s)
        self._watch_ns = int(watch_s * 1e9)
        self._readings: Dict[int, List[tcp_info.Info]] = {
            stream.number: [] for stream in pair.streams if stream.flow.transport == "tcp"}
        self._regular: List[Regular] = []
        self._before = read_counters(pair.interface)

    def begin(self, window: Window) -> None:
        """The window is known: from its start to its end, and exactly at both."""
        self._window = window
        self._regular = [Regular(window.from_ns, self._watch_ns, window.to_ns, self._watcher.sample)]
        if self._readings:
            self._regular.append(Regular(window.from_ns, _INFO_EVERY_NS, window.to_ns, self._read_infos))

    @property
    def due_ns(self) -> int:
        """When `turn` wants to be called."""
        return min(each.due_ns for each in self._regular)

    def turn(self) -> None:
        """Do what is due."""
        for each in self._regular:
            each.turn(time.monotonic_ns())

    def _read_infos(self) -> None:
        for number, readings in self._readings.items():
            readings.append(tcp_info.read_info(self._sockets[number]))

    def tcp_summaries(self) -> Dict[int, Dict[str, Any]]:
        """What every TCP connection did in the window, by stream number."""
        found = {}
        for stream in self._pair.streams:
            readings = self._readings.get(stream.number)
            if readings:
                whole = tcp_info.read_info(self._sockets[stream.number])
                summary = tcp_info.sent_summary if stream.sends_here else tcp_info.received_summary
                found[stream.number] = summary(readings, whole)
        return found

    def end(self) -> Dict[str, Any]:
        """The traffic has ended: the host's summary, and the counters once they have stopped moving."""
        after = settled_counters(self._pair.interface)
        return {"watch": self._watcher.summary(self._window.from_ns, self._window.to_ns),
                "counters": {"before": self._before, "after": after}}

    def close(self) -> None:
        """Give all descriptors back."""
        self._watcher.close()

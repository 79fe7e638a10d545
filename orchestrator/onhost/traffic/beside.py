"""What runs beside the traffic on this end: samples of the host, TCP's own account, round trips, counters around it."""

from __future__ import annotations

import socket
import time
from typing import Callable, Dict, List, Optional

from orchestrator.metrics.intervals import WatchBatch
from orchestrator.onhost.path.receipts import IdleAndLoaded, PeerArguments
from orchestrator.onhost.path.round_trip import LOADED_EVERY_S, Answering, Asking
from orchestrator.onhost.traffic import kernel, tcp_info
from orchestrator.onhost.traffic.arguments import TrafficArguments
from orchestrator.onhost.traffic.flows import Pair
from orchestrator.onhost.traffic.kernel_counts import KernelCounts
from orchestrator.onhost.traffic.own_frames import OwnAccount
from orchestrator.onhost.traffic.results import Around
from orchestrator.onhost.traffic.window import Window
from orchestrator.onhost.watch import Watcher
from orchestrator.onhost.watch.counters import read_counters, settled_counters

_INFO_EVERY_NS = 100_000_000
_READING_NS = 15_000_000  # so long before the start counters are read without traffic coming in between
_NEVER_NS = 1 << 62
_CLOSE_NS = 500_000  # a reading that took longer was interrupted: of which instant it is nobody knows


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

    def __init__(
        self, pair: Pair, args: TrafficArguments, sockets: Dict[int, socket.socket], counts: Dict[int, KernelCounts]
    ) -> None:
        """Reads the counters for the first time: before any traffic. Round trips are measured from now on.

        `counts`: where the kernel's count is noted, by the number of each stream that receives TCP.
        """
        self._pair, self._sockets, self._counts = pair, sockets, counts
        watch_s = args.get("watch_s") or 0.2
        self._watcher = Watcher(pair.interface, watch_s)
        self._watch_ns = int(watch_s * 1e9)
        self._accounts: Dict[int, tcp_info.Account] = {
            stream.number: tcp_info.Account()
            for stream in pair.streams
            if kernel.TCP_INFO and stream.flow.transport == "tcp"
        }
        self._read_ns: List[int] = []  # when the first and the last reading were made
        self._regular: List[Regular] = []
        self._window: Optional[Window] = None
        self._own = OwnAccount(pair, sockets)
        self._asking: Optional[Asking] = None
        self._answering: Optional[Answering] = None
        if pair.probe_port is not None:
            probe: PeerArguments = {
                "token": args["token"],
                "interface": args["interface"],
                "local": args["local"],
                "peer": args["peer"],
                "family": args["family"],
                "port": pair.probe_port,
            }
            if pair.serving:
                self._answering = Answering(probe)
            else:
                self._asking = Asking(probe)
        self._read_first()

    def _read_first(self) -> None:
        read_ns = time.monotonic_ns()
        self._before = read_counters(self._pair.interface)
        self._own.begin(read_ns, self._asking or self._answering)

    def begin(self, window: Window) -> None:
        """The window is known: from its start to its end, and exactly at both."""
        self._window = window
        if time.monotonic_ns() < window.start_ns - _READING_NS:
            self._read_first()  # again: by now both ends have tried out how they can send
        self._watcher.begin(window.from_ns, window.to_ns)
        if self._asking:
            self._asking.begin(window.start_ns, window.from_ns, window.to_ns)
            self._asking.every_s = LOADED_EVERY_S
        self._regular = [Regular(window.from_ns, self._watch_ns, window.to_ns, self._watcher.sample)]
        if self._accounts:
            self._regular.append(Regular(window.start_ns, _INFO_EVERY_NS, window.to_ns, self._own.look))
            self._regular.append(Regular(window.from_ns, _INFO_EVERY_NS, window.to_ns, self._read_infos))

    @property
    def due_ns(self) -> int:
        """When `turn` wants to be called, if nothing comes in before."""
        due = [each.due_ns for each in self._regular]
        if self._asking:
            due.append(self._asking.due_ns)
        return min(due, default=_NEVER_NS)

    def filenos(self) -> List[int]:
        """What `turn` wants to be called for when it is readable."""
        return [end.fileno() for end in (self._asking, self._answering) if end]

    def turn(self) -> None:
        """Do what is due."""
        for each in self._regular:
            each.turn(time.monotonic_ns())
        if self._answering:
            self._answering.turn()
        if self._asking:
            self._asking.turn()
            if self._window and self._asking.due_ns >= self._window.to_ns:
                self._asking.due_ns = _NEVER_NS  # no more questions

    def _read_infos(self) -> None:
        self._read_ns = [*self._read_ns[:1], time.monotonic_ns()]
        for number, account in self._accounts.items():
            begun_ns = time.monotonic_ns()
            reading = tcp_info.read_info(self._sockets[number])
            ended_ns = time.monotonic_ns()
            account.take(reading)
            if number in self._counts and "bytes_received" in reading and ended_ns - begun_ns < _CLOSE_NS:
                self._counts[number].note((begun_ns + ended_ns) // 2, reading["bytes_received"])

    def take_watched(self) -> List[WatchBatch]:
        """The cores' samples since the last call."""
        return self._watcher.take_batches()

    def tcp_summaries(self) -> Dict[int, tcp_info.Figures]:
        """What every TCP connection did in the window, by stream number."""
        found: Dict[int, tcp_info.Figures] = {}
        span_s = (self._read_ns[-1] - self._read_ns[0]) / 1e9 if self._read_ns else 0.0
        for stream in self._pair.streams:
            account = self._accounts.get(stream.number)
            if account is not None and account.count:
                whole = tcp_info.read_info(self._sockets[stream.number])
                summary = tcp_info.sent_summary if stream.sends_here else tcp_info.received_summary
                found[stream.number] = {**summary(account, whole), "span_s": span_s}
        return found

    def end(self) -> Around:
        """The traffic has ended: the host's summary, and the counters once they have stopped moving."""
        after, read_ns = settled_counters(self._pair.interface, lag_s=self._watcher.counter_lag_s())
        self.turn()  # the last late probes
        own = self._own.read(read_ns)
        window = self._window
        assert window is not None
        return {
            "watch": self._watcher.summary(),
            "counters": {"before": self._before, "after": after},
            "own_frames": own,
            "round_trip": self._round_trip(window),
        }

    def _round_trip(self, window: Window) -> Optional[IdleAndLoaded]:
        """Of the end that asked: idle is what was asked before the traffic, load what was asked in its window."""
        if self._asking is None:
            return None
        return {
            "idle": self._asking.summary(self._asking.heard_from_ns, window.start_ns),
            "load": self._asking.loaded(),
        }

    def close(self) -> None:
        """Give all descriptors back."""
        for each in (self._watcher, self._own, self._asking, self._answering):
            if each:
                each.close()

"""The job that watches from the settings' reading back to the end of the traffic, and says at once what has changed.

It costs the measured host at most `MAX_SHARE` of a core: where reading is dear, it is done less often.
"""

from __future__ import annotations

import contextlib
import selectors
import time
from typing import List, Optional, Sequence, TypedDict, Union

from orchestrator.onhost.external.change import Changes
from orchestrator.onhost.external.ends import End
from orchestrator.onhost.external.kernel_files import KernelFiles
from orchestrator.onhost.external.places import Places
from orchestrator.onhost.netlink import notices
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety import lease
from orchestrator.onhost.safety.record import Record
from orchestrator.onhost.safety.state import Before, ExternalChange, LevelOfPlace, Place, Use
from orchestrator.onhost.service.talk import Talk

EVERY_S = 1.0
MAX_SHARE = 1 / 200
SETTLED_S = 0.02  # whoever changes one thing often changes another right after it


class WatchedInterface(TypedDict):
    """An interface of a trial, and the addresses that its traffic uses."""

    interface: str
    addresses: List[str]


class WatchArguments(TypedDict):
    """What is to stay as it is: the uses of the cell, the places of the plan's other cells, the interfaces."""

    uses: List[Use]
    as_found: List[LevelOfPlace]
    interfaces: List[WatchedInterface]


class Watched(TypedDict):
    """What was changed, how often everything was read, and the processor time of it."""

    changes: List[ExternalChange]
    readings: int
    cost_cpu_s: float


def watch(args: WatchArguments, talk: Talk, record: Record) -> Watched:
    """Watch until the controller says that it is over.

    Tells {"stage": "watching"}, then {"stage": "changed", "change": ...}.
    """
    watcher = _Watcher(args, talk, record)
    try:
        talk.event({"stage": "watching"})
        watcher.run()
        return {
            "changes": watcher.changes.found,
            "readings": watcher.readings,
            "cost_cpu_s": round(time.process_time(), 6),
        }
    finally:
        watcher.close()


class _Watcher:
    def __init__(self, args: WatchArguments, talk: Talk, record: Record) -> None:
        self.changes, self.readings = Changes(), 0
        self._talk = talk
        self._told_by = notices.subscribe()  # before anything is read: what changes in between is told
        self._files = KernelFiles()
        self._ends = [End(one["interface"], one["addresses"]) for one in args["interfaces"]]
        self._places = Places(args["uses"], _with_values(args["as_found"], record))

    def run(self) -> None:
        """Until the controller has spoken; then once more, so that nothing up to here is missed."""
        with selectors.DefaultSelector() as selector:
            sources: List[Union[notices.Notices, KernelFiles, Talk]] = [*self._told_by, self._files, self._talk]
            for source in sources:
                if source.fileno() >= 0:
                    selector.register(source, selectors.EVENT_READ, source)
            pause_s = self._look()
            while True:
                ready = [key.data for key, _ in selector.select(pause_s)]
                self._hear(ready)
                if self._talk in ready:
                    self._talk.wait(1.0)
                    break
                if ready:
                    time.sleep(SETTLED_S)
                pause_s = self._look()
            self._look()

    def close(self) -> None:
        """Give all descriptors back."""
        self._files.close()
        for source in self._told_by:
            source.close()

    def _hear(self, ready: Sequence[object]) -> None:
        """What notices say themselves: it may be over before anything can be read again."""
        if self._files in ready:
            self._files.clear()
            self._tell(self.changes.note(self._files.look()))
        for source in self._told_by:
            if source not in ready:
                continue
            for notice in source.read():
                for end in self._ends:
                    for setting, line in end.of_notice(notice):
                        self._tell(self.changes.note([line], self._place(setting, end.interface), _who(notice.port)))

    def _look(self) -> float:
        """Read everything again; how long to wait until the next time."""
        began_s = time.thread_time()
        self.readings += 1
        for place, lines in self._places.look():
            self._tell(self.changes.note(lines, place))
        for end in self._ends:
            for setting, line in end.look():
                self._tell(self.changes.note([line], self._place(setting, end.interface)))
        self._tell(self.changes.note(self._files.look()))
        return max(EVERY_S, (time.thread_time() - began_s) / MAX_SHARE)

    def _place(self, setting: str, target: str) -> Optional[Place]:
        return self._places.place_of(setting, target) if setting else None

    def _tell(self, new: List[ExternalChange]) -> None:
        for change in new:
            self._talk.event({"stage": "changed", "change": change})


def _with_values(places: List[LevelOfPlace], record: Record) -> List[Before]:
    """The places with the value that this host's own record has of each; those that it has none of are left out."""
    if not places:
        return []
    with contextlib.suppress(Refusal):
        state = record.load()
        if state is not None:
            known = [(place, lease.before_of(state, place)) for place in places]
            return [
                {**lease.place_of(place), "level": place["level"], "value": before["value"]}
                for place, before in known
                if before is not None
            ]
    return []


def _who(port: int) -> str:
    """The program that has asked the kernel for the change, where it still runs; a socket's number is its process's."""
    with contextlib.suppress(OSError):
        if port:
            with open(f"/proc/{port}/comm", "rb") as handle:
                return f"{handle.read(64).decode('utf-8', 'replace').strip()}, process {port}"
    return ""

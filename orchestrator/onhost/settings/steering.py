"""What receive and transmit steering share: a mask of cores for each queue."""

from __future__ import annotations

from typing import Dict, List, Union

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.settings import levels, queues
from orchestrator.onhost.settings.base import CANNOT
from orchestrator.onhost.settings.in_parts import InParts

_WORDS = ("off", "all", "spread")


class QueueSteering(InParts[Union[str, List[int]], str]):
    """Cores by number, `all` that are online, `spread` one queue after the other over them, or `off`."""

    unit = ""
    example = "all"
    domain_text = "off, all, spread, or cores such as 0 or 0-2,5"
    file = ""
    # a change of channels sets steering anew
    after = ("channels",)

    def _parsed(self, level: object) -> Union[str, List[int]]:
        return level if isinstance(level, str) and level in _WORDS else levels.cores(level, self.name)

    def _current(self, target: str, level: object) -> object:
        """The level where it holds, otherwise each queue's cores."""
        found = self._read(target, level)
        if level is not None and _same_cores(found, self._wanted(found, level)):
            return self._parsed(level)
        return {path: queues.cores_of(text) for path, text in found.items()}

    def _read(self, target: str, level: object) -> Dict[str, str]:
        found = queues.read_files(self._kernel, self._link(target), (self.file,))
        if not found:
            raise Refusal(CANNOT, f"{target} has no queues with {self.file}")
        return found

    def _wanted(self, found: Dict[str, str], level: object) -> Dict[str, str]:
        parsed, online = self._parsed(level), queues.online_cores(self._kernel)
        if parsed == "spread":
            order = sorted(found, key=lambda path: int(path.split("/")[0].split("-")[1]))
            # with more cores than queues a queue gets several, with more queues than cores a core does
            return {
                path: queues.mask(online[place :: len(order)] or [online[place % len(online)]])
                for place, path in enumerate(order)
            }
        named: Dict[str, List[int]] = {"off": [], "all": online}
        return dict.fromkeys(found, queues.mask(named[parsed] if isinstance(parsed, str) else parsed))

    def _cannot(self, target: str, level: object) -> str:
        parsed = self._parsed(level)
        missing = (
            [core for core in parsed if core not in queues.online_cores(self._kernel)]
            if isinstance(parsed, list)
            else []
        )
        return f"this host has no core {missing[0]} online" if missing else ""

    def _write(self, target: str, level: object) -> None:
        queues.write_files(self._kernel, self._link(target), self._wanted(self._read(target, level), level))

    def _restored(self, target: str, before: Dict[str, str]) -> None:
        queues.write_files(self._kernel, self._link(target), before)

    def _kept(self, target: str, level: object) -> str:
        parsed, files = self._parsed(level), f"/sys/class/net/{target}/queues/*/{self.file}"
        if parsed == "spread":
            return ""  # depends on the host's queues and cores
        if parsed == "all":
            return f"printf '%x\\n' $(( (1 << $(nproc --all)) - 1 )) | tee {files}"
        return f"echo {queues.mask([] if isinstance(parsed, str) else parsed)} | tee {files}"

    def _mended(self, target: str, value: Dict[str, str]) -> str:
        return " && ".join(queues.commands(target, value))


def _same_cores(one: Dict[str, str], other: Dict[str, str]) -> bool:
    return one.keys() == other.keys() and all(
        queues.cores_of(one[path]) == queues.cores_of(other[path]) for path in one
    )

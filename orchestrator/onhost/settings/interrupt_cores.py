"""Which cores an interface's interrupts go to."""

from __future__ import annotations

from typing import Dict, List, Union

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety.spelled import write_command
from orchestrator.onhost.settings import levels, queues
from orchestrator.onhost.settings.base import CANNOT
from orchestrator.onhost.settings.in_parts import InParts
from orchestrator.onhost.system.core_list import parse_core_list

_SPREAD = "spread"


class InterruptCores(InParts[Union[str, List[int]], str]):
    """One core, a set for all of them, or `spread`: one interrupt after the other over the cores that are online.

    A balancer that runs on the host moves them again; that is seen when the setting is read back.
    """

    name = "interrupt-cores"
    unit = ""
    doc = "Cores that the interface's interrupts go to: one, a set, or spread over all."
    example = "spread"
    domain_text = "spread, or cores such as 0 or 0-2,5"
    whole_machine = True
    touches = ("interrupt:{target}:*",)
    # a change of channels makes the interrupts anew
    after = ("channels",)

    def _parsed(self, level: object) -> Union[str, List[int]]:
        return _SPREAD if level == _SPREAD else levels.cores(level, self.name)

    def _current(self, target: str, level: object) -> object:
        """The level where it holds, otherwise each interrupt's cores."""
        found = {number: list(parse_core_list(text)) for number, text in self._read(target, level).items()}
        if level is not None and found == self._wanted(list(found), level):
            return self._parsed(level)
        return found

    def _read(self, target: str, level: object) -> Dict[str, str]:
        self._link(target)
        numbers = self._kernel.interrupts_of(target)
        if not numbers:
            raise Refusal(CANNOT, f"{target} has no interrupts of its own that could be moved")
        return {number: self._kernel.read_text(_file(number)) for number in numbers}

    def _wanted(self, numbers: List[str], level: object) -> Dict[str, List[int]]:
        parsed, online = self._parsed(level), queues.online_cores(self._kernel)
        if not isinstance(parsed, str):
            return dict.fromkeys(numbers, parsed)
        return {number: [online[place % len(online)]] for place, number in enumerate(numbers)}

    def _cannot(self, target: str, level: object) -> str:
        parsed, online = self._parsed(level), queues.online_cores(self._kernel)
        missing = [core for core in parsed if core not in online] if isinstance(parsed, list) else []
        return f"this host has no core {missing[0]} online" if missing else ""

    def _write(self, target: str, level: object) -> None:
        wanted = self._wanted(self._kernel.interrupts_of(target), level)
        self._restored(target, {number: ",".join(map(str, cores)) for number, cores in wanted.items()})

    def _restored(self, target: str, before: Dict[str, str]) -> None:
        for number, text in before.items():
            file = _file(number)
            if not self._kernel.exists(file) or parse_core_list(self._kernel.read_text(file)) == parse_core_list(text):
                continue
            try:
                self._kernel.write_text(file, text)
            except OSError as error:
                # EIO: the interrupt's controller, or the kernel itself for managed ones, does not let it be moved
                raise Refusal(
                    CANNOT,
                    f"interrupt {number} of {target} cannot be moved on this host: the kernel "
                    f"answered: {error.strerror}",
                    interrupt=number,
                    errno=error.errno,
                ) from error

    def _part_called(self, target: str, part: str) -> str:
        return f"cores of interrupt {part} of {target}"

    def _kept(self, target: str, level: object) -> str:
        """Empty: interrupts get other numbers at every start, and a list of them would be wrong the next time."""
        return ""

    def _mended(self, target: str, value: Dict[str, str]) -> str:
        return " && ".join(write_command(_file(number), text) for number, text in value.items())


def _file(number: str) -> str:
    return f"/proc/irq/{number}/smp_affinity_list"

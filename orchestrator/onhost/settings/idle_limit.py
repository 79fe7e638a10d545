"""How deep the cores may sleep."""

from __future__ import annotations

from typing import Dict, Union

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety.spelled import write_command
from orchestrator.onhost.settings import levels
from orchestrator.onhost.settings.base import CANNOT, HOST
from orchestrator.onhost.settings.cpu_policies import CPU_TREE
from orchestrator.onhost.settings.in_parts import InParts

_ALL = "all"
_MOST_STATES = 9


class IdleLimit(InParts[Union[str, int], str]):
    """The number of the deepest idle state that is left on, by the kernel's own numbers; waking from it costs latency.

    State 0 cannot be switched off on most hosts: it only polls.
    """

    name = "idle-limit"
    unit = ""
    doc = "The deepest idle state that the cores may use, by number; 0 keeps them awake."
    example = "0"
    domain_text = f"0 to {_MOST_STATES}, or {_ALL}"
    scope = HOST
    whole_machine = True
    simulated_at = CPU_TREE
    touches = ("clock::cpu*/cpuidle/state*/disable",)

    def _parsed(self, level: object) -> Union[str, int]:
        return _ALL if level == _ALL else levels.whole(level, 0, _MOST_STATES, "an idle state's number")

    def _current(self, target: str, level: object) -> object:
        """The level where it holds, otherwise the limit found; each file's text when no single limit describes them."""
        found = self._read(target, level)
        asked = [self._parsed(level)] if level is not None else []
        limits = (*asked, _ALL, *range(_MOST_STATES + 1))
        return next((limit for limit in limits if found == _wanted(found, limit)), found)

    def _read(self, target: str, level: object) -> Dict[str, str]:
        paths = [
            f"{CPU_TREE}/{core}/cpuidle/{state}/disable"
            for core in self._kernel.names(CPU_TREE)
            if core.startswith("cpu") and core[3:].isdigit()
            for state in self._kernel.names(f"{CPU_TREE}/{core}/cpuidle")
            if state.startswith("state")
        ]
        if not paths:
            raise Refusal(CANNOT, "this host's cores have no idle states to choose from")
        return {path: self._kernel.read_text(path) for path in paths}

    def _cannot(self, target: str, level: object) -> str:
        deepest = max(_number(path) for path in self._read(target, level))
        wanted = self._parsed(level)
        return f"this host's deepest idle state is {deepest}" if isinstance(wanted, int) and wanted > deepest else ""

    def _write(self, target: str, level: object) -> None:
        self._restored(target, _wanted(self._read(target, level), self._parsed(level)))

    def _restored(self, target: str, before: Dict[str, str]) -> None:
        for path, text in before.items():
            if self._kernel.read_text(path) != text:
                self._kernel.write_text(path, text)

    def _kept(self, target: str, level: object) -> str:
        limit = self._parsed(level)
        switch = "0" if limit == _ALL else f"$(( ${{state##*state}} > {limit} ))"
        return f"for state in {CPU_TREE}/cpu*/cpuidle/state*; do echo {switch} > $state/disable; done"

    def _mended(self, target: str, value: Dict[str, str]) -> str:
        return " && ".join(write_command(path, text) for path, text in value.items())


def _wanted(found: Dict[str, str], limit: Union[str, int]) -> Dict[str, str]:
    return {path: "0" if isinstance(limit, str) or _number(path) <= limit else "1" for path in found}


def _number(path: str) -> int:
    return int(path.split("/")[-2][len("state") :])

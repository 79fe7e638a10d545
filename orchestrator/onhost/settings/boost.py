"""Clocks above the nominal one, as long as heat and power allow."""

from __future__ import annotations

from typing import Tuple

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety.spelled import write_command
from orchestrator.onhost.settings import levels
from orchestrator.onhost.settings.base import CANNOT, HOST, SettingOf
from orchestrator.onhost.settings.cpu_policies import CPU_TREE

# (file, what it says when boost is on): one driver offers the opposite
_FILES = ((f"{CPU_TREE}/cpufreq/boost", "1"), (f"{CPU_TREE}/intel_pstate/no_turbo", "0"))


class Boost(SettingOf[bool, bool]):
    """One switch for the host; the clocks reached with it depend on heat and are no steady condition."""

    name = "boost"
    unit = ""
    doc = "Whether the cores may run above their nominal clock while heat allows."
    example = "off"
    domain_text = "on, off"
    scope = HOST
    whole_machine = True
    simulated_at = CPU_TREE
    touches = ("clock::cpufreq/boost", "clock::intel_pstate/no_turbo", "clock::cpufreq/policy*/scaling_max_freq")

    def _parsed(self, level: object) -> bool:
        return levels.switch(level, "boost")

    def _file(self) -> Tuple[str, str]:
        for path, on in _FILES:
            if self._kernel.exists(path):
                return path, on
        raise Refusal(CANNOT, "this host has no switch for boost")

    def _current(self, target: str, level: object) -> bool:
        path, on = self._file()
        return self._kernel.read_text(path) == on

    def _read(self, target: str, level: object) -> bool:
        return self._current(target, level)

    def _write(self, target: str, level: object) -> None:
        self._restored(target, self._parsed(level))

    def _restored(self, target: str, before: bool) -> None:
        self._kernel.write_text(*self._spelled(before))

    def _spelled(self, wanted: bool) -> Tuple[str, str]:
        path, on = self._file()
        return path, on if wanted else str(1 - int(on))

    def _kept(self, target: str, level: object) -> str:
        """For the usual file; the driver with the opposite one is told apart when it is typed."""
        (usual, on), (opposite, off) = _FILES
        values = (on, off) if self._parsed(level) else (off, on)
        return f"test -e {usual} && echo {values[0]} > {usual} || echo {values[1]} > {opposite}"

    def _mended(self, target: str, value: bool) -> str:
        return write_command(*self._spelled(value))

"""The min and the max clock of a host's cores, which stand in each other's way."""

from __future__ import annotations

from typing import Dict, Union

from orchestrator.onhost.settings import levels
from orchestrator.onhost.settings.base import HOST, SettingOf
from orchestrator.onhost.settings.cpu_policies import (
    CPU_TREE,
    POLICIES,
    each_policy,
    spelled_writes,
    write_everywhere,
)

# the names under which earlier versions left them in hosts' records
_FILES = {"least": "scaling_min_freq", "greatest": "scaling_max_freq"}
_WHAT = "the limits of its clock"


class ClockLimit(SettingOf[Union[str, int], Dict[str, Dict[str, int]]]):
    """One of the two limits. Both are read and restored, because the kernel refuses a min above the max.

    Every step keeps min <= max: what rises has its upper limit written first, what falls its lower one.
    """

    unit = "Hz"
    example = "1.2GHz"
    domain_text = "a clock such as 1.2GHz, or lowest, or highest"
    scope = HOST
    whole_machine = True
    simulated_at = CPU_TREE
    touches = ("clock::cpufreq/policy*/scaling_min_freq", "clock::cpufreq/policy*/scaling_max_freq")
    limit = ""  # a key of _FILES

    def _parsed(self, level: object) -> Union[str, int]:
        return (
            level
            if isinstance(level, str) and level in ("lowest", "highest")
            else levels.clock_khz(level, f"a {self.name}")
        )

    def _current(self, target: str, level: object) -> object:
        """In kHz: a number when all policies agree, otherwise each policy's."""
        found = {policy: limits[self.limit] for policy, limits in self._read(target, level).items()}
        return next(iter(found.values())) if len(set(found.values())) == 1 else found

    def _read(self, target: str, level: object) -> Dict[str, Dict[str, int]]:
        return {
            policy: {limit: int(self._kernel.read_text(f"{path}/{file}")) for limit, file in _FILES.items()}
            for policy, path in each_policy(self._kernel, _WHAT).items()
        }

    # `lowest` and `highest` may be another clock for each policy
    def _holds(self, target: str, level: object) -> bool:
        return all(
            limits[self.limit] == self._wanted_khz(policy, level)
            for policy, limits in self._read(target, level).items()
        )

    def _cannot(self, target: str, level: object) -> str:
        for policy, path in each_policy(self._kernel, _WHAT).items():
            wanted = self._wanted_khz(policy, level)
            least, most = (int(self._kernel.read_text(f"{path}/cpuinfo_{end}_freq")) for end in ("min", "max"))
            if not least <= wanted <= most:
                return f"{policy} of this host runs from {least} to {most} kHz, and {wanted} is outside"
            greatest = self._read(target, level)[policy]["greatest"]
            if self.limit == "least" and wanted > greatest:
                return f"a min clock of {wanted} kHz is above {policy}'s max, {greatest} kHz"
        return ""

    def _write(self, target: str, level: object) -> None:
        for policy, limits in self._read(target, level).items():
            wanted = {**limits, self.limit: self._wanted_khz(policy, level)}
            wanted["least"] = min(wanted["least"], wanted["greatest"])
            self._write_both(policy, limits, wanted)

    def _restored(self, target: str, before: Dict[str, Dict[str, int]]) -> None:
        for policy, limits in self._read(target, None).items():
            if policy in before:
                self._write_both(policy, limits, before[policy])

    def _write_both(self, policy: str, now: Dict[str, int], wanted: Dict[str, int]) -> None:
        path = each_policy(self._kernel, _WHAT)[policy]
        order = ("greatest", "least") if wanted["greatest"] >= now["least"] else ("least", "greatest")
        for limit in order:
            if wanted[limit] != now[limit]:
                self._kernel.write_text(f"{path}/{_FILES[limit]}", str(wanted[limit]))

    def _wanted_khz(self, policy: str, level: object) -> int:
        wanted = self._parsed(level)
        if isinstance(wanted, int):
            return wanted
        end = "min" if wanted == "lowest" else "max"
        return int(self._kernel.read_text(f"{each_policy(self._kernel, _WHAT)[policy]}/cpuinfo_{end}_freq"))

    def _kept(self, target: str, level: object) -> str:
        wanted = self._parsed(level)
        if isinstance(wanted, int):
            return write_everywhere(_FILES[self.limit], wanted)
        end = "min" if wanted == "lowest" else "max"
        return (
            f"for policy in {POLICIES}/policy*; do cat $policy/cpuinfo_{end}_freq > $policy/{_FILES[self.limit]}; done"
        )

    def _mended(self, target: str, value: Dict[str, Dict[str, int]]) -> str:
        return " && ".join(
            spelled_writes(_FILES[limit], {policy: limits[limit] for policy, limits in value.items()})
            for limit in ("greatest", "least")
        )

"""The policy by which the processor's clock is chosen."""

from __future__ import annotations

import difflib
import re
from typing import Dict

from orchestrator.onhost.settings.base import HOST
from orchestrator.onhost.settings.cpu_policies import CPU_TREE, each_policy, spelled_writes, write_everywhere
from orchestrator.onhost.settings.in_parts import InParts

_KNOWN = ("performance", "powersave", "userspace", "schedutil", "ondemand", "conservative")
_SHAPE = re.compile(r"[a-z][a-z0-9_]{0,14}")  # CPUFREQ_NAME_LEN is 16


class Governor(InParts[str, str]):
    """One governor for all the policies of a host: a board may have one for each kind of core."""

    name = "governor"
    unit = ""
    doc = "How the kernel chooses the processor's clock; applied to every policy of the host."
    example = "performance"
    domain_text = ", ".join(_KNOWN) + ", as far as the host has them"
    scope = HOST
    whole_machine = True
    simulated_at = CPU_TREE
    touches = ("clock::cpufreq/policy*/scaling_governor",)

    def _parsed(self, level: object) -> str:
        """A near miss of a known governor is taken for a mistake, an unknown name for a governor of the host's own."""
        if not isinstance(level, str) or not _SHAPE.fullmatch(level):
            raise ValueError(f"a governor is a name such as {self.example}")
        near = difflib.get_close_matches(level, _KNOWN, 1, 0.75)
        if near and level not in _KNOWN:
            raise ValueError(f"no governor is called {level}: did you mean {near[0]}?")
        return level

    def _mended(self, target: str, value: Dict[str, str]) -> str:
        """One write for each policy."""
        return spelled_writes("scaling_governor", value)

    def _part_called(self, target: str, part: str) -> str:
        return f"governor of {part}"

    def _kept(self, target: str, level: object) -> str:
        return write_everywhere("scaling_governor", level)

    def _current(self, target: str, level: object) -> object:
        """The name when all policies agree, otherwise each policy's."""
        found = self._read(target, level)
        return next(iter(found.values())) if len(set(found.values())) == 1 else found

    def _read(self, target: str, level: object) -> Dict[str, str]:
        return {
            policy: self._kernel.read_text(f"{path}/scaling_governor")
            for policy, path in each_policy(self._kernel, "its governor").items()
        }

    def _cannot(self, target: str, level: object) -> str:
        for policy, path in each_policy(self._kernel, "its governor").items():
            available = self._kernel.read_text(f"{path}/scaling_available_governors").split()
            if level not in available:
                return f"this host's {policy} has no governor {level}, only {', '.join(available)}"
        return ""

    def _write(self, target: str, level: object) -> None:
        self._restored(target, dict.fromkeys(each_policy(self._kernel, "its governor"), self._parsed(level)))

    def _restored(self, target: str, before: Dict[str, str]) -> None:
        for policy, path in each_policy(self._kernel, "its governor").items():
            if policy in before and self._kernel.read_text(f"{path}/scaling_governor") != before[policy]:
                self._kernel.write_text(f"{path}/scaling_governor", before[policy])

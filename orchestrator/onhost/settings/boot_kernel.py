"""Which of the installed kernels a host is started with, for one start."""

from __future__ import annotations

import re
import shlex

from orchestrator.onhost.at_start import boot_loader
from orchestrator.onhost.at_start.boot_files import content_of
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.settings.at_start import AtStart, StartValue, path_problem
from orchestrator.onhost.settings.base import CANNOT
from orchestrator.onhost.settings.levels import shown, unknown_key

_RELEASE = re.compile(r"[0-9][A-Za-z0-9.+~_-]{0,127}")
_KEYS = {"level", "file"}
_MODULES, _IMAGE = "/lib/modules", "/boot/vmlinuz-"


class BootKernel(AtStart[str]):
    """The kernel of this release is chosen for the next start alone, and the host restarted for it.

    Where the plan names a `file`, the release is written there (a choice that the boot loader uses up is the safe one:
    a kernel that does not come up is then not started again). Otherwise GRUB's environment block is told, which is
    such a choice. In effect when the running kernel has this release.
    """

    name = "kernel"
    unit = ""
    doc = "Which installed kernel the host is started with (uname -r), for one start; the host is restarted for it."
    example = "6.12.9-dome"
    domain_text = "the release of an installed kernel, as uname -r shows it"

    def problem_with(self, level: object) -> str:
        """Why no kernel can have this release."""
        if not isinstance(level, dict):
            level = {"level": level}
        unknown = unknown_key(level, _KEYS, "kernel")
        if unknown:
            return unknown
        release = level.get("level")
        if not isinstance(release, str) or not _RELEASE.fullmatch(release):
            return f"{shown(release)} is no kernel's release, which uname -r shows"
        return path_problem(level["file"]) if level.get("file") else ""

    def _parsed(self, level: object) -> str:
        problem = self.problem_with(level)
        if problem:
            raise ValueError(problem)
        return str(level["level"] if isinstance(level, dict) else level)

    def _started(self, path: str) -> str:
        return self._kernel.release()

    def _path(self, level: object) -> str:
        if isinstance(level, dict) and level.get("file"):
            return str(level["file"])
        block, _ = self._kernel.next_start().boot_loader()
        if not block:
            raise Refusal(
                CANNOT,
                "this host has no boot loader that can be told one kernel for one start (GRUB, with "
                "/boot on a plain disk and a file system that it can write): name the file that decides, as "
                "file:",
            )
        return block

    def _wanted(self, level: object, original: bytes) -> bytes:
        release = self._parsed(level)
        if isinstance(level, dict) and level.get("file"):
            return f"{release}\n".encode()
        try:
            return boot_loader.with_next_entry(original, self._entry(release))
        except ValueError as error:
            raise Refusal(CANNOT, str(error)) from error

    def _entry(self, release: str) -> str:
        _, menu = self._kernel.next_start().boot_loader()
        return boot_loader.entry_of(self._kernel.read_text(menu), release)

    def _same(self, before: StartValue, now: StartValue) -> bool:
        """Of GRUB's block only the choice for the next start: the rest is GRUB's own to write at any start."""
        blocks = [content_of(one["file"]) for one in (before, now)]
        if before["path"] == now["path"] and all(map(boot_loader.is_block, blocks)):
            return boot_loader.chosen_once(blocks[0]) == boot_loader.chosen_once(blocks[1])
        return super()._same(before, now)

    def _cannot(self, target: str, level: object) -> str:
        release = self._parsed(level)
        installed = self._kernel.names(_MODULES)
        if release not in installed and not self._kernel.exists(_IMAGE + release):
            return f"no kernel {release} is installed here: there are {', '.join(installed) or 'none'}"
        problem = super()._cannot(target, level)
        if problem or (isinstance(level, dict) and level.get("file")):
            return problem
        return "" if self._entry(release) else f"the boot loader's menu has no entry that starts {release}"

    def _current(self, target: str, level: object) -> str:
        return self._kernel.release()

    def _shown(self, level: object) -> str:
        return self._parsed(level)

    def _kept(self, target: str, level: object) -> str:
        if isinstance(level, dict) and level.get("file"):
            return f"printf '%s\\n' {shlex.quote(level['level'])} >{shlex.quote(level['file'])}"
        return ""

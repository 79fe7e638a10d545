"""This machine's next start, for the settings: its boot files, and the way back."""

from __future__ import annotations

import shlex
from typing import List, Optional, Tuple

from orchestrator.onhost.at_start import boot_files, boot_loader, revert
from orchestrator.onhost.at_start.boot_files import ArmedFile, BootFile
from orchestrator.onhost.settings.kernel import NextStart


class RealNextStart(NextStart):
    """The real one. What an earlier start was to restore is restored before anything is read."""

    def read(self, path: str) -> BootFile:
        """The boot file."""
        revert.take_back_if_due()
        revert.require_mounted(path)
        return boot_files.read_file(path)

    def write(self, path: str, file: BootFile) -> None:
        """Make it so."""
        boot_files.write_file(path, file)

    def arm_file(self, path: str, original: BootFile, wanted: bytes) -> None:
        """The next start restores the file."""
        revert.arm_file(path, original, wanted)

    def holds_written(self, path: str) -> bool:
        """Whether the armed file holds what was written."""
        return revert.holds_written(path)

    def arm_command(self, name: str, undo: List[str], read: List[str], wanted: str) -> None:
        """The next start runs these arguments."""
        revert.arm_command(name, shlex.join(undo), shlex.join(read), wanted)

    def armed_original(self, path: str) -> Optional[ArmedFile]:
        """{file} as found, or None."""
        revert.take_back_if_due()
        return revert.armed_original(path)

    def disarm(self, name: str) -> None:
        """The next start leaves it alone."""
        revert.disarm(revert.key_of(name))

    def started_with(self, name: str) -> Optional[bytes]:
        """What this start found in its place."""
        revert.take_back_if_due()
        return revert.started_with(revert.key_of(name))

    def way_back(self) -> str:
        """What runs a script at the next start."""
        return revert.way()

    def boot_loader(self) -> Tuple[str, str]:
        """(environment block, menu)."""
        return boot_loader.find()

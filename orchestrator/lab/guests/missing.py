"""What a lab of guests needs of this machine, and the error that says what it lacks."""

from __future__ import annotations

import os
import shutil

from orchestrator.lab.places import path_with_system_folders


class GuestError(RuntimeError):
    """A guest or its image cannot be made or does not answer; the message says what is missing or what was seen."""


def missing_programs(programs: dict[str, str]) -> str:
    """Empty, or a sentence that names programs that are not here and their packages; `programs`: name -> package."""
    path = path_with_system_folders(os.environ.get("PATH"))
    missing = {program: package for program, package in programs.items() if shutil.which(program, path=path) is None}
    if not missing:
        return ""
    return f"{', '.join(missing)} missing: install {', '.join(sorted(set(missing.values())))}"

"""The standard files of a process that needs nothing of the one that started it."""

from __future__ import annotations

import os


def point_standard_files_at_null() -> None:
    """Descriptors 0 to 2 onto /dev/null."""
    null = os.open(os.devnull, os.O_RDWR)
    for number in (0, 1, 2):
        os.dup2(null, number)
    if null > 2:
        os.close(null)

"""What a process of ours holds open: nothing that it does not need."""

from __future__ import annotations

import contextlib
import os

from orchestrator.onhost.process import open_descriptors


def close_all_but(kept: set[int]) -> None:
    """Close every descriptor except `kept`: an SSH channel never ends while a stray process holds its pipe."""
    for number in open_descriptors():
        if number not in kept:
            with contextlib.suppress(OSError):
                os.close(number)


def point_standard_files_at_null() -> None:
    """Descriptors 0 to 2 onto /dev/null."""
    null = os.open(os.devnull, os.O_RDWR)
    for number in (0, 1, 2):
        os.dup2(null, number)
    if null > 2:
        os.close(null)

"""Where the kernel's files are; a recorded tree can stand in for them."""

from __future__ import annotations

import glob
import os
from typing import List, NamedTuple, Optional


class Roots(NamedTuple):
    """Folders; the defaults are this host's own."""

    proc: str = "/proc"
    sys: str = "/sys"
    boot: str = "/boot"
    modules: str = "/lib/modules"
    kernel_log: str = "/dev/kmsg"

    @property
    def live(self) -> bool:
        """Whether this is the running kernel, which can also be asked what no file tells."""
        return self.proc == "/proc"


def text_of(path: str, max_bytes: int = 1 << 20) -> str:
    """A file's text without its end; empty when it cannot be read."""
    try:
        with open(path, "rb") as handle:
            return handle.read(max_bytes).decode("utf-8", "replace").rstrip("\0\n ")
    except OSError:
        return ""


def whole_of(path: str) -> Optional[int]:
    """The whole number in a file; None when there is none."""
    text = text_of(path)
    return int(text) if text.isdigit() else None


def found(pattern: str) -> List[str]:
    """Paths that fit, sorted."""
    return sorted(glob.glob(pattern))


def link_name(path: str) -> str:
    """The last part of what a symbolic link points to; empty when it is none."""
    try:
        return os.path.basename(os.readlink(path))
    except OSError:
        return ""

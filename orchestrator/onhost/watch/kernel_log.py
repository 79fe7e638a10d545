"""What the kernel warned of while a trial ran.

/dev/kmsg gives one record for each read: "level and facility,sequence,microseconds,flags;text" and lines of details
(Documentation/ABI/testing/dev-kmsg). It is readable by root, and by others where the kernel allows it; a host that
refuses simply has no warnings to show. All namespaces share one log.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
from typing import List, Optional, Sequence

ERROR, WARNING = 3, 4  # syslog levels (RFC 5424 s6.2.1); smaller is graver
MAX_LINES, LONGEST_LINE = 20, 200
_RECORD_BYTES = 8192  # the kernel's own limit of a record
# A mere warning counts when it is about what a trial rests on; kernels warn of much else.
_OURS = re.compile(
    r"netdev|transmit queue|link is|carrier|thermal|thrott|voltage|cpu clock|out of memory|hung|stall", re.IGNORECASE
)


class KernelLog:
    """The kernel's log from now on."""

    def __init__(self, names: Sequence[str] = (), path: str = "/dev/kmsg") -> None:
        """`names`: the interface, its driver, its bus address: a warning that has one of them counts."""
        self._names = [name for name in names if name]
        self.readable = True
        try:
            self._descriptor: Optional[int] = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        except OSError:
            self._descriptor, self.readable = None, False
            return
        with contextlib.suppress(OSError):
            os.lseek(self._descriptor, 0, os.SEEK_END)  # what was said before the trial is not about it

    def warnings(self) -> List[str]:
        """The warnings since the last call, oldest first; at most `MAX_LINES`."""
        found: List[str] = []
        while self._descriptor is not None:
            try:
                record = os.read(self._descriptor, _RECORD_BYTES)
            except OSError as error:
                if error.errno == errno.EPIPE:  # overwritten before it was read: go on with the oldest
                    continue
                break
            if not record:
                break
            text = self._warning_in(record)
            if text and len(found) < MAX_LINES:
                found.append(text)
        return found

    def _warning_in(self, record: bytes) -> str:
        """The record's text when it is a warning that counts, else ""."""
        head, _, text = record.decode("utf-8", "replace").partition(";")
        number = head.partition(",")[0]
        line = text.partition("\n")[0][:LONGEST_LINE]
        if not number.isdigit() or int(number) >> 3:  # another facility than the kernel: a program wrote it
            return ""
        level = int(number) & 7
        if level <= ERROR:
            return line
        ours = any(name in line for name in self._names) or _OURS.search(line)
        return line if level == WARNING and ours else ""

    def close(self) -> None:
        """Give the descriptor back."""
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None

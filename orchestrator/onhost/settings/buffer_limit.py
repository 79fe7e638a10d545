"""What the two limits on explicit socket buffers share."""

from __future__ import annotations

from orchestrator.onhost.settings import levels
from orchestrator.onhost.settings.sysctl import SysctlSetting

_LEAST_BYTES, _MOST_BYTES = 2304, (1 << 31) - 1  # SOCK_MIN_RCVBUF on 64-bit machines, and the size of an int


class BufferLimit(SysctlSetting[int]):
    """A limit in bytes; it belongs to the machine and is read-only in any namespace but the first."""

    unit = "bytes"
    example = "16MiB"
    domain_text = "a size from 2304 bytes to 2 GiB"
    whole_machine = True

    def _parsed(self, level: object) -> int:
        size = levels.size_bytes(level, _MOST_BYTES, f"a {self.name}")
        if size < _LEAST_BYTES:
            raise ValueError(f"a {self.name} is at least {_LEAST_BYTES} bytes, not {size}")
        return size

"""What a counter that only ever grows has counted between two readings."""

from __future__ import annotations

from typing import Optional

_ROUND = 1 << 32  # counters of 32 bits: those of 32-bit kernels, of older drivers, of softnet_stat and TCP_INFO


def increase(before: int, after: int) -> Optional[int]:
    """The difference, also when a counter of 32 bits has gone round once; None when it was set back.

    A driver that starts its card anew counts from nothing. What looks like more than half a round is taken for that.
    """
    if after >= before:
        return after - before
    around = after + _ROUND - before
    return around if before < _ROUND and around < _ROUND // 2 else None

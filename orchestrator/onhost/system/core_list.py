"""Core numbers as the kernel lists them."""

from __future__ import annotations

from typing import List, Tuple


def parse_core_list(text: str) -> Tuple[int, ...]:
    """Cores of "0 1 2" or "0-3,8": both forms occur in sysfs."""
    cores: List[int] = []
    for part in text.replace(",", " ").split():
        low, _, high = part.partition("-")
        cores.extend(range(int(low), int(high or low) + 1))
    return tuple(cores)

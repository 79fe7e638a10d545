"""Rings, interrupt coalescing, pause, channels, energy-efficient Ethernet: commands that are tables of 32-bit words."""

from __future__ import annotations

import struct
from typing import Dict, Mapping, NamedTuple, Optional, Tuple

from orchestrator.onhost.ethtool.call import call, call_if_known


class Table(NamedTuple):
    """One pair of commands and the names of their words, in the kernel's order (linux/ethtool.h)."""

    get: int
    set: int
    words: Tuple[str, ...]


RINGS = Table(0x10, 0x11, ("rx-max", "rx-mini-max", "rx-jumbo-max", "tx-max", "rx", "rx-mini", "rx-jumbo", "tx"))
COALESCING = Table(
    0x0E,
    0x0F,
    (
        "rx-usecs",
        "rx-frames",
        "rx-usecs-irq",
        "rx-frames-irq",
        "tx-usecs",
        "tx-frames",
        "tx-usecs-irq",
        "tx-frames-irq",
        "stats-block-usecs",
        "adaptive-rx",
        "adaptive-tx",
        "pkt-rate-low",
        "rx-usecs-low",
        "rx-frames-low",
        "tx-usecs-low",
        "tx-frames-low",
        "pkt-rate-high",
        "rx-usecs-high",
        "rx-frames-high",
        "tx-usecs-high",
        "tx-frames-high",
        "sample-interval",
    ),
)
PAUSE = Table(0x12, 0x13, ("autoneg", "rx", "tx"))
CHANNELS = Table(0x3C, 0x3D, ("rx-max", "tx-max", "other-max", "combined-max", "rx", "tx", "other", "combined"))
ENERGY_EFFICIENCY = Table(
    0x44,
    0x45,
    (
        "supported",
        "advertised",
        "peer-advertised",
        "active",
        "enabled",
        "tx-lpi-enabled",
        "tx-lpi-timer",
        "reserved-1",
        "reserved-2",
    ),
)


def read_table(interface: str, table: Table) -> Optional[Dict[str, int]]:
    """The words by name; None when the driver does not know the command. Raises OSError."""
    answer = call_if_known(interface, struct.pack("=I", table.get) + bytes(4 * len(table.words)))
    if answer is None:
        return None
    return dict(zip(table.words, struct.unpack_from(f"={len(table.words)}I", answer, 4)))


def write_table(interface: str, table: Table, changes: Mapping[str, int]) -> None:
    """Write the table with `changes` in it, the other words as they are now. Raises OSError.

    Drivers refuse words they do not know unless they are 0, which is what they read as.
    """
    words = read_table(interface, table) or dict.fromkeys(table.words, 0)
    words.update(changes)
    call(interface, struct.pack(f"={1 + len(table.words)}I", table.set, *(words[name] for name in table.words)))

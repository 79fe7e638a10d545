"""What version 1 of a run's tables called otherwise: column by column; the rest is `decide.version_1`. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from orchestrator.words.renamed import FACTORS

_OURS = {
    "asked_bit_s": "intended_load_bit_s",
    "offered_bit_s": "offered_load_bit_s",
    "lost_own_queue": "lost_sender_queue",
    "lost_own_interface": "lost_sender_interface",
    "lost_far_interface": "lost_receiver_interface",
    "foreign_bytes": "cross_traffic_bytes",
    "goodput_least_bit_s": "goodput_min_bit_s",
    "goodput_greatest_bit_s": "goodput_max_bit_s",
}
COLUMNS = {**_OURS, **FACTORS}


def renamed(header: Sequence[str]) -> dict[str, str]:
    """{a column's name in version 1: its name today}, of those in a table's header.

    Nothing in a table of today's version: there a factor of the user's own may have any of the old names.
    """
    if not set(_OURS) & set(header) or set(_OURS.values()) & set(header):
        return {}
    return {old: new for old, new in COLUMNS.items() if old in header}

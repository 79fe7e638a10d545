"""What drivers tell and take through the ethtool ioctl, with the standard library alone.

Reads answer None (or nothing) when a driver does not know the command; everything else raises OSError.
"""

from __future__ import annotations

from orchestrator.onhost.ethtool.features import FeatureState, RequestedState, features, set_features
from orchestrator.onhost.ethtool.identity import driver_info, permanent_address
from orchestrator.onhost.ethtool.link_modes import (
    LinkSettings,
    fastest,
    link_settings,
    mode_name,
    modes_of,
    set_link_settings,
    speed_modes,
)
from orchestrator.onhost.ethtool.tables import (
    CHANNELS,
    COALESCING,
    ENERGY_EFFICIENCY,
    PAUSE,
    RINGS,
    Table,
    read_table,
    write_table,
)

__all__ = [
    "CHANNELS",
    "COALESCING",
    "ENERGY_EFFICIENCY",
    "PAUSE",
    "RINGS",
    "FeatureState",
    "LinkSettings",
    "RequestedState",
    "Table",
    "driver_info",
    "fastest",
    "features",
    "link_settings",
    "mode_name",
    "modes_of",
    "permanent_address",
    "read_table",
    "set_features",
    "set_link_settings",
    "speed_modes",
    "write_table",
]

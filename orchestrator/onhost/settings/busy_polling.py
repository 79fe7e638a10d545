"""How long a waiting program asks the card itself before it sleeps."""

from __future__ import annotations

from orchestrator.onhost.settings import levels
from orchestrator.onhost.settings.sysctl import SysctlSetting


class BusyPolling(SysctlSetting[int]):
    """For reading and for select or poll alike; 0 is off. It spends a core to save microseconds."""

    name = "busy-polling"
    unit = "us"
    doc = "How long a read or a poll asks the card itself before it sleeps; 0 is off."
    example = "50"
    domain_text = "0 to 1000"
    paths = ("net/core/busy_read", "net/core/busy_poll")
    touches = ("sysctl::core/busy_read", "sysctl::core/busy_poll")
    whole_machine = True

    def _parsed(self, level: object) -> int:
        return levels.whole(level, 0, 1000, "busy polling", "microseconds")

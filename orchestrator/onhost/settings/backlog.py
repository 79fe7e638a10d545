"""How many packets may wait for a core before they are dropped."""

from __future__ import annotations

from orchestrator.onhost.settings import levels
from orchestrator.onhost.settings.sysctl import SysctlSetting


class Backlog(SysctlSetting[int]):
    """The receive backlog of each core; used by drivers without a poll of their own, and by receive steering."""

    name = "backlog"
    unit = "packets"
    doc = "Packets that may wait for a core on receipt, before they are dropped."
    example = "5000"
    domain_text = "1 to 1000000"
    paths = ("net/core/netdev_max_backlog",)
    touches = ("sysctl::core/netdev_max_backlog",)
    whole_machine = True

    def _parsed(self, level: object) -> int:
        return levels.whole(level, 1, 1_000_000, "a backlog", self.unit)

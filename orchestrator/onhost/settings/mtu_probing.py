"""Whether TCP finds the path's MTU by itself when routers stay silent (RFC 4821)."""

from __future__ import annotations

from orchestrator.onhost.settings import levels
from orchestrator.onhost.settings.sysctl import SysctlSetting

_LEVELS = {"off": 0, "after-black-hole": 1, "always": 2}


class MtuProbing(SysctlSetting[str]):
    """0 off, 1 once a black hole was found, 2 always, as the kernel counts."""

    name = "mtu-probing"
    unit = ""
    doc = "Whether TCP probes for the path's MTU: never, once a black hole was found, or always."
    example = "after-black-hole"
    domain_text = ", ".join(_LEVELS)
    paths = ("net/ipv4/tcp_mtu_probing",)
    touches = ("sysctl::ipv4/tcp_mtu_probing",)

    def _parsed(self, level: object) -> str:
        if not isinstance(level, str) or level not in _LEVELS:
            raise ValueError(f"MTU probing is {', '.join(_LEVELS)}, not {levels.shown(level)}")
        return level

    def _read_level(self, text: str) -> str:
        return next((name for name, number in _LEVELS.items() if str(number) == text), text)

    def _written(self, level: object) -> str:
        return str(_LEVELS[self._parsed(level)])

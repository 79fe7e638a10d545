"""How TCP reacts to loss and delay."""

from __future__ import annotations

from orchestrator.onhost.settings import levels
from orchestrator.onhost.settings.sysctl import SysctlSetting

_AVAILABLE = "/proc/sys/net/ipv4/tcp_available_congestion_control"


class CongestionControl(SysctlSetting[str]):
    """The algorithm of new TCP connections, of both IP versions. One that is a module is loaded by the kernel."""

    name = "congestion-control"
    unit = ""
    doc = "TCP's congestion control for new connections of the host."
    example = "cubic"
    domain_text = "a name that the host's kernel has, such as cubic, reno, bbr"
    paths = ("net/ipv4/tcp_congestion_control",)
    touches = ("sysctl::ipv4/tcp_congestion_control",)

    def _parsed(self, level: object) -> str:
        # TCP_CA_NAME_MAX is 16 with the end
        return levels.name(level, r"[a-z][a-z0-9_-]{0,14}", "a congestion control", self.example)

    def _read_level(self, text: str) -> str:
        return text

    def _write(self, target: str, level: object) -> None:
        try:
            super()._write(target, level)
        except FileNotFoundError as error:
            available = self._kernel.read_text(_AVAILABLE)
            raise OSError(error.errno, f"it has no {level}, only {', '.join(available.split())}") from error

"""The receive buffer that TCP sizes by itself."""

from __future__ import annotations

from orchestrator.onhost.settings.three_numbers import ThreeNumbers


class TcpReceiveMemory(ThreeNumbers):
    """Least, default and most; automatic sizing moves between the first and the last."""

    name = "tcp-receive-memory"
    unit = "bytes"
    doc = "Least, default and most of the receive buffer that TCP sizes by itself."
    paths = ("net/ipv4/tcp_rmem",)
    touches = ("sysctl::ipv4/tcp_rmem",)

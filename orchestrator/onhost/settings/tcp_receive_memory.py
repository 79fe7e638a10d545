"""The receive buffer that TCP sizes by itself."""

from __future__ import annotations

from orchestrator.onhost.settings.three_numbers import ThreeNumbers


class TcpReceiveMemory(ThreeNumbers):
    """Min, default and max; automatic sizing moves between the first and the last."""

    name = "tcp-receive-memory"
    unit = "bytes"
    doc = "Min, default and max of the receive buffer that TCP sizes by itself."
    paths = ("net/ipv4/tcp_rmem",)
    touches = ("sysctl::ipv4/tcp_rmem",)

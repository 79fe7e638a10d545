"""The send buffer that TCP sizes by itself."""

from __future__ import annotations

from orchestrator.onhost.settings.three_numbers import ThreeNumbers


class TcpTransmitMemory(ThreeNumbers):
    """Least, default and most; automatic sizing moves between the first and the last."""

    name = "tcp-transmit-memory"
    unit = "bytes"
    doc = "Least, default and most of the send buffer that TCP sizes by itself."
    paths = ("net/ipv4/tcp_wmem",)
    touches = ("sysctl::ipv4/tcp_wmem",)

"""The send buffer that TCP sizes by itself."""

from __future__ import annotations

from orchestrator.onhost.settings.three_numbers import ThreeNumbers


class TcpTransmitMemory(ThreeNumbers):
    """Min, default and max; automatic sizing moves between the first and the last."""

    name = "tcp-transmit-memory"
    unit = "bytes"
    doc = "Min, default and max of the send buffer that TCP sizes by itself."
    paths = ("net/ipv4/tcp_wmem",)
    touches = ("sysctl::ipv4/tcp_wmem",)

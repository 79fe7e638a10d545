"""When TCP as a whole begins to save memory."""

from __future__ import annotations

from orchestrator.onhost.settings.three_numbers import ThreeNumbers


class TcpMemory(ThreeNumbers):
    """All of TCP's memory; it belongs to the machine and does not exist in other namespaces."""

    name = "tcp-memory"
    unit = "pages"
    doc = "When TCP as a whole starts to save memory, presses for it, and has no more."
    example = "188000 250000 376000"
    paths = ("net/ipv4/tcp_mem",)
    touches = ("sysctl::ipv4/tcp_mem",)
    whole_machine = True

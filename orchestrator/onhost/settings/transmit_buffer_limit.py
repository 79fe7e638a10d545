"""The most that a program may ask for as its socket's send buffer."""

from __future__ import annotations

from orchestrator.onhost.settings.buffer_limit import BufferLimit


class TransmitBufferLimit(BufferLimit):
    """Explicit buffers turn TCP's automatic sizing off; this limit does not touch automatic sizing."""

    name = "transmit-buffer-limit"
    doc = "Largest send buffer that a program may set; not TCP's automatic one."
    paths = ("net/core/wmem_max",)
    touches = ("sysctl::core/wmem_max",)

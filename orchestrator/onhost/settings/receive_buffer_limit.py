"""The most that a program may ask for as its socket's receive buffer."""

from __future__ import annotations

from orchestrator.onhost.settings.buffer_limit import BufferLimit


class ReceiveBufferLimit(BufferLimit):
    """Explicit buffers turn TCP's automatic sizing off; this limit does not touch automatic sizing."""

    name = "receive-buffer-limit"
    doc = "Largest receive buffer that a program may set; not TCP's automatic one."
    paths = ("net/core/rmem_max",)
    touches = ("sysctl::core/rmem_max",)

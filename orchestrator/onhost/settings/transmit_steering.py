"""Which cores use which transmit queue (XPS)."""

from __future__ import annotations

from orchestrator.onhost.settings.steering import QueueSteering


class TransmitSteering(QueueSteering):
    """A set of cores for every transmit queue; with `spread` each queue has its own."""

    name = "transmit-steering"
    doc = "Cores that use a transmit queue; spread gives each queue cores of its own."
    example = "spread"
    file = "xps_cpus"
    touches = ("steering:{target}:queues/tx-*/xps_cpus",)

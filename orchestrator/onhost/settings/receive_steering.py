"""Which cores take over the protocol work of received packets, whatever core was interrupted (RPS)."""

from __future__ import annotations

from orchestrator.onhost.settings.steering import QueueSteering


class ReceiveSteering(QueueSteering):
    """A set of cores for every receive queue; the flow's hash chooses among them."""

    name = "receive-steering"
    doc = "Cores that take over protocol work of received packets, chosen by the flow's hash."
    file = "rps_cpus"
    touches = ("steering:{target}:queues/rx-*/rps_cpus",)

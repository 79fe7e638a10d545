"""Which kernel a host's figures are of: a host started for the run ends with another than it measured with. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from typing import cast

from orchestrator.decide.shapes.host_facts import HostFacts, KernelFacts
from orchestrator.decide.state import HostState, RunState

_OF_A_KERNEL = ("kernel", "kernel_build", "kernel_identity")


def note_kernels(state: RunState) -> None:
    """After a trial: with what each host has measured it."""
    for host in state.hosts.values():
        running = cast("KernelFacts", {key: (host.facts or {}).get(key) for key in _OF_A_KERNEL})
        if running not in host.measured_with:
            host.measured_with.append(running)


def facts_as_measured(host: HostState) -> HostFacts | None:
    """The host's facts with the kernel that trials ran on; of several, each of their words once."""
    known = host.measured_with
    if host.facts is None or not known:
        return host.facts
    if len(known) == 1:
        return {**host.facts, **known[0]}
    identities = [kernel.get("kernel_identity") or {} for kernel in known]
    together = {key: _all_of(identity.get(key) for identity in identities) for key in identities[0]}
    of_all = {
        **host.facts,
        "kernel": _all_of(kernel.get("kernel") for kernel in known),
        "kernel_build": _all_of(kernel.get("kernel_build") for kernel in known),
        "kernel_identity": together,
    }
    return cast("HostFacts", of_all)


def _all_of(values: Iterable[object]) -> object:
    """Texts joined, each once; of anything else the first."""
    found = list(values)
    texts = [value for value in found if isinstance(value, str) and value]
    return " and ".join(dict.fromkeys(texts)) if texts or not found else found[0]

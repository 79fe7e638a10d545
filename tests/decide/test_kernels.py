"""A run is told with the kernel that it measured on, whichever runs when it ends."""

from __future__ import annotations

from typing import Any

from orchestrator.decide.restarting.kernels import facts_as_measured
from orchestrator.decide.state import HostState


def kernel(release: str, parameters: str) -> dict[str, Any]:
    return {
        "kernel": release,
        "kernel_build": "#1",
        "kernel_identity": {"release": release, "boot_parameters": parameters, "modules": ["a", "b"]},
    }


def host(*measured: dict[str, Any]) -> HostState:
    return HostState(facts={"hostname": "dome", **kernel("6.1", "quiet")}, measured_with=list(measured))


def test_without_a_trial_the_facts_are_those_of_the_host() -> None:
    assert facts_as_measured(HostState()) is None
    assert facts_as_measured(host()) == host().facts


def test_the_one_kernel_that_was_measured_is_told_although_the_host_ended_with_another() -> None:
    assert facts_as_measured(host(kernel("6.12", ""))) == {"hostname": "dome", **kernel("6.12", "")}


def test_of_several_each_is_named_once() -> None:
    found = facts_as_measured(host(kernel("6.1", "quiet"), kernel("6.12", "quiet"), kernel("6.12", "")))
    assert found is not None
    assert found["kernel"] == "6.1 and 6.12"
    assert found["kernel_build"] == "#1"
    assert found["kernel_identity"] == {"release": "6.1 and 6.12", "boot_parameters": "quiet", "modules": ["a", "b"]}

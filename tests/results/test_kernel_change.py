"""Whether the kernel is another than a reference run's, from made-up records."""

from __future__ import annotations

from copy import deepcopy
from typing import Any

import pytest

from orchestrator.results.comparison.environment import differences, environment
from orchestrator.results.comparison.kernel_change import kernel_changes
from tests.results.synthetic import facts

IDENTITY = {
    "release": "6.1.0",
    "build": "#1 SMP",
    "build_id": "aa11",
    "configuration_sha256": "c0ffee",
    "boot_parameters": "quiet",
    "modules_sha256": "11",
    "modules": ["stella 0a", "tun 0b"],
}


def bench() -> dict[str, Any]:
    """run.json of two hosts, as far as kernels go."""
    hosts = {
        name: {
            "facts": {
                **facts(name, "6.1.0", f"02:00:5e:10:00:0{number}", f"198.18.0.1{number}"),
                "kernel_identity": deepcopy(IDENTITY),
            }
        }
        for number, name in enumerate(("dome", "hall"))
    }
    return {
        "hosts": hosts,
        "links": {"uplink": {"ends": [["dome", "eth1"], ["hall", "eth1"]], "rate_bit_s": 1e9}},
        "linktrial": "0.1.0",
        "helper_hash": "aa",
        "plan_name": "kernel",
    }


def now_of(run: dict[str, Any]) -> dict[str, Any]:
    return {name: deepcopy(host["facts"]) for name, host in run["hosts"].items()}


def test_the_same_kernel_is_no_change() -> None:
    assert kernel_changes(bench(), now_of(bench())) == []


@pytest.mark.parametrize(("key", "what"), [("kernel", "dome: kernel"), ("kernel_build", "dome: kernel build")])
def test_another_release_or_build_is_a_change(key: str, what: str) -> None:
    now = now_of(bench())
    now["dome"][key] = "another"
    assert [change.what for change in kernel_changes(bench(), now)] == [what]


@pytest.mark.parametrize(
    ("key", "value", "what"),
    [
        ("build_id", "bb22", "hall: kernel build id"),
        ("configuration_sha256", "dd", "hall: kernel configuration"),
        ("boot_parameters", "quiet mitigations=off", "hall: boot parameters"),
        ("modules", ["stella 0c", "tun 0b"], "hall: module stella"),
    ],
)
def test_a_rebuilt_kernel_of_the_same_release_is_a_change(key: str, value: Any, what: str) -> None:
    now = now_of(bench())
    now["hall"]["kernel_identity"][key] = value
    assert [change.what for change in kernel_changes(bench(), now)] == [what]


def test_another_driver_of_the_measured_interface_is_a_change_and_of_others_is_not() -> None:
    now = now_of(bench())
    now["hall"]["interfaces"].append({**now["hall"]["interfaces"][0], "name": "eth7", "driver": "else"})
    assert kernel_changes(bench(), now) == []
    now["hall"]["interfaces"][0]["driver_version"] = "2"
    reference = bench()
    reference["hosts"]["hall"]["facts"]["interfaces"][0]["driver_version"] = "1"
    assert [change.what for change in kernel_changes(reference, now)] == ["uplink, hall: driver version"]


def test_a_module_that_measuring_loaded_is_no_change_and_what_an_older_run_did_not_record_is_none() -> None:
    now = now_of(bench())
    now["dome"]["kernel_identity"]["modules"].append("sch_netem 0e")
    now["dome"]["kernel_identity"]["modules_sha256"] = "22"
    assert kernel_changes(bench(), now) == []
    old = bench()
    del old["hosts"]["dome"]["facts"]["kernel_identity"]
    assert kernel_changes(old, now) == []


def test_a_host_that_the_reference_does_not_know_is_a_change() -> None:
    now = {**now_of(bench()), "annex": now_of(bench())["dome"]}
    assert "annex: kernel" in [change.what for change in kernel_changes(bench(), now)]


def test_a_comparison_tells_kernels_before_everything_else() -> None:
    one, other = bench(), bench()
    other |= {"linktrial": "0.2.0", "helper_hash": "bb"}
    other["hosts"]["hall"]["facts"] |= {"kernel": "6.12.1", "python": "3.13"}
    other["hosts"]["hall"]["facts"]["kernel_identity"] |= {"release": "6.12.1", "configuration_sha256": "dd"}
    found = [each.what for each in differences(environment(one), environment(other))]
    assert found[:2] == ["hall: kernel", "hall: kernel configuration"]
    assert {"linktrial", "helper code", "hall: Python"} <= set(found[2:])

"""What all tests share: labs, and the rule that a test on a lab or on guests is either run or reported as not run."""

from __future__ import annotations

import os
from collections.abc import Generator, Iterator

import pytest
from hypothesis import settings

from orchestrator.lab.guests.machines import why_no_machines_here
from orchestrator.lab.lab import Lab, why_no_lab_here

# tests/run.sh sets it when it runs as root: a machine on which the lab tests cannot run must not look healthy
LAB_REQUIRED = os.environ.get("LINKTRIAL_REQUIRE_LAB") == "1"
ONLY_BY_PROOFS = ("guests", "proof")

# No test asserts a time, and an example that waited for a core is no finding.
settings.register_profile("whatever-it-takes", deadline=None)
settings.load_profile("whatever-it-takes")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Skip lab tests where no lab can be made; leave the proofs to tests/proofs.sh, which asks for them by marker."""
    missing = why_no_lab_here("openssh")
    no_guests = why_no_machines_here() if any(item.get_closest_marker("guests") for item in items) else ""
    for item in items:
        if no_guests and item.get_closest_marker("guests"):
            item.add_marker(pytest.mark.skip(reason=f"no guests here: {no_guests}"))
        elif missing and item.get_closest_marker("lab"):
            item.add_marker(pytest.mark.skip(reason=f"no lab here: {missing}"))
        elif item.get_closest_marker("lab"):
            # Real traffic and real clocks on a machine that others may use: a failure must repeat to count. The
            # report shows every repetition ("rerun"), so a test that needs them often does not hide.
            item.add_marker(pytest.mark.flaky(reruns=2))
    if not config.option.markexpr:
        proofs = [item for item in items if any(item.get_closest_marker(name) for name in ONLY_BY_PROOFS)]
        items[:] = [item for item in items if item not in proofs]
        if proofs:
            config.hook.pytest_deselected(items=proofs)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Where the lab is required, a test on its hosts or guests that was skipped has failed."""
    report = yield
    required = LAB_REQUIRED and any(item.get_closest_marker(name) for name in ("lab", "guests"))
    if required and report.skipped and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"a lab test was skipped where the lab is required: {report.longrepr}"
    return report


@pytest.fixture
def lab() -> Iterator[Lab]:
    """The observatory with real OpenSSH servers, fresh for one test."""
    with Lab(server="openssh") as made:
        yield made

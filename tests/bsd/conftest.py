"""A bench of a Linux host (`dome`) and an emulated host of the BSD family (`hall`)."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from orchestrator.lab.lab import Lab
from tests.bsd.emulation import make_bsd


@pytest.fixture
def lab() -> Iterator[Lab]:
    """The observatory; the lab's own SSH server, because OpenSSH's would not start without a /proc."""
    with Lab(server="asyncssh") as made:
        make_bsd(made.hosts["hall"])
        yield made

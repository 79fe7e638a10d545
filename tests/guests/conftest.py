"""Guests for the tests: made once for a file, because each start takes seconds on two cores."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from orchestrator.lab.guests.machines import Machines
from tests.guests.runs import UPLINK_RATE_BIT_S


@pytest.fixture(scope="module")
def observatory() -> Iterator[Machines]:
    """The dome computer and the hall server as two guests with Debian's cloud kernels, a 100 Mb/s link between."""
    with Machines(rate_bit_s=UPLINK_RATE_BIT_S) as machines:
        yield machines

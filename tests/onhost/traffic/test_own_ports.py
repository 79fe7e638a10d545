"""Two runs of these tests at once have ports of their own."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from tests.onhost.traffic.own_ports import OWN_PORTS, claimed

_TELL = "from tests.onhost.traffic.own_ports import OWN_PORTS; print(*OWN_PORTS)"


def test_no_two_processes_have_a_port_in_common() -> None:
    told = subprocess.run(
        [sys.executable, "-c", _TELL],
        cwd=Path(__file__).parents[3],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    ).stdout
    assert len(told.split()) == len(OWN_PORTS)
    assert not {*map(int, told.split())} & {*OWN_PORTS}


def test_ports_are_free_again_once_their_holder_is_gone() -> None:
    held, ports = claimed()
    other, others = claimed()
    assert not {*ports} & {*others}
    held.close()
    again, found = claimed()
    assert found == ports
    again.close()
    other.close()

"""`run` refuses what `check` could not know: a lease too short for an interface that SSH turns out to share."""

from __future__ import annotations

from dataclasses import replace

import pytest

from orchestrator.decide import events as ev
from orchestrator.decide.links.shared_paths import lease_too_short, only_ssh_renews
from orchestrator.decide.machine import advance, handle
from orchestrator.decide.state import RunState, begin
from orchestrator.planning.min_lease import SOONEST_BACK_S, min_for_change_s, min_for_flood_s
from tests.sim.fake_host import FakeHost
from tests.sim.sim import make_setup

HOSTS = ("dome", "hall")


def met(lease_s: float, **traffic: object) -> RunState:
    """A run that has met both hosts; its cells change the MTU of eth1 and have this traffic."""
    setup = make_setup(3)
    cells = tuple(
        replace(
            cell,
            settings=tuple(use for use in cell.settings if use.setting == "mtu"),
            traffic={**cell.traffic, **traffic},
        )
        for cell in setup.cells
    )
    state = begin(replace(setup, hosts=HOSTS, cells=cells, lease_s=lease_s, costly=("mtu",)))
    advance(state)
    for number, name in enumerate(HOSTS):
        handle(state, ev.Connected(name, FakeHost(name, number + 1, {("mtu", "eth1"): 1500}).facts()))
    return state


@pytest.mark.parametrize(
    ("traffic", "min_s"),
    [
        ({"transport": "udp", "intended_load": None}, min_for_flood_s()),
        ({"transport": "udp", "intended_load": {"bit_s": 1000}}, min_for_change_s(SOONEST_BACK_S)),
        ({"transport": "tcp", "intended_load": None}, min_for_change_s(SOONEST_BACK_S)),
    ],
)
@pytest.mark.parametrize("host", HOSTS)
def test_run_refuses_a_shorter_lease_where_ssh_comes_in_by_the_interface_and_only_there(
    traffic: dict[str, object], min_s: float, host: str
) -> None:
    short = min_s - 0.1
    assert lease_too_short(met(short, **traffic), {host: {"eth0"}}) is None
    assert lease_too_short(met(short, **traffic), {}) is None
    assert lease_too_short(met(min_s, **traffic), {host: {"eth0", "eth1"}}) is None
    fault = lease_too_short(met(short, **traffic), {host: {"eth0", "eth1"}})
    assert fault is not None
    assert (fault.code, fault.host, fault.values["min_s"]) == ("lease_too_short", host, min_s)
    assert f"write lease: {min_s:g}" in fault.next_step
    assert f"SSH reaches {host} over eth1" in fault.message


def test_where_only_ssh_can_renew_in_a_flood_it_is_said_once_and_nowhere_else() -> None:
    state = met(30.0, transport="udp", intended_load=None)
    flood, calm = (
        state.setup.cells[0],
        replace(state.setup.cells[0], traffic={**state.setup.cells[0].traffic, "transport": "tcp"}),
    )
    [sentence] = only_ssh_renews(state.setup, flood, ["dome"])
    assert sentence.startswith("dome: SSH shares the measured link, and no UDP of ours reaches the host")
    assert only_ssh_renews(state.setup, flood, []) == []
    assert only_ssh_renews(state.setup, calm, ["dome"]) == []

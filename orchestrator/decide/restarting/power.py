"""Whether a host that does not come back may have its power switched: rarely, and only if the plan says how. Pure."""

from __future__ import annotations

from orchestrator.decide.commands import Command, PowerCycle, Rejoin
from orchestrator.decide.setup import PowerSwitch
from orchestrator.decide.state import HostState, RunState

# Codes of a host that gives no sign of life; one that answers with anything else is alive, and is left alone.
NO_LIFE = frozenset({"no_answer", "refused", "closed", "unreachable", "silent", "lost", "jump_refused"})
MOST_PER_RUN = 2  # of each host; more often is a fault that a person has to look at
START_BY_HAND = (
    "look at its power, console and control network, start it by hand, then resume the run, or recover it "
    "to restore what is left"
)
WANTED, SWITCHED = "wanted", "switched"


def switch_of(state: RunState, name: str) -> PowerSwitch | None:
    """How the plan switches a host's power, or None."""
    return next((switch for switch in state.setup.power if switch.host == name), None)


def may_switch(state: RunState, name: str, code: str) -> bool:
    """Whether a host that could not be reached in the plan's patience is switched off and on now.

    At most once in a trial (the end of the run counts as one) and twice in a run, and never once a person wants the
    run to end.
    """
    host = state.hosts[name]
    asked_to_end = state.stop is not None and state.stop["kind"] in ("interrupt", "terminate")
    return (
        state.began
        and not asked_to_end
        and code in NO_LIFE
        and switch_of(state, name) is not None
        and len(host.power_cycles) < MOST_PER_RUN
        and _trial(state) not in host.power_cycles
    )


def reach(state: RunState, name: str) -> Command:
    """The next step to a lost host: wait for it, switch its power, or wait for it after that."""
    host, switch = state.hosts[name], switch_of(state, name)
    if host.power == WANTED and switch is not None:
        host.power = SWITCHED
        host.power_cycles.append(_trial(state))
        return PowerCycle(name)
    if host.power == SWITCHED and switch is not None:
        return Rejoin(name, switch.wait_s)
    return Rejoin(name)


def by_hand(state: RunState, name: str) -> str:
    """What a person has to know and to do about a host that did not come back."""
    host: HostState = state.hosts[name]
    tried = f", nor after its power was switched {_times(len(host.power_cycles))}" if host.power_cycles else ""
    return f"{name}: did not come back within {state.setup.patience_s:g} s{tried}; {START_BY_HAND}"


def _times(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def _trial(state: RunState) -> int:
    return state.position or state.next_position()

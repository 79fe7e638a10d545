"""The plan of the demo: the observatory's question, as its people would write it down."""

from __future__ import annotations

_PLAN = """\
plan: dome-to-hall
purpose: Which frame size{and_clock} fill{s} the 2.5 Gb/s uplink from the dome computer?
hosts:                                # made by this program on this machine; yours are names that ssh knows
  dome: {{ssh: dome, privilege: root}}
  hall: {{ssh: hall, privilege: root}}
links:
  uplink:
    under_test: dome eth1
    far: hall eth1
    rate: 2.5Gbit/s                   # these interfaces report 10 Gb/s whatever the switch between them carries
    ports: 20000-20063
    isolated: true
factors:
  mtu: [1500, 9000]
{clock}  direction: [transmit, receive]
trial: {{length: {seconds}s, warmup: 300ms, settle: 200ms, replicates: {replicates}}}
order: {{shuffle: true, seed: {seed}}}
threshold: 3%
"""
_CLOCK = "  clock: {setting: governor, at: dome, levels: [powersave, performance]}\n"


def demo_plan(*, with_clock: bool, seconds: float, replicates: int, seed: int = 7) -> str:
    """The plan's text; without the clock where this machine cannot give a host a slow one."""
    return _PLAN.format(
        and_clock=" and clock policy" if with_clock else "",
        s="" if with_clock else "s",
        clock=_CLOCK if with_clock else "",
        seconds=f"{seconds:g}",
        replicates=replicates,
        seed=seed,
    )

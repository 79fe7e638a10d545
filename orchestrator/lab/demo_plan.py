"""The plan of the demo: the observatory's question, as its people would write it down."""

from __future__ import annotations

_PLAN = """\
plan: dome-to-hall
purpose: >-
  Does the sky camera's stream of 240 Mb/s fit the uplink from the dome computer to the hall, with which frames and over
  how many flows? And what does the uplink carry at all, each way?
hosts:                                # made by this program on this machine; yours are names that ssh knows
  dome: {{ssh: dome, privilege: root}}
  hall: {{ssh: hall, privilege: root}}
links:
  uplink:
    under_test: dome sky0
    far: hall obs0
    rate: 1Gbit/s                     # these interfaces report 10 Gb/s whatever the switch between them carries
    ports: 20000-20063
    isolated: true
factors:
  mtu: [1500, 9000]
  transport: [tcp, udp]               # tcp: what the uplink carries; udp: the camera's stream
  direction: [transmit, receive]
  intended_load: [240Mbit/s]
  streams: {{levels: [1, 4], only: {{transport: udp}}}}
leave_out:
  - {{transport: udp, direction: receive}}   # the camera only sends
trial: {{length: {seconds}s, warmup: 300ms, settle: 200ms, replicates: {replicates}}}
order: {{shuffle: true, seed: {seed}}}
threshold: 3%
"""


def demo_plan(*, seconds: float, replicates: int, seed: int = 7) -> str:
    """The plan's text."""
    return _PLAN.format(seconds=f"{seconds:g}", replicates=replicates, seed=seed)

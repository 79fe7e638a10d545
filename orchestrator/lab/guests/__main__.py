"""Guests by hand: `python -m orchestrator.lab.guests [-- COMMAND...]`.

Starts two guests (dome and hall) and runs COMMAND, or a shell, in the controller's place, where `ssh dome` and
`linktrial` reach them; the guests end with it.
"""

from __future__ import annotations

import argparse
import dataclasses
import os
import sys

from orchestrator.lab.guests.cards import Card
from orchestrator.lab.guests.machines import Machines
from orchestrator.lab.guests.missing import GuestError
from orchestrator.lab.guests.recipe import CLOUD, FULL, SYSTEMD
from orchestrator.lab.guests.scenario import OBSERVATORY
from orchestrator.lab.lab import LabError

_RECIPES = {"cloud": CLOUD, "full": FULL, "systemd": SYSTEMD}


def main() -> int:
    """Start, run, stop."""
    parser = argparse.ArgumentParser(prog="python -m orchestrator.lab.guests", description=__doc__)
    parser.add_argument("--image", choices=_RECIPES, default="cloud", help="kernels and first process (default: cloud)")
    parser.add_argument("--card", action="append", help="a measured card of each guest, e.g. e1000e; may be repeated")
    parser.add_argument("--cores", type=int, default=1, help="of each guest (default: 1)")
    parser.add_argument("command", nargs="*", help="what to run; a shell when there is none")
    asked = parser.parse_args()
    cards = tuple(Card(device) for device in asked.card or ["virtio-net-pci"])
    guests = [
        dataclasses.replace(guest, cards=cards, cores=asked.cores, recipe=_RECIPES[asked.image])
        for guest in OBSERVATORY
    ]
    try:
        with Machines(guests, say=_say) as machines:
            for machine in machines.machines.values():
                _say(f"{machine.name} runs {machine.starts[-1].release}: ssh -F {machines.ssh_config} {machine.name}")
                _say(f"  its power: {' '.join(machines.power_command(machine.name))}")
            _say(f"a plan: linktrial run PLAN --ssh-config {machines.ssh_config}; measured ends dome:eth1, hall:eth1")
            command = asked.command or [os.environ.get("SHELL", "/bin/sh")]
            return machines.lab.run(command, check=False).returncode
    except (GuestError, LabError) as error:
        _say(str(error))
        return 3


def _say(words: str) -> None:
    sys.stderr.write(f"guests: {words}\n")


if __name__ == "__main__":
    sys.exit(main())

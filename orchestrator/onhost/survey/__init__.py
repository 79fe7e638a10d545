"""What a host is and can do, in depth, read without changing anything and as far as possible without privilege."""

from __future__ import annotations

from typing import Any, Dict

from orchestrator.onhost.safety.control_path import control_path
from orchestrator.onhost.service.facts import read_facts
from orchestrator.onhost.settings.this_host import this_host
from orchestrator.onhost.survey.activity import read_activity
from orchestrator.onhost.survey.cards import read_cards, read_interface_depths
from orchestrator.onhost.survey.kernel_identity import read_kernel_identity
from orchestrator.onhost.survey.machine import read_machine
from orchestrator.onhost.survey.roots import Roots


def read_survey() -> Dict[str, Any]:
    """The facts, and with them: `machine`, `cards`, `activity`, `control`, and more of every interface.

    Takes about a third of a second, most of it spent watching what else uses the interfaces. Raises OSError.
    """
    roots = Roots()
    facts = read_facts()
    names = [each["name"] for each in facts["interfaces"] if not each["loopback"]]
    depths = read_interface_depths(roots, names)
    # a namespace shows the bus of the machine itself without its interfaces
    cards = read_cards(roots, facts["kernel"]) if this_host().owns_machine() else []
    interfaces = [{**each, **depths.get(each["name"], {})} for each in facts["interfaces"]]
    return {
        **facts,
        "interfaces": interfaces,
        "kernel_identity": read_kernel_identity(roots),
        "machine_depth": read_machine(roots, facts["kernel"]),
        "cards": cards,
        "activity": read_activity(roots, names),
        "control": control_path(),
    }

"""What a host is and can do, in depth, read without changing anything and as far as possible without privilege."""

from __future__ import annotations

from typing import List

from orchestrator.onhost.safety.answers import ControlPath
from orchestrator.onhost.safety.control_path import control_path
from orchestrator.onhost.service.facts import HostFacts, InterfaceFacts, read_facts
from orchestrator.onhost.settings.this_host import this_host
from orchestrator.onhost.survey.activity import Activity, read_activity
from orchestrator.onhost.survey.cards import Card, InterfaceDepth, read_cards, read_interface_depths
from orchestrator.onhost.survey.kernel_identity import KernelIdentity, read_kernel_identity
from orchestrator.onhost.survey.machine import Machine, read_machine
from orchestrator.onhost.survey.roots import Roots


class SurveyedInterface(InterfaceFacts, InterfaceDepth):
    """An interface with what its driver, queues and bus are."""


class Survey(HostFacts):
    """The facts, and in depth the machine, its cards, what else goes on, and by which way it is controlled."""

    interfaces: List[SurveyedInterface]
    kernel_identity: KernelIdentity
    machine_depth: Machine
    cards: List[Card]
    activity: Activity
    control: ControlPath


def read_survey() -> Survey:
    """The facts, and in depth the machine, its cards, what else goes on, and by which way it is controlled.

    Takes about a third of a second, most of it spent watching what else uses the interfaces. Raises OSError.
    """
    roots = Roots()
    facts = read_facts()
    names = [each["name"] for each in facts["interfaces"] if not each["loopback"]]
    depths = read_interface_depths(roots, names)
    # a namespace shows the bus of the machine itself without its interfaces
    cards = read_cards(roots, facts["kernel"]) if this_host().owns_machine() else []
    interfaces: List[SurveyedInterface] = [{**each, **depths.get(each["name"], {})} for each in facts["interfaces"]]
    return {
        **facts,
        "interfaces": interfaces,
        "kernel_identity": read_kernel_identity(roots),
        "machine_depth": read_machine(roots, facts["kernel"]),
        "cards": cards,
        "activity": read_activity(roots, names),
        "control": control_path(),
    }

"""What a run was made with, as plain text by name: the first thing a comparison looks at. Pure."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from orchestrator.words.plain_text import shortened

_HOST_FACTS = (("model", "model"), ("machine", "architecture"), ("python", "Python"), ("cpus", "cores"))
_KERNEL_FACTS = (
    ("release", "kernel"),
    ("build", "kernel build"),
    ("build_id", "kernel build id"),
    ("configuration_sha256", "kernel configuration"),
    ("boot_parameters", "boot parameters"),
    ("modules_sha256", "loaded modules"),
)
_INTERFACE_FACTS = (
    ("driver", "driver"),
    ("driver_version", "driver version"),
    ("firmware", "firmware"),
    ("speed_bit_s", "speed in bit/s"),
    ("duplex", "duplex"),
    ("max_mtu", "maximum MTU"),
)
_HELD = re.compile(r"hold-\d+")  # in a factor's place, of what `hold` sets for the whole run
_LONGEST = 200
_MOST_PLAN_LINES = 40


@dataclass(frozen=True)
class Unlike:
    """One thing that is not the same on both sides; '' where a side does not have it."""

    what: str
    reference: str
    candidate: str


def facts_of(host: Any) -> dict[str, Any]:
    """A host's facts as run.json keeps them."""
    if not isinstance(host, dict):
        return {}
    facts = host.get("facts")
    return facts if isinstance(facts, dict) else host


def interface_of(facts: dict[str, Any], selector: str) -> dict[str, Any]:
    """The interface that an end's selector means: a name, or mac:, bus: or driver: and its value; {} when unknown."""
    kind, _, value = selector.partition(":")
    keys = {"mac": ("permanent_mac", "mac"), "bus": ("bus",), "driver": ("driver",)}.get(kind, ())
    interfaces = facts.get("interfaces")
    for interface in interfaces if isinstance(interfaces, list) else []:
        if isinstance(interface, dict) and (
            interface.get("name") == selector or any(interface.get(key) == value for key in keys)
        ):
            return interface
    return {}


def environment(run: Mapping[str, Any]) -> dict[str, str]:
    """Hosts, cards, bench and instrument of a run, from its run.json: what a difference may be due to."""
    hosts = _mapping(run.get("hosts"))
    found = kernels(hosts)
    found |= {
        "linktrial": _text(run.get("linktrial")),
        "helper code": _text(run.get("helper_hash")),
        "plan": _text(run.get("plan_name")),
    }
    for name, host in hosts.items():
        facts = facts_of(host)
        found |= {f"{name}: {what}": _text(facts.get(key)) for key, what in _HOST_FACTS}
    for link, about in _mapping(run.get("links")).items():
        found[f"{link}: rate in bit/s"] = _text(_mapping(about).get("rate_bit_s"))
        for host, selector in _ends(about):
            interface = interface_of(facts_of(hosts.get(host)), selector)
            found |= {f"{link}, {host}: {what}": _text(interface.get(key)) for key, what in _INTERFACE_FACTS}
    found |= {f"bench: {what}": _text(value) for what, value in _mapping(run.get("bench")).items()}
    return {shortened(what, _LONGEST): value for what, value in found.items() if value}


def kernels(hosts: Mapping[str, Any]) -> dict[str, str]:
    """Each host's kernel: what people change most, and what a comparison tells first. An older run has less of it."""
    found: dict[str, str] = {}
    for name, host in hosts.items():
        facts = facts_of(host)
        identity = {
            **_mapping(facts.get("kernel_identity")),
            "release": facts.get("kernel"),
            "build": facts.get("kernel_build"),
        }
        found |= {f"{name}: {what}": _text(identity.get(key)) for key, what in _KERNEL_FACTS}
    return {what: value for what, value in found.items() if value}


def conditions(run: Mapping[str, Any], factors: Sequence[str]) -> dict[str, str]:
    """What must be the same for two runs to have measured the same thing."""
    trial = _mapping(run.get("trial"))
    found = {
        "length of a trial in s": _text(trial.get("length_s")),
        "warm-up in s": _text(trial.get("warmup_s")),
        "hosts made in a lab": "yes" if run.get("lab") else "no",
        "factors": _text(", ".join(sorted(factors))),
    }
    cells = run.get("cells")
    for cell in cells if isinstance(cells, list) else []:
        about = _mapping(cell)
        # The same level may mean other settings: a bundle's name says nothing about what it holds.
        means = {key: about[key] for key in ("settings", "traffic") if key in about}
        if isinstance(means.get("settings"), list):
            means["settings"] = [use for use in means["settings"] if not _holds_a_kernel(_mapping(use))]
        if means:
            found[f"cell {shortened(about.get('key'), _LONGEST)}"] = shortened(means, 2000)
    return found


def _holds_a_kernel(use: Mapping[str, Any]) -> bool:
    """A kernel that is held for the whole run is what two runs are compared for, and is told first as what differs."""
    return use.get("setting") == "kernel" and bool(_HELD.fullmatch(str(use.get("factor", ""))))


def differences(reference: Mapping[str, str], candidate: Mapping[str, str]) -> list[Unlike]:
    """What is not the same, in the order of the reference."""
    return [
        Unlike(what, reference.get(what, ""), candidate.get(what, ""))
        for what in dict.fromkeys([*reference, *candidate])
        if reference.get(what, "") != candidate.get(what, "")
    ]


def differences_of_sides(
    reference: Sequence[Mapping[str, str]], candidate: Sequence[Mapping[str, str]], *, all_alike: bool = False
) -> list[Unlike]:
    """What some run of one side has and none of the other, with every value of a side.

    `all_alike` adds what differs between the runs of one side.
    """
    found = []
    for what in dict.fromkeys(what for run in (*reference, *candidate) for what in run):
        ours, theirs = (list(dict.fromkeys(run.get(what, "") for run in side)) for side in (reference, candidate))
        if set(ours) != set(theirs) or (all_alike and len(ours) > 1):
            found.append(Unlike(what, _either(ours), _either(theirs)))
    return found


def _either(values: Sequence[str]) -> str:
    return values[0] if len(values) == 1 else " or ".join(value or "absent" for value in values)


def plan_lines(reference: str, candidate: str) -> list[Unlike]:
    """The lines of the two plans that are not the same, as far as a reader would look at them."""
    before, after = reference.splitlines(), candidate.splitlines()
    found: list[Unlike] = []
    for kind, a_from, a_to, b_from, b_to in difflib.SequenceMatcher(None, before, after, autojunk=False).get_opcodes():
        if kind == "equal":
            continue
        for offset in range(max(a_to - a_from, b_to - b_from)):
            ours = before[a_from + offset] if a_from + offset < a_to else ""
            theirs = after[b_from + offset] if b_from + offset < b_to else ""
            found.append(
                Unlike(
                    f"plan, line {a_from + offset + 1}",
                    shortened(ours.strip(), _LONGEST),
                    shortened(theirs.strip(), _LONGEST),
                )
            )
    return found[:_MOST_PLAN_LINES]


def _ends(link: Any) -> list[tuple[str, str]]:
    ends = _mapping(link).get("ends")
    return (
        [(str(end[0]), str(end[1])) for end in ends if isinstance(end, list) and len(end) == 2]
        if isinstance(ends, list)
        else []
    )


def _mapping(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, dict) else {}


def _text(value: Any) -> str:
    return "" if value is None else shortened(value, _LONGEST)

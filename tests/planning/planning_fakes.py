"""A catalogue of settings that exist nowhere, and plans to start from."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from orchestrator import planning
from orchestrator.planning import Plan, PlanProblems, Problem


def anything(level: object) -> str:
    """Every level will do."""
    return ""


def frame_size(level: object) -> str:
    """A whole number of bytes that IPv4 can have."""
    if not isinstance(level, int) or isinstance(level, bool):
        return "an MTU is a whole number of bytes"
    return "" if 68 <= level <= 65535 else f"an MTU is from 68 to 65535 bytes, not {level}"


def policy(level: object) -> str:
    """One of two words."""
    return "" if level in ("powersave", "performance") else "no such policy"


@dataclass
class FakeSetting:
    """A setting's metadata, as planning sees it."""

    name: str
    scope: str = "host"
    privilege: str = "root"
    costly: bool = False
    starting: bool = False
    unit: str = ""
    doc: str = "What it is."
    example: str = "1"
    domain_text: str = "anything"
    survives_reboot: bool = False
    judge: Callable[[object], str] = field(default=anything)

    def problem_with(self, level: Any) -> str:
        """As the judge says."""
        return self.judge(level)

    def restarts(self, level: Any) -> bool:
        """As the test says; a command when its plan does."""
        return self.starting or (isinstance(level, dict) and bool(level.get("reboot")))


CATALOGUE: Mapping[str, FakeSetting] = {
    setting.name: setting
    for setting in (
        FakeSetting(
            "mtu", "interface", costly=True, unit="bytes", example="9000", domain_text="68 to 65535", judge=frame_size
        ),
        FakeSetting("governor", domain_text="powersave, performance", example="performance", judge=policy),
        FakeSetting("command", privilege="user", costly=True),
        FakeSetting("interrupt-cores", "interface"),
        FakeSetting("receive-ring", "interface", costly=True),
        FakeSetting("boot-lines", costly=True, starting=True),
        FakeSetting("kernel", costly=True, starting=True),
    )
}

HEAD = """\
plan: dome-to-hall
hosts:
  dome: {ssh: dome.obs.example}
  hall: {ssh: hall.obs.example}
links:
  uplink: {under_test: dome eth1, far: hall eth1, rate: 2.5Gbit/s, isolated: true}
"""


def load(text: str, **binds: str) -> Plan:
    """A plan with the fake catalogue."""
    return planning.load(text, binds=binds, catalogue=CATALOGUE)


def plan(rest: str, head: str = HEAD) -> Plan:
    """The usual hosts and link, and the rest."""
    return load(head + rest)


def problems(text: str, **binds: str) -> tuple[Problem, ...]:
    """What is wrong with a text that cannot be a plan."""
    try:
        found = load(text, **binds)
    except PlanProblems as error:
        return error.problems
    raise AssertionError(f"nothing was found wrong: {found}")


def problem(rest: str, head: str = HEAD) -> Problem:
    """The only thing that is wrong with a plan of the usual hosts and link."""
    found = problems(head + rest)
    assert len(found) == 1, [one.render() for one in found]
    return found[0]

"""The plan file's grammar as strict, frozen models: what can stand where, before names are looked up.

The JSON schema is made from these models, so each field says in words what it is, with its unit and an example.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, Strict, WithJsonSchema, model_validator

from orchestrator.planning.fields import (
    BootPath,
    HostKey,
    LeaseTime,
    Line,
    LongTime,
    Name,
    Part,
    Precision,
    Program,
    Ratio,
    SshName,
    TrialLength,
    User,
    Wait,
    refuse,
)
from orchestrator.planning.links import At, Link

Level = Annotated[Any, WithJsonSchema({"description": "A level; what it may be is for its setting or traffic factor."})]
Condition = dict[Name, Annotated[Any, WithJsonSchema({"description": "One level, or a list of levels."})]]


PLAN_NAME = r"^[a-z][a-z0-9_-]{0,63}$"


class Bench(Part):
    """What no program can read about the bench; copied into the report."""

    card: Line = Field(
        default="", description="The network card under test, as printed on it.", examples=["dual 2.5 Gb/s"]
    )
    cable: Line = Field(default="", description="Kind and length of the cable.", examples=["cat 6a, 3 m"])
    switch: Line = Field(default="", description="What stands between the ends.", examples=["none: joined directly"])
    power: Line = Field(
        default="", description="Power supply of the device under test.", examples=["5 V 5 A bench supply"]
    )
    cooling: Line = Field(default="", description="Cooling of the device under test.", examples=["heat sink and fan"])
    room_c: float | None = Field(
        default=None, ge=-60, le=100, description="Room temperature, degrees Celsius.", examples=[21]
    )


class PowerCycle(Part):
    """How the controller switches a host's power off and on."""

    command: Program = Field(description="A program and its arguments; no shell.")
    wait_s: Wait = Field(
        default="60s", validate_default=True, alias="wait", description="Time until the host is up again."
    )


class Host(Part):
    """A machine reached over SSH."""

    ssh: SshName = Field(
        description="A host name, an address, or any name the user's SSH configuration knows.",
        examples=["dome.obs.example"],
    )
    user: User | None = Field(
        default=None, description="Login name; otherwise as the SSH configuration says.", examples=["bench"]
    )
    port: int | None = Field(
        default=None, ge=1, le=65535, description="SSH port; otherwise as the SSH configuration says."
    )
    privilege: Literal["root", "sudo", "none"] | None = Field(
        default=None,
        description="root: the login is root. sudo: `sudo -n` is used. none: the host is measured as it stands. "
        "Default: sudo if the plan changes something there that needs root, otherwise none.",
    )
    system: Literal["linux", "bsd"] = Field(
        default="linux",
        description="linux, or bsd: FreeBSD, OpenBSD, NetBSD, DragonFly, of which the MTU can be set and traffic be "
        "measured. A host that is not what the plan says is refused.",
    )
    host_key: HostKey | None = Field(
        default=None,
        description="The host's public key; otherwise the known-hosts files decide.",
        examples=["ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIJ..."],
    )
    power_cycle: PowerCycle | None = Field(default=None, description="How to switch its power off and on.")


class _OwnKeys(Part):
    """What `command`, `boot-lines` and `kernel` have beside the keys of every setting."""

    read: Program | None = Field(
        default=None,
        description="setting: command only. Prints the value as it is now.",
        examples=[["cat", "/sys/class/leds/dome/brightness"]],
    )
    write: Program | None = Field(
        default=None,
        description="setting: command only. Sets the value; {level} stands for the level.",
        examples=[["set-brightness", "{level}"]],
    )
    wait_s: Wait | None = Field(default=None, alias="wait", description="setting: command only. Wait after writing.")
    check: Program | None = Field(
        default=None,
        description="setting: command or boot-lines only. Exits with 0 when the level is in effect.",
    )
    reboot: bool | None = Field(
        default=None,
        description="setting: command only. true: the host is restarted after writing, and check says whether the "
        "system that then runs has the level.",
    )
    file: BootPath | None = Field(
        default=None,
        description="setting: boot-lines, or kernel. The boot file that the lines are added to, or that the kernel's "
        "release is written into; restored by the start that has read it.",
        examples=["/boot/config", "/boot/choice-once"],
    )
    form: Literal["block", "words"] | None = Field(
        default=None,
        description="setting: boot-lines only. block: lines of their own at the end. words: at the end of the only "
        "line. Default: block.",
    )
    effect: Literal["command-line"] | None = Field(
        default=None,
        description="setting: boot-lines only. command-line: in effect when the kernel's command line holds them.",
    )


class Hold(_OwnKeys):
    """A setting that is fixed for the run and restored at its end."""

    setting: str = Field(description="A setting; `linktrial settings` lists them.", examples=["governor"])
    at: At = "both"
    level: Level


class Factor(_OwnKeys):
    """What is varied: a setting, a traffic factor, or a bundle of settings."""

    levels: Annotated[
        Any,
        WithJsonSchema(
            {
                "anyOf": [
                    {"type": "array", "minItems": 1, "items": {}},
                    {"type": "object", "minProperties": 1, "additionalProperties": {"type": "object"}},
                ]
            }
        ),
    ] = Field(
        description="A list of levels, or a bundle: names of levels, each with the settings it stands for.",
        examples=[[1500, 9000], {"stock": {}, "tuned": {"mtu": 9000}}],
    )
    setting: str | None = Field(
        default=None, description="The setting that is varied, when the factor has another name.", examples=["governor"]
    )
    at: At | None = Field(default=None, description="Where it is changed. Default: both ends.")
    only: Condition | None = Field(
        default=None,
        description="The factor applies only where these other factors have these levels.",
        examples=[{"transport": "udp"}],
    )


def _as_list(value: object) -> str:
    """How a lone level, or several in one text, are written as a list."""
    if not isinstance(value, str | int | float):
        return ""
    return f"write [{value}]" if "," in str(value) else f"write [{value}] for one level"


def _long_factor(value: object) -> object:
    """A list is short for `{levels: list}`."""
    if isinstance(value, list):
        return {"levels": value}
    if not isinstance(value, dict):
        refuse("wrong-type", "a factor is a list of levels, or a mapping with levels:", _as_list(value))
    return value


AnyFactor = Annotated[Factor, BeforeValidator(_long_factor)]


class Replicates(Part):
    """How often each cell is measured."""

    min: int = Field(ge=1, le=1000, description="Always measured this often.")
    max: int = Field(ge=1, le=1000, description="Never measured more often; needs precision or budget.")

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        """The bounds are not crossed."""
        if self.min > self.max:
            refuse("clash", f"min is {self.min} and max only {self.max}")
        return self


def _long_replicates(value: object) -> object:
    """A number is short for equal bounds."""
    if isinstance(value, int) and not isinstance(value, bool):
        if not 1 <= value <= 1000:
            refuse("bad-value", f"{value} replicates: from 1 to 1000")
        return {"min": value, "max": value}
    if isinstance(value, dict | Replicates):
        return value
    return refuse("wrong-type", "replicates is a number, or {min: 3, max: 20} with precision", "write replicates: 5")


class Trial(Part):
    """How one cell is measured."""

    length_s: TrialLength = Field(
        default="10s", validate_default=True, alias="length", description="Time in which traffic counts."
    )
    warmup_s: Wait = Field(
        default="2s", validate_default=True, alias="warmup", description="Traffic before that, which does not count."
    )
    settle_s: Wait = Field(
        default="1s", validate_default=True, alias="settle", description="Quiet time before the traffic of each trial."
    )
    replicate_bounds: Annotated[Replicates, BeforeValidator(_long_replicates)] = Field(
        default=5,
        validate_default=True,
        alias="replicates",
        description="How often each cell is measured.",
        examples=[5],
    )
    precision_ratio: Precision | None = Field(
        default=None, alias="precision", description="Repeat a cell until its interval is that narrow."
    )

    @property
    def replicates(self) -> int:
        """How often every cell is measured at least."""
        return self.replicate_bounds.min


class Order(Part):
    """The order of trials."""

    shuffle: bool = Field(
        default=True, description="Shuffle the cells within each block (one replicate of every cell)."
    )
    seed: int = Field(default=1, ge=0, lt=10**18, description="The same seed gives the same order on every machine.")
    control: bool | None = Field(
        default=None,
        description="Begin each block with an extra trial of the first cell, which shows drift and enters no figure. "
        "Default: where there are ten cells or more, five times or more.",
    )


class PlanText(Part):
    """A plan of trials: hosts, links, what is varied, and how a trial is run."""

    plan: Annotated[str, Field(pattern=PLAN_NAME)] = Field(
        description="The plan's name; run folders begin with it.", examples=["dome-to-hall"]
    )
    purpose: Annotated[str, Field(max_length=2000)] = Field(
        default="", description="The question this plan is to answer."
    )
    bench: Bench = Field(default=Bench(), description="What no program can read about the bench.")
    hosts: dict[Name, Host] = Field(description="The machines, by the names this plan gives them.")
    links: dict[Name, Link] = Field(description="What traffic runs over, by name.")
    hold: Annotated[tuple[Hold, ...], Strict(False)] = Field(
        default=(), description="Settings that are fixed for the run."
    )
    factors: dict[Name, AnyFactor] = Field(default={}, description="What is varied. Every combination is a cell.")
    leave_out: Annotated[tuple[Condition, ...], Strict(False)] = Field(
        default=(),
        description="Combinations that are not measured.",
        examples=[[{"transport": "udp", "direction": "bidirectional"}]],
    )
    trial: Trial = Field(default=Trial(), description="How one cell is measured.")
    order: Order = Field(default=Order(), description="The order of trials.")
    lease_s: LeaseTime = Field(
        default="5min",
        validate_default=True,
        alias="lease",
        description="How long a host waits to hear from the controller before it ends its traffic and restores itself.",
    )
    patience_s: LongTime = Field(
        default="2h",
        validate_default=True,
        alias="patience",
        description="How long a run waits for a lost host before it ends as resumable.",
    )
    changed_outside: Literal["reapply", "stop"] = Field(
        default="reapply",
        description="When somebody else changes what a trial rests on: apply it again and repeat the trial, or stop.",
    )
    accept: Annotated[tuple[Literal["suspect", "impossible", "failed", "skipped"], ...], Strict(False)] = Field(
        default=(), description="Statuses of trials that do not make the run's exit code 1.", examples=[["impossible"]]
    )
    threshold_ratio: Ratio = Field(
        default="3%", validate_default=True, alias="threshold", description="The smallest difference that matters."
    )
    budget_s: LongTime | None = Field(
        default=None, alias="budget", description="Spend this time where the uncertainty is."
    )
    screen: bool = Field(
        default=False,
        description="Measure a fraction of the combinations only, to find out which of many two-level factors matter.",
    )

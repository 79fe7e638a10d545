"""The kinds of values that fields of a plan take: how each is read, its bounds, and its JSON schema.

Short forms (`20000-20063`, `10s`) become their long form or base unit here, so that an error is said once
and about the part that is wrong.
"""

from __future__ import annotations

import re
from typing import Annotated, NoReturn

from annotated_types import Len
from pydantic import BaseModel, BeforeValidator, ConfigDict, Strict, StringConstraints, WithJsonSchema
from pydantic_core import PydanticCustomError

from orchestrator.words import units

NAME = r"^[a-z][a-z0-9_-]{0,31}$"
DEFAULT_PORTS = "20000-20063"
_MOST_PORTS = 1024
_LOWEST_PORT, _HIGHEST_PORT = 1024, 65535
_HOST_KEY = r"^(ssh|ecdsa|sk)-[a-z0-9@.-]{1,60} [A-Za-z0-9+/]{16,4000}={0,2}( [^\n]{0,200})?$"


class Part(BaseModel):
    """No unknown keys, no conversions, no changes afterwards."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


def refuse(code: str, message: str, suggestion: str = "") -> NoReturn:
    """Raise the error of a validator; `message` is shown as it is."""
    raise PydanticCustomError(code, "{text}", {"text": message, "suggestion": suggestion})


def spell(spellings: tuple[str, ...]) -> str:
    """`write 10s or 10min`."""
    return f"write {' or '.join(spellings)}" if spellings else ""


def _quantity(kind: units.Kind, least: float, most: float, *examples: str) -> tuple[BeforeValidator, WithJsonSchema]:
    """How a quantity of one kind between two bounds (base units) is read, and its schema."""

    def read(text: object) -> object:
        if text is None:
            return None
        try:
            value = units.parse(text, kind)[1]
        except units.UnitError as error:
            refuse(error.code, error.message, spell(error.spellings))
        if not least <= value <= most:
            refuse("bad-value", f"{text} is outside {units.format_as(kind, least)} to {units.format_as(kind, most)}")
        return value

    names = "|".join(re.escape(unit) for unit in kind.units)
    schema = {"type": "string", "pattern": rf"^[0-9]+(\.[0-9]+)? ?({names})$", "examples": list(examples)}
    return BeforeValidator(read), WithJsonSchema(schema)


_trial_read, _trial_schema = _quantity(units.DURATION, 0.1, 86_400, "10s", "1min")
_wait_read, _wait_schema = _quantity(units.DURATION, 0, 3_600, "0s", "2s")
_long_read, _long_schema = _quantity(units.DURATION, 1, 30 * 86_400, "5min", "2h")
_lease_read, _lease_schema = _quantity(units.DURATION, 2, 86_400, "5min")
_rate_read, _rate_schema = _quantity(units.RATE, 1_000, 10**13, "2.5Gbit/s", "100Mbit/s")
_precision_read, _precision_schema = _quantity(units.RATIO, 0.001, 0.5, "2%")
_ratio_read, _ratio_schema = _quantity(units.RATIO, 0.0001, 1, "3%")
TrialLength = Annotated[float, _trial_read, _trial_schema]
Wait = Annotated[float, _wait_read, _wait_schema]
LongTime = Annotated[float, _long_read, _long_schema]
LeaseTime = Annotated[float, _lease_read, _lease_schema]
Rate = Annotated[int, _rate_read, _rate_schema]
Ratio = Annotated[float, _ratio_read, _ratio_schema]
Precision = Annotated[float, _precision_read, _precision_schema]


def port_range(value: object) -> object:
    """`20000-20063`, or one port."""
    found = re.fullmatch(r"([0-9]{1,5})(?:-([0-9]{1,5}))?", str(value).replace(" ", ""), re.ASCII)
    if isinstance(value, bool) or not isinstance(value, int | str) or found is None:
        refuse("bad-value", "ports is one port or a range of ports", f"write {DEFAULT_PORTS}")
    first, last = int(found[1]), int(found[2] or found[1])
    if first > last:
        refuse("bad-value", f"{first}-{last} runs backwards", f"write {last}-{first}")
    if first < _LOWEST_PORT or last > _HIGHEST_PORT:
        refuse("bad-value", f"ports lie between {_LOWEST_PORT} and {_HIGHEST_PORT}")
    if last - first >= _MOST_PORTS:
        refuse("bad-value", f"{last - first + 1} ports: a link has at most {_MOST_PORTS}")
    return tuple(range(first, last + 1))


Ports = Annotated[
    tuple[int, ...],
    BeforeValidator(port_range),
    WithJsonSchema(
        {
            "type": ["string", "integer"],
            "pattern": "^[0-9]+(-[0-9]+)?$",
            "minimum": _LOWEST_PORT,
            "maximum": _HIGHEST_PORT,
            "default": DEFAULT_PORTS,
            "examples": [DEFAULT_PORTS],
        }
    ),
]


def _login(text: object) -> object:
    """A name that SSH can be asked for: no user, no port, no option in it."""
    if not isinstance(text, str):
        return text
    user, at, host = text.rpartition("@")
    if at:
        refuse("bad-value", "the login name has its own key", f"write ssh: {host[:60]} and user: {user[:60]}")
    found = re.fullmatch(r"([^:]+):([0-9]{1,5})", text)
    if found:
        refuse("bad-value", "the port has its own key", f"write ssh: {found[1]} and port: {found[2]}")
    if not re.fullmatch(r"[A-Za-z0-9_.:\[][A-Za-z0-9_.:%\[\]-]{0,254}", text, re.ASCII):
        refuse("bad-value", f"'{text[:60]}' cannot be a host name, an address or a name of the SSH configuration")
    return text


SshName = Annotated[str, BeforeValidator(_login)]
User = Annotated[str, StringConstraints(pattern=r"^[^\s:/@-][^\s:/@]{0,63}$")]
HostKey = Annotated[str, StringConstraints(pattern=_HOST_KEY)]
Name = Annotated[str, StringConstraints(pattern=NAME)]
Line = Annotated[str, StringConstraints(max_length=400, pattern=r"^[^\n\t]*$")]


def _program(value: object) -> object:
    """A program and its arguments; a line for a shell is not."""
    if isinstance(value, str):
        parts = ", ".join(f'"{part}"' if "{" in part else part for part in value.split()[:8])
        shell = "there is no shell to read | & ; < >: put that into a script of your own and name it here"
        said = "a command is a list of a program and its arguments"
        refuse("wrong-type", said, shell if re.search(r"[|&;<>`]", value) else f"write [{parts}]")
    if isinstance(value, list) and any(isinstance(part, int | float) and not isinstance(part, bool) for part in value):
        refuse("wrong-type", "an argument is text", "put the number in quotes")
    return value


Argument = Annotated[str, StringConstraints(min_length=1, max_length=4096)]
BootPath = Annotated[str, StringConstraints(pattern=r"^/[!-~]{1,250}$")]
Program = Annotated[
    tuple[Argument, ...],
    Len(1, 64),
    Strict(False),
    BeforeValidator(_program),
    WithJsonSchema({"type": "array", "items": {"type": "string"}, "minItems": 1, "maxItems": 64}),
]

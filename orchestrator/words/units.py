"""Quantities with their units: `10s`, `2.5Gbit/s`, `4MiB`, `50%`, `100kframe/s`.

k, M, G and T are powers of 1000; Ki, Mi, Gi and Ti powers of 1024 (IEC 80000-13). The case of b and B matters and a
bare number is refused: a guess between bits and bytes, or seconds and milliseconds, is a wrong matrix in the morning.
Numbers are computed exactly and only then rounded to what is stored, so that what is written reads back the same.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction

from orchestrator.words.suggest import closest

_NUMBER = re.compile(r"([0-9]{1,18}(?:\.[0-9]{1,18})?)[ ]?([^0-9., ].{0,15})?", re.ASCII)
_EXPONENT = re.compile(r"\s*[0-9.]+[eE][-+]?[0-9]", re.ASCII)
_BIT_RATE = re.compile(r"[0-9.]+[kMGT]?bit/s", re.ASCII)
_LARGE = 10_000  # a bare number from here on is more likely in base units than in millions of them
_LARGE_SIZE = 512
_DECIMAL = {"": 1, "k": 10**3, "M": 10**6, "G": 10**9, "T": 10**12}
_BINARY = {"Ki": 2**10, "Mi": 2**20, "Gi": 2**30, "Ti": 2**40}


class UnitError(ValueError):
    """The text is no quantity of this kind; `spellings` are the ones that were likely meant."""

    def __init__(self, code: str, message: str, spellings: tuple[str, ...] = ()) -> None:
        """`code` is `unit-missing`, `unit-unknown` or `quantity`."""
        super().__init__(message)
        self.code = code
        self.message = message
        self.spellings = spellings


@dataclass(frozen=True)
class Kind:
    """One kind of quantity: its units as multiples of the base unit, and the spellings people confuse."""

    name: str
    units: Mapping[str, Fraction]
    likely: tuple[str, ...]  # the two units a bare number most likely lacks
    whole: bool  # stored as a whole number of base units
    confused: Mapping[str, tuple[str, ...]]


def _prefixed(unit: str, prefixes: Mapping[str, int], scale: int = 1) -> dict[str, Fraction]:
    """Every prefix before `unit`; `scale` base units make one of it."""
    return {prefix + unit: Fraction(factor * scale) for prefix, factor in prefixes.items()}


_TIME_UNITS = {
    "ns": Fraction(1, 10**9),
    "us": Fraction(1, 10**6),
    "ms": Fraction(1, 1000),
    "s": Fraction(1),
    "min": Fraction(60),
    "h": Fraction(3600),
}
_PLURALS = {
    "s": ("sec", "secs", "second", "seconds"),
    "min": ("mins", "minute", "minutes"),
    "h": ("hr", "hrs", "hour", "hours"),
    "us": ("µs", "μs"),
    "ms": ("msec", "millisecond", "milliseconds"),
}
DURATION = Kind(
    "duration",
    _TIME_UNITS,
    ("s", "min"),
    whole=False,
    confused={
        **{word: (unit,) for unit, words in _PLURALS.items() for word in words},
        "m": ("min", "ms"),
        "d": ("h",),
        "day": ("h",),
        "days": ("h",),
    },
)
RATE = Kind(
    "rate",
    {
        **_prefixed("bit/s", _DECIMAL),
        **_prefixed("bit/s", _BINARY),
        **_prefixed("B/s", _DECIMAL, 8),
        **_prefixed("B/s", _BINARY, 8),
    },
    ("Mbit/s", "Gbit/s"),
    whole=True,
    confused={
        word: (f"{prefix}bit/s", f"{prefix}B/s")
        for prefix in ("k", "M", "G", "T")
        for word in (
            f"{prefix}b/s",
            f"{prefix}bps",
            f"{prefix}bits/s",
            f"{prefix}b",
            f"{prefix}bit",
            prefix,
            f"{prefix}/s",
            f"{prefix}bits",
            f"{prefix}Bps",
            f"{prefix}B",
        )
    },
)
SIZE = Kind(
    "size",
    {**_prefixed("B", _DECIMAL), **_prefixed("B", _BINARY)},
    ("B", "MiB"),
    whole=True,
    confused={
        **{
            word: (f"{prefix}B", f"{prefix.upper()}iB")
            for prefix in ("k", "M", "G", "T")
            for word in (prefix, f"{prefix}b", f"{prefix}byte", f"{prefix}bytes")
        },
        "K": ("kB", "KiB"),
        "KB": ("kB", "KiB"),
        "Kb": ("kB", "KiB"),
        "byte": ("B",),
        "bytes": ("B",),
        "b": ("B",),
        "octets": ("B",),
    },
)
RATIO = Kind(
    "ratio",
    {"%": Fraction(1, 100)},
    ("%",),
    whole=False,
    confused={"percent": ("%",), "pct": ("%",), "per cent": ("%",), "ppm": ("%",)},
)
FRAME_RATE = Kind(
    "frame rate",
    _prefixed("frame/s", _DECIMAL),
    ("frame/s", "kframe/s"),
    whole=True,
    confused={
        word: (f"{prefix}frame/s",)
        for prefix in ("", "k", "M")
        for word in (
            f"{prefix}pps",
            f"{prefix}fps",
            f"{prefix}frames/s",
            f"{prefix}pkt/s",
            f"{prefix}packets/s",
            f"{prefix}p/s",
            f"{prefix}frame",
            f"{prefix}frames",
        )
    },
)
KINDS = (DURATION, RATE, SIZE, RATIO, FRAME_RATE)


def parse(text: object, *kinds: Kind) -> tuple[Kind, int | float]:
    """The quantity `text` as (its kind, its value in the kind's base unit: s, bit/s, B, a ratio, frame/s).

    Raises UnitError, which names the likely spellings.
    """
    if isinstance(text, bool) or not isinstance(text, int | float | str):
        raise UnitError("quantity", f"expected a {_names(kinds)}, such as {_examples(kinds)}")
    found = _NUMBER.fullmatch(str(text).strip())
    if found is None or _EXPONENT.match(str(text)):
        raise UnitError("quantity", _why_no_number(str(text), kinds), _spaced_out(str(text), kinds))
    number, unit = found.group(1), (found.group(2) or "").strip()
    if not unit:
        raise UnitError(
            "unit-missing",
            f"{number} has no unit: a {_names(kinds)} needs one",
            tuple(spelling for kind in kinds for spelling in _likely(number, kind)[: 2 if len(kinds) == 1 else 1]),
        )
    for kind in kinds:
        if unit in kind.units:
            return kind, _stored(kind, number, unit)
    raise UnitError(
        "unit-unknown",
        f"'{unit}' is no unit of a {_names(kinds)}",
        tuple(number + likely for likely in _meant(unit, kinds)),
    )


def _likely(number: str, kind: Kind) -> tuple[str, ...]:
    """What a bare number most likely means: a large one is in base units, any other lacks one of two units."""
    if kind.whole and "." not in number and int(number) >= (_LARGE_SIZE if kind is SIZE else _LARGE):
        base = next(unit for unit, factor in kind.units.items() if factor == 1)
        return tuple(dict.fromkeys([number + base, format_as(kind, int(number))]))
    return tuple(number + unit for unit in kind.likely)


def _stored(kind: Kind, number: str, unit: str) -> int | float:
    """The value in base units; a whole kind refuses a fraction of its base unit."""
    value = Fraction(number) * kind.units[unit]
    if not kind.whole:
        return float(value)
    if value.denominator != 1:
        base = next(name for name, factor in kind.units.items() if factor == 1)
        raise UnitError("quantity", f"{number}{unit} is not a whole number of {base}")
    return int(value)


def _names(kinds: Iterable[Kind]) -> str:
    """`rate`, `rate or ratio`, `rate, ratio or frame rate`."""
    names = [kind.name for kind in kinds]
    return " or ".join(filter(None, [", ".join(names[:-1]), names[-1]]))


def _examples(kinds: Iterable[Kind]) -> str:
    """One or two examples of each kind."""
    return " or ".join(f"10{unit}" for kind in kinds for unit in kind.likely[:1])


def _why_no_number(text: str, kinds: Iterable[Kind]) -> str:
    """What is wrong with a text that does not even begin as a quantity."""
    shown = text if len(text) <= 40 else text[:37] + "..."
    if re.match(r"\s*[-−]", text):
        return f"'{shown}' is below zero: a {_names(kinds)} is not"
    if re.match(r"\s*[0-9]+,[0-9]", text):
        return f"'{shown}' has a comma: the decimal sign is a point"
    if _EXPONENT.match(text):
        return f"'{shown}' is written with an exponent: write the number out, with a unit"
    return f"'{shown}' is not a {_names(kinds)}, such as {_examples(kinds)}"


def _spaced_out(text: str, kinds: Iterable[Kind]) -> tuple[str, ...]:
    """The same text with a decimal point and without a wide gap, when that makes it a quantity."""
    mended = re.sub(r"\s+", "", text.replace(",", "."))
    found = _NUMBER.fullmatch(mended)
    known = found and any((found.group(2) or "") in kind.units for kind in kinds)
    return (mended,) if known and mended != text else ()


def _meant(unit: str, kinds: Iterable[Kind]) -> tuple[str, ...]:
    """The units that were likely meant by an unknown one."""
    everything = tuple(kinds)
    for kind in everything:
        if unit in kind.confused:
            return kind.confused[unit]
    for kind in everything:
        folded = {name.casefold(): name for name in [*kind.units, *kind.confused]}
        if unit.casefold() in folded:
            name = folded[unit.casefold()]
            return kind.confused.get(name, (name,))
    names = [name for kind in everything for name in kind.units]
    near = closest(unit, names)
    return (near,) if near else tuple(unit for kind in everything for unit in kind.likely)


def format_as(kind: Kind, value: float) -> str:
    """The shortest text that `parse` reads back as exactly `value` (base units)."""
    exact = Fraction(repr(value)) if isinstance(value, float) else Fraction(value)
    texts = [number + unit for unit, factor in kind.units.items() if (number := _decimal(exact / factor)) is not None]
    return min(
        texts,
        key=lambda text: (
            kind is RATE and not _BIT_RATE.fullmatch(text),  # a rate is read in bits, whoever wrote it in bytes
            kind is SIZE and "." in text,
            len(re.sub("[^0-9.]", "", text)),
            "." in text,
            len(text),
        ),
    )


def _decimal(value: Fraction) -> str | None:
    """`value` written out, or None when it does not end within what the parser reads."""
    whole, rest = divmod(value.numerator, value.denominator)
    digits = ""
    while rest and len(digits) < 18:
        digit, rest = divmod(rest * 10, value.denominator)
        digits += str(digit)
    if rest or len(str(whole)) > 18:
        return None
    return f"{whole}.{digits}" if digits else str(whole)


def duration_s(text: object) -> float:
    """Seconds."""
    return float(parse(text, DURATION)[1])


def rate_bit_s(text: object) -> int:
    """Bits per second."""
    return int(parse(text, RATE)[1])


def size_bytes(text: object) -> int:
    """Bytes."""
    return int(parse(text, SIZE)[1])


def ratio(text: object) -> float:
    """A share of one: 50% is 0.5."""
    return float(parse(text, RATIO)[1])

"""Figures as a reader sees them: a unit that fits, and no more digits than the interval supports.

Pure. The half-width of an interval is given with two significant digits when they are below 36 and with one above,
the estimate to the same decimal place (the Particle Data Group's rounding rule, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

_RATES = ((1e12, "Tb/s"), (1e9, "Gb/s"), (1e6, "Mb/s"), (1e3, "kb/s"), (1.0, "b/s"))
_TIMES = ((1.0, "s"), (1e-3, "ms"), (1e-6, "µs"), (1e-9, "ns"))
_GREATEST_DECIMALS = 6
THIN = "\u202f"  # a narrow space that does not break, between number and unit


@dataclass(frozen=True)
class Unit:
    """A unit and what one of it is in base units."""

    size: float
    name: str


def rate_unit(max_bit_s: float) -> Unit:
    """The unit in which the greatest of some rates is a number from 1 to 999."""
    return _unit(max_bit_s, _RATES)


def time_unit(max_s: float) -> Unit:
    """The unit in which the greatest of some times is a number from 1 to 999."""
    return _unit(max_s, _TIMES)


def _unit(greatest: float, units: tuple[tuple[float, str], ...]) -> Unit:
    for size, name in units:
        if abs(greatest) >= size * 0.9995:
            return Unit(size, name)
    return Unit(*units[-1])


def decimals_for(half_width: float) -> int:
    """Decimal places at which a half-width shows the digits it deserves; 0 for a large one."""
    if not math.isfinite(half_width) or half_width <= 0:
        return _GREATEST_DECIMALS
    magnitude = math.floor(math.log10(half_width))
    digits = 2 if half_width / 10**magnitude < 3.55 else 1
    return min(_GREATEST_DECIMALS, max(0, digits - 1 - magnitude))


def significant(value: float, digits: int = 3) -> str:
    """`value` with `digits` significant digits, never in powers of ten."""
    if not math.isfinite(value):
        return ""
    if value == 0:
        return "0"
    magnitude = int(f"{value:.{digits - 1}e}".partition("e")[2])  # of the rounded value: 0.9999 becomes 1.00
    decimals = max(0, digits - 1 - magnitude)
    return f"{value:.{min(decimals, 12)}f}"


@dataclass(frozen=True)
class Shown:
    """An estimate and its interval as text, all to the same decimal place; `low` and `high` may be ''."""

    value: str
    low: str = ""
    high: str = ""

    @property
    def interval(self) -> str:
        """`2.343 to 2.365`, or '' without an interval."""
        return f"{self.low} to {self.high}" if self.low else ""

    @property
    def margin(self) -> str:
        """The larger half of the interval, for places where an interval is too long; '' without one."""
        if not self.low:
            return ""
        half = max(float(self.high) - float(self.value), float(self.value) - float(self.low))
        return f"{half:.{_decimals_in(self.value)}f}"


def _decimals_in(text: str) -> int:
    return len(text.partition(".")[2])


def shown(
    value: float, low: float | None, high: float | None, unit_size: float = 1.0, most_decimals: int = _GREATEST_DECIMALS
) -> Shown:
    """An estimate in units of `unit_size`, rounded to what its interval supports and to `most_decimals` at most."""
    value /= unit_size
    if low is None or high is None or not (math.isfinite(low) and math.isfinite(high)):
        return Shown(significant(value, 4))
    low, high = low / unit_size, high / unit_size
    half = (high - low) / 2
    if half <= abs(value) * 1e-9:  # no spread at all: the interval supports any digit, a reader does not
        text = significant(value, 4)
        return Shown(text, text, text)
    decimals = min(most_decimals, decimals_for(half))
    return Shown(f"{value:.{decimals}f}", f"{low:.{decimals}f}", f"{high:.{decimals}f}")


def rate_text(bit_s: float, digits: int = 3, gap: str = THIN) -> str:
    """A rate with its unit: `2.35 Gb/s`; `gap` is what stands between them, a plain space where text is searched."""
    unit = rate_unit(bit_s)
    return f"{significant(bit_s / unit.size, digits)}{gap}{unit.name}"


def stated_rate_text(bit_s: float) -> str:
    """A rate that somebody stated, so that it has no digits to fill up: `2.5 Gb/s`, `100 Mb/s`."""
    unit = rate_unit(bit_s)
    return f"{bit_s / unit.size:.4g} {unit.name}"


def time_text(seconds: float, digits: int = 2) -> str:
    """A short time with its unit: `0.21 ms`."""
    unit = time_unit(seconds)
    return f"{significant(seconds / unit.size, digits)}{THIN}{unit.name}"


def share_text(share: float) -> str:
    """A share in percent, with a decimal where it matters: `99.8 %`, `45 %`, `0.02 %`."""
    percent = share * 100
    if percent == 0:
        return f"0{THIN}%"
    if abs(percent) < 1:
        return f"{significant(percent, 2)}{THIN}%"
    decimals = 1 if 95 <= percent < 100.5 or abs(percent) < 10 else 0
    return f"{percent:.{decimals}f}{THIN}%"


def duration_text(seconds: float) -> str:
    """A length of time as people say it: `1 h 41 min`, `12 min`, `34 s`."""
    whole = round(seconds)
    hours, rest = divmod(whole, 3600)
    minutes, left = divmod(rest, 60)
    if hours:
        return f"{hours} h {minutes} min"
    if minutes:
        return f"{minutes} min" if minutes >= 10 or not left else f"{minutes} min {left} s"
    return f"{left} s"


def count_text(number: int, one: str, many: str = "") -> str:
    """`1 trial`, `3 trials`."""
    return f"{number:,} {one if number == 1 else many or one + 's'}".replace(",", "\u202f")


def listed(items: list[str], joint: str = "and") -> str:
    """`a`, `a and b`, `a, b and c`."""
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {joint} {items[-1]}"

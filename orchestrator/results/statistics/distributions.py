"""Quantiles and tails that every report needs, by scipy.special: scipy.stats takes a second to load.

What needs more of scipy.stats (a bootstrap, a rank test, a line) imports it where it is used.
"""

from __future__ import annotations

from typing import Any

from scipy import special


def t_isf(above: Any, degrees: Any) -> Any:
    """The value that Student's t of so many degrees of freedom exceeds with this probability."""
    return -special.stdtrit(degrees, above)


def t_sf(value: Any, degrees: Any) -> Any:
    """The probability that Student's t exceeds the value."""
    return special.stdtr(degrees, -value)


def f_sf(value: Any, degrees: Any, rest_degrees: Any) -> Any:
    """The probability that F exceeds the value."""
    return special.fdtrc(degrees, rest_degrees, value)

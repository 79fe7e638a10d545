"""Many two-level factors at once: a fraction of all combinations, and what it cannot tell apart.

A fraction of 2^k combinations is made from m basic factors; each further factor takes the product of some of them
("generator"). A product of factors that is the same in every run is a word of the defining relation; two effects whose
product is such a word are aliased. Resolution is the length of the shortest word: at IV, main effects are clear of
two-factor interactions, which are aliased with each other; at V, these are clear as well (e-Handbook 5.3.3.4).

Pure arithmetic.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

_MOST_FACTORS = 15
_MOST_CHOICES = 2_000


@dataclass(frozen=True)
class Fraction:
    """A design: `runs[run][factor]` is -1 (first level) or +1, in standard order; `words` defines what is aliased."""

    factors: tuple[str, ...]
    runs: tuple[tuple[int, ...], ...]
    generators: Mapping[str, tuple[str, ...]]
    words: tuple[frozenset[str], ...]

    @property
    def resolution(self) -> int | None:
        """The length of the shortest word; None for all combinations."""
        return min((len(word) for word in self.words), default=None)

    def aliases(self, effect: frozenset[str], most: int = 2) -> tuple[frozenset[str], ...]:
        """Other effects of up to `most` factors that cannot be told from this one."""
        products = (effect ^ word for word in self.words)
        return tuple(sorted((one for one in products if 1 <= len(one) <= most), key=self._order))

    def groups(self) -> list[tuple[frozenset[str], ...]]:
        """Main effects and two-factor interactions in groups that the design can only estimate together."""
        effects = [frozenset(names) for size in (1, 2) for names in itertools.combinations(self.factors, size)]
        seen: set[frozenset[str]] = set()
        found = []
        for effect in effects:
            if effect not in seen:
                group = (effect, *self.aliases(effect))
                seen |= set(group)
                found.append(group)
        return found

    def as_dict(self) -> dict[str, Any]:
        """What it takes to make the same design again."""
        return {"factors": list(self.factors), "generators": {name: list(of) for name, of in self.generators.items()}}

    def _order(self, effect: frozenset[str]) -> tuple[int, list[int]]:
        return len(effect), sorted(self.factors.index(name) for name in effect)


def effect_name(fraction: Fraction, effect: frozenset[str]) -> str:
    """`mtu`, or `clock with mtu`, in the design's order of factors."""
    return " with ".join(name for name in fraction.factors if name in effect)


def alias_sentences(fraction: Fraction) -> list[str]:
    """What cannot be told apart, in sentences; one that says so when everything up to two factors can."""
    said = [
        f"{' = '.join(effect_name(fraction, effect) for effect in group)} cannot be told apart"
        for group in fraction.groups()
        if len(group) > 1
    ]
    return said or ["all factors and all pairs of factors can be told apart"]


def fraction(factors: Sequence[str], *, resolution: int = 4) -> Fraction:
    """The smallest fraction found with at least this resolution, its shortest words as few as can be.

    Up to seven factors every fraction is looked at, beyond that a part of them. All combinations when none reaches it.
    ValueError for fewer than two or more than fifteen factors.
    """
    return _smallest(tuple(factors), resolution)


def made_again(stored: Mapping[str, Any]) -> Fraction:
    """The inverse of `Fraction.as_dict`; ValueError, KeyError or TypeError when it is not one."""
    names = tuple(str(name) for name in stored["factors"])
    generators = {str(name): [str(one) for one in of] for name, of in stored["generators"].items()}
    basic = len(names) - len(generators)
    if list(generators) != list(names[basic:]) or not 1 <= len(names) <= _MOST_FACTORS:
        raise ValueError("this is no design")
    return _design(names, basic, [sum(1 << names.index(one, 0, basic) for one in of) for of in generators.values()])


@cache
def _smallest(names: tuple[str, ...], resolution: int) -> Fraction:
    if not 2 <= len(set(names)) == len(names) <= _MOST_FACTORS:
        raise ValueError(f"a screen takes 2 to {_MOST_FACTORS} different factors, not {len(names)}")
    for basic in range(max(2, math.ceil(math.log2(len(names) + 1))), len(names)):
        choice = min(_choices(len(names), basic, resolution), key=lambda one: _badness(basic, one), default=None)
        if choice is not None:
            design = _design(names, basic, choice)
            if (design.resolution or 0) >= resolution:
                return design
    return _design(names, len(names), ())


def _choices(count: int, basic: int, resolution: int) -> Iterator[tuple[int, ...]]:
    """Generators for the factors beyond the basic ones, each a set of basic factors as bits, the longest first."""
    products = [
        sum(1 << index for index in product)
        for size in range(basic, 1, -1)
        for product in itertools.combinations(range(basic), size)
    ]
    if resolution == 4 and _too_many(products, count - basic):
        # Products of an odd number of factors only: three such columns never cancel, so the resolution is IV at once.
        products = [product for product in products if product.bit_count() % 2]
    while _too_many(products, count - basic):
        products.pop()  # the shortest of the products makes the shortest words
    return itertools.combinations(products, count - basic)


def _too_many(products: Sequence[int], chosen: int) -> bool:
    return math.comb(len(products), chosen) > _MOST_CHOICES


def _badness(basic: int, choice: Sequence[int]) -> tuple[int, ...]:
    """Words by length, the shortest first: fewer is better (minimum aberration)."""
    lengths = [
        (bits.bit_count() + len(some))
        for size in range(1, len(choice) + 1)
        for some in itertools.combinations(choice, size)
        for bits in [_product(some)]
    ]
    return tuple(lengths.count(length) for length in range(1, basic + len(choice) + 1))


def _product(some: Sequence[int]) -> int:
    bits = 0
    for one in some:
        bits ^= one
    return bits


def _design(names: tuple[str, ...], basic: int, choice: Sequence[int]) -> Fraction:
    generators = {
        names[basic + place]: tuple(names[index] for index in range(basic) if bits >> index & 1)
        for place, bits in enumerate(choice)
    }
    seeds = [frozenset((name, *product)) for name, product in generators.items()]
    words = {_symmetric(some) for size in range(1, len(seeds) + 1) for some in itertools.combinations(seeds, size)}
    ordered = tuple(sorted(words, key=lambda word: (len(word), sorted(word))))
    return Fraction(names, tuple(_runs(names[:basic], generators)), generators, ordered)


def _symmetric(some: Sequence[frozenset[str]]) -> frozenset[str]:
    """What an odd number of the sets hold: a factor multiplied with itself is 1."""
    word: frozenset[str] = frozenset()
    for one in some:
        word ^= one
    return word


def _runs(basic: Sequence[str], generators: Mapping[str, Sequence[str]]) -> Iterator[tuple[int, ...]]:
    for levels in itertools.product((-1, 1), repeat=len(basic)):
        level = dict(zip(basic, reversed(levels), strict=True))  # the first factor changes fastest
        yield (*level.values(), *(math.prod(level[name] for name in product) for product in generators.values()))

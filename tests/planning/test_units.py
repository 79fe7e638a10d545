"""Quantities: what is written reads back the same, bits are not bytes, and a wrong one says what was likely meant."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.planning.order import SplitMix
from orchestrator.words import units
from orchestrator.words.units import DURATION, FRAME_RATE, KINDS, RATE, RATIO, SIZE, UnitError, format_as, parse

WHOLE = st.integers(min_value=0, max_value=10**15)
FRACTIONAL = st.floats(min_value=0, max_value=10**6, allow_nan=False).filter(lambda value: value == 0 or value >= 1e-9)


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("10s", DURATION, 10.0),
        ("5min", DURATION, 300.0),
        ("2h", DURATION, 7200.0),
        ("250ms", DURATION, 0.25),
        ("100us", DURATION, 0.0001),
        ("50ns", DURATION, 5e-8),
        ("1.5 s", DURATION, 1.5),
        (" 10s ", DURATION, 10.0),
        ("2.5Gbit/s", RATE, 2_500_000_000),
        ("100Mbit/s", RATE, 100_000_000),
        ("9600bit/s", RATE, 9600),
        ("1Kibit/s", RATE, 1024),
        ("300MB/s", RATE, 2_400_000_000),
        ("1KiB/s", RATE, 8192),
        ("4MiB", SIZE, 4_194_304),
        ("4MB", SIZE, 4_000_000),
        ("1472B", SIZE, 1472),
        ("64 KiB", SIZE, 65536),
        ("50%", RATIO, 0.5),
        ("0.001%", RATIO, 0.00001),
        ("0%", RATIO, 0.0),
        ("3%", RATIO, 0.03),
        ("100kframe/s", FRAME_RATE, 100_000),
        ("1.488095Mframe/s", FRAME_RATE, 1_488_095),
    ],
)
def test_a_quantity_is_read_in_its_base_unit(text: str, kind: units.Kind, value: float) -> None:
    assert parse(text, kind) == (kind, value)


def test_a_bit_is_an_eighth_of_a_byte() -> None:
    assert units.rate_bit_s("1MB/s") == 8 * units.rate_bit_s("1Mbit/s")


@pytest.mark.parametrize("kind", [RATE, SIZE, FRAME_RATE], ids=lambda kind: kind.name)
@given(value=WHOLE)
@settings(max_examples=200)
def test_whole_quantities_read_back_as_written(kind: units.Kind, value: int) -> None:
    assert parse(format_as(kind, value), kind) == (kind, value)


@pytest.mark.parametrize("kind", [DURATION, RATIO], ids=lambda kind: kind.name)
@given(value=FRACTIONAL)
@settings(max_examples=200)
def test_fractional_quantities_read_back_as_written(kind: units.Kind, value: float) -> None:
    value = float(f"{value:.9f}")
    assert parse(format_as(kind, value), kind) == (kind, value)


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_quantities_of_every_size_read_back_as_written(kind: units.Kind) -> None:
    chance = SplitMix(7)
    for _ in range(2_000):
        value = chance.below(10 ** (1 + chance.below(14)))
        wanted = value if kind.whole else value / 10 ** chance.below(7)
        assert parse(format_as(kind, wanted), kind) == (kind, wanted)


@given(text=st.text(max_size=40), kind=st.sampled_from(KINDS))
@settings(max_examples=300)
def test_any_text_is_a_quantity_or_a_unit_error(text: str, kind: units.Kind) -> None:
    found = quantity_or_error(text, kind)
    if isinstance(found, UnitError):
        assert found.message
        assert found.code in {"unit-missing", "unit-unknown", "quantity"}
    else:
        assert found >= 0
        assert text.strip()[0].isdigit()


def quantity_or_error(text: str, kind: units.Kind) -> float | UnitError:
    """What comes of a text; any other exception is a failure of the test."""
    try:
        return parse(text, kind)[1]
    except UnitError as error:
        return error


@pytest.mark.parametrize(
    ("text", "kind", "code", "spelling"),
    [
        (10, DURATION, "unit-missing", "10s"),
        (10, DURATION, "unit-missing", "10min"),
        ("10", DURATION, "unit-missing", "10s"),
        (2.5, RATE, "unit-missing", "2.5Gbit/s"),
        (2_500_000_000, RATE, "unit-missing", "2500000000bit/s"),
        (2_500_000_000, RATE, "unit-missing", "2.5Gbit/s"),
        (4096, SIZE, "unit-missing", "4096B"),
        (50, RATIO, "unit-missing", "50%"),
        ("2.5Gb/s", RATE, "unit-unknown", "2.5Gbit/s"),
        ("2.5Gb/s", RATE, "unit-unknown", "2.5GB/s"),
        ("2.5Gbps", RATE, "unit-unknown", "2.5Gbit/s"),
        ("2.5gbit/s", RATE, "unit-unknown", "2.5Gbit/s"),
        ("100mbit/s", RATE, "unit-unknown", "100Mbit/s"),
        ("10Mbit", RATE, "unit-unknown", "10Mbit/s"),
        ("4Mb", SIZE, "unit-unknown", "4MB"),
        ("4Mb", SIZE, "unit-unknown", "4MiB"),
        ("4M", SIZE, "unit-unknown", "4MiB"),
        ("4KB", SIZE, "unit-unknown", "4kB"),
        ("4mib", SIZE, "unit-unknown", "4MiB"),
        ("10sec", DURATION, "unit-unknown", "10s"),
        ("5 minutes", DURATION, "unit-unknown", "5min"),
        ("10m", DURATION, "unit-unknown", "10min"),
        ("10S", DURATION, "unit-unknown", "10s"),
        ("100kpps", FRAME_RATE, "unit-unknown", "100kframe/s"),
        ("50percent", RATIO, "unit-unknown", "50%"),
        ("2,5Gbit/s", RATE, "quantity", "2.5Gbit/s"),
    ],
)
def test_a_wrong_unit_names_the_likely_spelling(text: object, kind: units.Kind, code: str, spelling: str) -> None:
    with pytest.raises(UnitError) as caught:
        parse(text, kind)
    assert caught.value.code == code
    assert spelling in caught.value.spellings
    for proposed in caught.value.spellings:
        parse(proposed, kind)  # a proposal that is refused would be a bad joke


@pytest.mark.parametrize(
    "text",
    [
        "-1s",
        "1e9bit/s",
        "",
        "s",
        "١٠s",
        "1.s",
        ".5s",
        "9" * 40 + "s",
        "nan s",
        "0x10s",
        "1_000s",
        "10s10s",
        True,
        None,
        [],
        {},
        "9**9**9 s",
    ],
)
def test_what_is_no_quantity_is_refused_with_a_reason(text: object) -> None:
    with pytest.raises(UnitError, match=r"\w"):
        parse(text, DURATION)


def test_half_a_bit_per_second_is_no_rate() -> None:
    with pytest.raises(UnitError, match="not a whole number of bit/s"):
        parse("0.5bit/s", RATE)


def test_the_first_kind_that_has_the_unit_is_taken() -> None:
    assert parse("50%", RATE, RATIO, FRAME_RATE)[0] is RATIO
    assert parse("50kframe/s", RATE, RATIO, FRAME_RATE)[0] is FRAME_RATE


@pytest.mark.parametrize(
    ("kind", "value", "text"),
    [
        (DURATION, 300.0, "5min"),
        (DURATION, 0.25, "250ms"),
        (DURATION, 90.0, "90s"),
        (RATE, 2_500_000_000, "2.5Gbit/s"),
        (SIZE, 4_194_304, "4MiB"),
        (SIZE, 1500, "1500B"),
        (SIZE, 0, "0B"),
        (RATIO, 0.95, "95%"),
    ],
)
def test_a_quantity_is_written_as_a_person_would(kind: units.Kind, value: float, text: str) -> None:
    assert format_as(kind, value) == text


@pytest.mark.parametrize(("bit_s", "text"), [(640_000_000, "640Mbit/s"), (8192, "8192bit/s"), (10**9, "1Gbit/s")])
def test_a_rate_is_written_in_bits(bit_s: int, text: str) -> None:
    assert units.format_as(units.RATE, bit_s) == text

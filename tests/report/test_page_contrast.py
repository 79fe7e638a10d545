"""Contrast computed from the page's own style sheet: WCAG 2.2 criteria 1.4.3 (text, 4.5) and 1.4.11 (graphics, 3)."""

from __future__ import annotations

import re
from importlib import resources

import pytest

CSS = resources.files("orchestrator.report.page").joinpath("page.css").read_text()
THEMES = ("light", "dark", "print")


def variables(block: str) -> dict[str, str]:
    return dict(re.findall(r"--([a-z0-9-]+):\s*(#[0-9a-f]{6})", block))


def theme(name: str) -> dict[str, str]:
    light = variables(CSS.partition(":root {")[2].partition("}")[0])
    if name == "light":
        return light
    query = {"dark": "@media (prefers-color-scheme: dark)", "print": "@media print"}[name]
    return {**light, **variables(CSS.partition(query)[2].partition(":root {")[2].partition("}")[0])}


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    channels = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4 for value in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def mixed(over: str, under: str, opacity: float) -> str:
    pairs = [(int(over[place : place + 2], 16), int(under[place : place + 2], 16)) for place in (1, 3, 5)]
    return "#" + "".join(f"{round(top * opacity + bottom * (1 - opacity)):02x}" for top, bottom in pairs)


def test_the_formula_gives_the_known_extremes() -> None:
    # WCAG 2.2, definition of contrast ratio: black on white is 21:1
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)


@pytest.mark.parametrize("name", THEMES)
@pytest.mark.parametrize("text", ["ink", "soft", "accent", "mark"])
@pytest.mark.parametrize("ground", ["paper", "sheet", "warn-sheet"])
def test_text_can_be_read(name: str, text: str, ground: str) -> None:
    colours = theme(name)

    assert contrast(colours[text], colours[ground]) >= 4.5


@pytest.mark.parametrize("name", THEMES)
def test_code_can_be_read(name: str) -> None:
    colours = theme(name)

    assert contrast(colours["ink"], colours["track"]) >= 4.5


@pytest.mark.parametrize("name", THEMES)
@pytest.mark.parametrize("step", range(9))
def test_the_figure_in_a_shaded_cell_can_be_read(name: str, step: int) -> None:
    colours = theme(name)

    assert contrast(colours[f"t{step}"], colours[f"s{step}"]) >= 4.5


@pytest.mark.parametrize("name", THEMES)
@pytest.mark.parametrize("step", range(9))
def test_the_bar_in_a_shaded_cell_can_be_seen(name: str, step: int) -> None:
    colours = theme(name)
    got = mixed(colours[f"t{step}"], colours[f"s{step}"], 0.8)

    assert contrast(got, colours[f"s{step}"]) >= 3


@pytest.mark.parametrize("name", THEMES)
@pytest.mark.parametrize("line", ["edge", "got", "mark", "c0", "c1", "c2", "c3", "c4", "ink"])
def test_lines_and_marks_can_be_seen(name: str, line: str) -> None:
    colours = theme(name)

    assert contrast(colours[line], colours["sheet"]) >= 3


@pytest.mark.parametrize("name", ["light", "dark"])
def test_the_shades_keep_their_order_in_lightness_alone(name: str) -> None:
    """So they keep it for every kind of colour vision and on a grey printer."""
    colours = theme(name)
    shades = [luminance(colours[f"s{step}"]) for step in range(9)]

    assert shades == sorted(shades, reverse=name == "light")
    assert len(set(shades)) == 9


def test_every_colour_of_the_page_is_named_once_in_each_theme() -> None:
    """A colour written anywhere else would escape these tests."""
    rules = re.sub(r":root\s*\{[^}]*\}", "", CSS)

    assert re.findall(r"#[0-9a-fA-F]{3,8}\b|rgba?\(|hsla?\(", rules) == []

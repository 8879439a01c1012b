"""Colours that can be told from the page, and a node that keeps its own in every figure."""

from __future__ import annotations

import pytest

from fit.output.figures import curves_figure, record_figure
from fit.output.theme import DARK, LIGHT, NODES, node_colours, to_svg
from tests.fit.output.test_figures import made_response, made_run

# WCAG 2.2: graphics 1.4.11, text 1.4.3.
GRAPHIC, TEXT = 3.0, 4.5
THEMES = pytest.mark.parametrize("theme", [LIGHT, DARK], ids=["light", "dark"])


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2, from memory)."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_the_contrast_of_black_on_white_is_21() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)


@THEMES
@pytest.mark.parametrize("role", [*NODES, "measured", "over", "sound", "soft", "ink"])
def test_what_is_drawn_stands_out_from_the_page(theme: dict[str, str], role: str) -> None:
    assert contrast(theme[role], theme["paper"]) >= GRAPHIC


@THEMES
@pytest.mark.parametrize("role", ["ink", "soft", "over-text", "open-text", "sound-text"])
@pytest.mark.parametrize("behind", ["paper", "wash"])
def test_text_can_be_read(theme: dict[str, str], role: str, behind: str) -> None:
    assert contrast(theme[role], theme[behind]) >= TEXT


def test_every_colour_of_a_figure_becomes_the_pages_own() -> None:
    assert len(set(LIGHT.values())) == len(LIGHT)


def test_a_node_keeps_its_colour_from_figure_to_figure() -> None:
    run = made_run()
    colours = node_colours(("elsewhere", *run.nodes))
    drawn = (record_figure(run, colours), curves_figure(made_response(run), colours))
    for figure in drawn:
        svg = to_svg(figure, "made")
        assert "var(--node-2)" in svg
        assert "var(--node-1)" not in svg

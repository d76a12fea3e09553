"""The colours of the style sheet and the figures: contrast in light and dark."""

import re
from pathlib import Path

import pytest

from station.jobs.papers import plots

SHEET = (Path(__file__).parents[2] / "web" / "static" / "station.css").read_text(encoding="utf-8")
BLOCKS = re.findall(r":root \{(.*?)\}", SHEET, re.DOTALL)
LIGHT, DARK = (dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", block)) for block in BLOCKS)

# WCAG 2.2, success criteria 1.4.3 (text 4.5:1) and 1.4.11 (shapes and lines 3:1) [memory].
TEXT_CONTRAST = 4.5
SHAPE_CONTRAST = 3.0

TEXT_ON = [
    ("ink", "ground"),
    ("ink", "card"),
    ("ink", "caution"),
    ("ink", "alarm"),
    ("faint", "ground"),
    ("faint", "card"),
    ("strong", "ground"),
    ("strong", "card"),
    ("strong", "alarm"),
    ("on-strong", "strong"),
    ("pass", "ground"),
    ("pass", "card"),
    ("fail", "ground"),
    ("fail", "card"),
    ("fail", "alarm"),
    ("doubt", "ground"),
    ("doubt", "card"),
    ("void", "ground"),
    ("void", "card"),
]


def luminance(color: str) -> float:
    """Relative luminance as WCAG 2.2 defines it [memory]."""
    channels = [int(color[start : start + 2], 16) / 255.0 for start in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_contrast_of_black_and_white_is_twenty_one() -> None:
    # WCAG 2.2, definition of contrast ratio: from 1 to 21 [memory].
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#123456", "#123456") == pytest.approx(1.0)


@pytest.mark.parametrize("colors", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize(("text", "ground"), TEXT_ON)
def test_text_can_be_read(colors: dict[str, str], text: str, ground: str) -> None:
    assert contrast(colors[text], colors[ground]) >= TEXT_CONTRAST


@pytest.mark.parametrize("colors", [LIGHT, DARK], ids=["light", "dark"])
def test_banner_can_be_read(colors: dict[str, str]) -> None:
    assert "color: #171200;" in SHEET.split(".notices")[1].split("}")[0]
    assert contrast("#171200", colors["caution-edge"]) >= TEXT_CONTRAST


@pytest.mark.parametrize("colors", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("mark", [plots.LINE, plots.ALARM])
def test_figure_can_be_seen_on_either_ground(colors: dict[str, str], mark: str) -> None:
    assert contrast(mark, colors["card"]) >= SHAPE_CONTRAST


@pytest.mark.parametrize("colors", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("ground", ["ground", "card"])
def test_focus_can_be_seen(colors: dict[str, str], ground: str) -> None:
    assert contrast(colors["focus"], colors[ground]) >= SHAPE_CONTRAST

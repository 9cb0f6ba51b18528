"""
Contrast of every pair of colours that stands as text on ground, in every palette of the kit.

Relative luminance and contrast ratio as W3C, "Web Content Accessibility Guidelines (WCAG) 2.1", 2018, definitions;
4.5 is its level AA for text (success criterion 1.4.3), 3 that for parts of drawings (1.4.11).
"""

from __future__ import annotations

import re
from importlib import resources

import pytest

TEXT = (
    ("ink", "paper"), ("ink", "card"), ("quiet", "paper"), ("quiet", "card"), ("on-front", "front"),
    ("on-care", "care"), ("on-stop", "stop"), ("on-good", "good"), ("paper", "ink"), ("stop", "paper"), ("stop", "card"),
    ("on-mark", "drive"), ("on-mark", "swap"), ("on-mark", "call"),
)  # fmt: skip
LINES = (("drive", "card"), ("walk", "card"), ("rule", "paper"), ("good", "card"))


def palettes():
    css = (resources.files("tripplan.outputs") / "assets" / "marks.css").read_text("utf-8")
    base = dict(re.findall(r"--([\w-]+):(#\w+)", css[: css.index("@media")]))
    found = {"light": base}
    for condition, block in re.findall(r"@media ([^{]*)\{:root\{(.*?)\}", css, re.DOTALL):
        own = dict(re.findall(r"--([\w-]+):(#\w+)", block))
        under = found["dark"] if "dark" in condition and "dark" in found else base
        name = "dark" if condition.strip() == "(prefers-color-scheme:dark)" else condition.strip()
        found[name] = under | own
    return found


def luminance(colour):
    digits = colour[1:] if len(colour) == 7 else "".join(2 * c for c in colour[1:])
    parts = [int(digits[k : k + 2], 16) / 255 for k in (0, 2, 4)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    bright, dim = sorted((luminance(one), luminance(other)), reverse=True)
    return (bright + 0.05) / (dim + 0.05)


def test_contrast_formula_gives_the_printed_ends():
    """Black on white is 21 to 1, a colour on itself 1 to 1 (WCAG 2.1, definition of contrast ratio)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#336699", "#336699") == 1.0
    assert contrast("#777777", "#ffffff") < 4.5 < contrast("#767676", "#ffffff")  # the well-known limit grey


def test_there_are_the_palettes_that_a_reader_can_ask_for():
    names = " ".join(palettes())
    for part in ("light", "dark", "prefers-contrast:more", "print"):
        assert part in names


@pytest.mark.parametrize("name", [name for name in palettes() if "forced" not in name])
def test_text_reaches_4_5_and_lines_3(name):
    colours = palettes()[name]
    short = {pair: round(contrast(*(colours[c] for c in pair)), 2) for pair in TEXT}
    assert {pair: ratio for pair, ratio in short.items() if ratio < 4.5} == {}
    lines = {pair: round(contrast(*(colours[c] for c in pair)), 2) for pair in LINES}
    assert {pair: ratio for pair, ratio in lines.items() if ratio < 3.0} == {}

"""Colours of charts and screens against published rules: WCAG 2.1 contrast, colour-vision deficiency."""

import itertools

import numpy as np
import pytest

from reliability import figures
from reliability.service import THEME

# Machado, Oliveira & Fernandes (2009), severity 1.0; from memory
VISION = {
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
}  # fmt: skip


def linear(colour):
    c = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def contrast(a, b):
    """WCAG 2.1, contrast ratio."""
    x, y = sorted((float(linear(c) @ [0.2126, 0.7152, 0.0722]) for c in (a, b)), reverse=True)
    return (x + 0.05) / (y + 0.05)


def lab(rgb):
    """CIE 1976 L*a*b*, D65, of linear sRGB."""
    m = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    t = np.clip(m @ np.clip(rgb, 0, 1), 0, None) / [0.9505, 1.0, 1.089]
    f = np.where(t > 0.008856, np.cbrt(t), 7.787 * t + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("paper", ["#ffffff", *(t["backgroundColor"] for t in THEME.values())])
@pytest.mark.parametrize("colour", figures.SERIES)
def test_marks_stand_out(colour, paper):
    """WCAG 2.1, 1.4.11: graphical objects need 3 to 1."""
    assert contrast(colour, paper) >= 3


@pytest.mark.parametrize("mode", list(THEME))
def test_text_stands_out(mode):
    """WCAG 2.1, 1.4.3: text needs 4.5 to 1, also captions (60 % of the text colour), links and buttons."""
    t = THEME[mode]
    text, paper = (
        np.array([int(t[k][i : i + 2], 16) for i in (1, 3, 5)])
        for k in ("textColor", "backgroundColor")
    )
    caption = "#" + "".join(f"{round(v):02x}" for v in 0.6 * text + 0.4 * paper)
    for colour in (t["textColor"], caption, t["linkColor"]):
        assert contrast(colour, t["backgroundColor"]) >= 4.5
    assert contrast(t["textColor"], t["secondaryBackgroundColor"]) >= 4.5


@pytest.mark.parametrize("kind", list(VISION))
def test_series_are_told_apart_by_the_colour_blind(kind):
    """Difference in L*a*b* under simulated deficiency: 12 or more by colour alone (some 5 times what an
    eye can just tell), 20 for the first four; and every series differs by dash as well."""
    seen = [lab(np.array(VISION[kind]) @ linear(c)) for c in figures.SERIES]
    near = {
        (i, j): np.linalg.norm(seen[i] - seen[j])
        for i, j in itertools.combinations(range(len(seen)), 2)
    }
    assert min(near.values()) >= 12
    assert min(d for (i, j), d in near.items() if max(i, j) < 4) >= 20
    assert len({tuple(d) for d in figures.DASHES}) == len(figures.SERIES)

"""The inks: against the paper, in gray, and for color-blind readers."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

import numpy as np
import pytest
from matplotlib.colors import to_rgb

from tubekit.plots import ink

CURVES = [stroke.ink for stroke in ink.STROKES]
PAIRS = list(itertools.combinations(CURVES, 2))

# Machado, Oliveira, Fernandes, IEEE Trans. Vis. Comput. Graph. 15 (2009) 1291, table 1, severity 1.0:
# linear RGB as seen without long-, medium- or short-wave cones. From memory; each row sums to 1.
SEEN_WITHOUT = {
    "long": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "medium": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "short": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}
# sRGB to XYZ (D65), IEC 61966-2-1; from memory.
XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])


def linear(color: str) -> np.ndarray:
    rgb = np.asarray(to_rgb(color))
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)


def luminance(color: str) -> float:
    return float(XYZ[1] @ linear(color))


def contrast(one: str, other: str) -> float:
    """WCAG 2.1, definition of contrast ratio (from memory)."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def lab(rgb: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* of linear RGB (ISO/CIE 11664-4, from memory)."""
    ratio = (XYZ @ np.clip(rgb, 0, 1)) / XYZ.sum(axis=1)
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_matrices_keep_white_white() -> None:
    for matrix in SEEN_WITHOUT.values():
        np.testing.assert_allclose(np.sum(matrix, axis=1), 1.0, atol=2e-6)


def test_contrast_of_black_on_white_is_21() -> None:
    assert contrast("black", "white") == pytest.approx(21.0)  # WCAG 2.1: the greatest there is


@pytest.mark.parametrize("color", [*CURVES, ink.FAINT, *(fill.edge for fill in ink.FILLS.values())])
def test_every_ink_stands_out_from_the_paper(color: str) -> None:
    assert contrast(color, ink.PAPER) >= 3.0  # WCAG 2.1, 1.4.11: graphical objects


def test_words_read_on_paper() -> None:
    assert contrast(ink.IRON, ink.PAPER) >= 7.0  # WCAG 2.1, 1.4.6


@pytest.mark.parametrize("pair", PAIRS)
def test_curves_differ_in_gray(pair: tuple[str, str]) -> None:
    one, other = (lab(linear(color))[0] for color in pair)
    assert abs(one - other) >= 10.0  # steps of lightness; common practice, no source


@pytest.mark.parametrize("missing", SEEN_WITHOUT)
@pytest.mark.parametrize("pair", PAIRS)
def test_curves_differ_for_color_blind_readers(pair: tuple[str, str], missing: str) -> None:
    one, other = (lab(np.array(SEEN_WITHOUT[missing]) @ linear(color)) for color in pair)
    assert np.linalg.norm(one - other) >= 15.0  # 2.3 is just noticeable; common practice, no source


def test_nothing_is_told_by_color_alone() -> None:
    assert len({str(stroke.dash) for stroke in ink.STROKES}) == len(ink.STROKES)
    assert len({fill.hatch for fill in ink.FILLS.values()}) == len(ink.FILLS)


def test_drawing_leaves_the_settings_of_the_user_alone() -> None:
    import matplotlib as mpl

    before = dict(mpl.rcParams)
    with ink.style():
        assert mpl.rcParams["axes.spines.top"] is False
    assert dict(mpl.rcParams) == before


FACES = [fill.face for fill in ink.FILLS.values()]


@pytest.mark.parametrize("missing", [*SEEN_WITHOUT, None])
@pytest.mark.parametrize("pair", list(itertools.combinations(FACES, 2)))
def test_bars_differ_for_color_blind_readers(pair: tuple[str, str], missing: str | None) -> None:
    matrix = np.array(SEEN_WITHOUT[missing]) if missing else np.eye(3)
    one, other = (lab(matrix @ linear(color)) for color in pair)
    assert np.linalg.norm(one - other) >= 10.0  # 2.3 is just noticeable; common practice, no source


DARK = "#111111"
"""Behind a panel in JupyterLab's dark theme; from memory."""


def sheet_colors() -> list[tuple[str, str]]:
    """(what, color) of every edge the style sheet of the panels draws, but hairlines about lists."""
    sheet = (Path(ink.__file__).parents[1] / "panels" / "panel.css").read_text(encoding="utf-8")
    result = re.findall(r"(outline|border(?:-\w+)?):[^;}]*?(#[0-9a-f]{6})", sheet)
    return sorted({(what, color) for what, color in result if color != ink.HAIR})


@pytest.mark.parametrize(("what", "color"), sheet_colors())
def test_edges_of_the_style_sheet_stand_out(what: str, color: str) -> None:
    assert contrast(color, ink.PAPER) >= 3.0  # WCAG 2.1, 1.4.11: user interface components


def test_the_focus_is_seen_on_light_and_dark() -> None:
    focus = next(color for what, color in sheet_colors() if what == "outline")
    assert min(contrast(focus, ink.PAPER), contrast(focus, DARK)) >= 3.0  # WCAG 2.1, 1.4.11

"""The picture of a fit: every point is on it, curves are the law's, words say the worst."""

from __future__ import annotations

import numpy as np

from tubekit import fit_tube, plots, tube


def a_fit(screen: bool):
    axes = np.meshgrid([50.0, 100, 200, 300], *([[200.0, 250.0]] if screen else []), [0.0, -2, -4])
    plate, grid = axes[0].ravel(), axes[-1].ravel()
    columns = {"plate_v": plate, "grid_v": grid}
    if screen:
        columns["screen_v"] = axes[1].ravel()
        point = tube("6V6GT").at(plate=plate, screen=columns["screen_v"], grid=grid)
        columns |= {"plate_a": point.plate_a * 1.01, "screen_a": point.screen_a}
        return fit_tube(columns, like="6V6GT", name="shelf")
    columns["plate_a"] = tube("6SN7GT").at(plate=plate, grid=grid).plate_a
    return fit_tube(columns, kind="triode", name="shelf")


def test_curves_are_the_laws_and_points_are_those_measured() -> None:
    fit = a_fit(screen=False)
    figure, (above, below), lines = plots.residuals(fit)
    assert len(lines) == 4  # three grids, and the differences
    volts, milliamperes = lines[0].get_data()
    np.testing.assert_allclose(milliamperes, 1e3 * fit.tube.at(plate=volts, grid=0.0).plate_a)
    np.testing.assert_allclose(lines[-1].get_ydata(), 1e3 * fit.error_a)
    marked = sum(len(line.get_xdata()) for line in above.lines if line.get_marker() not in ("None", None, ""))
    assert marked == fit.points.count
    assert "worst point is off by" in figure.get_label()
    assert below.get_ylabel() == "difference [mA]"


def test_a_pentode_shows_its_screen_too() -> None:
    fit = a_fit(screen=True)
    _, (above, below), lines = plots.residuals(fit)
    np.testing.assert_allclose(lines[-1].get_ydata(), 1e3 * fit.screen_error_a)
    assert [text.get_text() for text in below.get_legend().get_texts()] == ["plate", "screen"]
    assert any("screen 200" in text.get_text() for text in above.texts)
    assert plots.residuals(fit).png().startswith(b"\x89PNG")

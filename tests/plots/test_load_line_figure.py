"""The load-line figure shows what the result says."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from tubekit import plots
from tubekit.analyses.loadline import load_line
from tubekit.analyses.regulation import SpeakerLoad

LINES = {
    "one": {"tube": "6V6GT", "plate": 250, "screen": 250, "grid": -12.5, "load": 5000},
    "pair": {"tube": "6V6GT", "plate": 285, "screen": 285, "grid": -19, "load": 8000, "pair": True},
    "resistor": {"tube": "12AX7", "supply": 250, "cathode": 1500, "load": 1e5, "next_grid": 3.3e5},
}
LINES["loop"] = {**LINES["one"], "speaker": SpeakerLoad()}


@pytest.mark.parametrize("name", LINES)
def test_curves_are_those_of_the_result(name: str) -> None:
    line = load_line(**LINES[name])
    drawing = plots.load_line(line)
    path = drawing.lines[0]
    assert_allclose(path.get_xdata()[:-1], line.path_plate_v[0])
    assert_allclose(path.get_ydata()[:-1], 1e3 * line.path_a[0])
    assert path.get_xdata()[0] == path.get_xdata()[-1]  # the path closes
    assert_allclose(drawing.lines[-1].get_ydata(), 1e3 * line.line_a)
    low, high = drawing.axes[0].get_ylim()
    assert low <= 1e3 * line.path_a.min()
    assert 1e3 * line.path_a.max() <= high
    assert drawing.png() == plots.load_line(line).png()  # the same result, the same picture
    assert line.headline() in drawing.words


def test_the_second_tube_of_a_pair_stands_upside_down() -> None:
    line = load_line(**LINES["pair"])
    first, second, _ = plots.load_line(line).lines
    assert_allclose(second.get_ydata()[:-1], -1e3 * line.path_a[1])
    # Matched tubes: the second path is the first one turned about the rest.
    x, y = second.get_xdata(), -second.get_ydata()
    turned = np.interp(
        np.sort(2 * line.plate_v - x), np.sort(first.get_xdata()), np.sort(first.get_ydata())[::-1]
    )
    assert_allclose(np.sort(y)[::-1], turned, atol=0.5)


@pytest.mark.parametrize("name", LINES)
def test_no_words_run_off_the_paper_or_into_each_other(name: str) -> None:
    figure, axes, _ = plots.load_line(load_line(**LINES[name]))
    figure.canvas.draw()
    renderer = figure.canvas.get_renderer()
    texts = [t for each in axes for t in (*each.texts, each._left_title) if t.get_visible() and t.get_text()]
    boxes = [t.get_window_extent(renderer) for t in texts]
    for box in boxes:
        assert figure.bbox.x0 <= box.x0
        assert box.x1 <= figure.bbox.x1
        assert box.y1 <= figure.bbox.y1
    for one, other in ((a, b) for k, a in enumerate(boxes) for b in boxes[:k]):
        across = one.x0 + 2 < other.x1 and other.x0 + 2 < one.x1
        assert not (across and one.y0 + 3 < other.y1 and other.y0 + 3 < one.y1)

"""Tone and hum figures show what the results say."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from numpy.testing import assert_allclose

from tests.amp.signal_amps import with_feedback
from tubekit import plots
from tubekit.amp import load_amp
from tubekit.amp.controls import control_family
from tubekit.amp.hum import hum
from tubekit.amp.hum_balance import hum_balance
from tubekit.amp.signal import signal_path
from tubekit.decisions.hum_remedies import hum_report
from tubekit.decisions.tone import tone_change
from tubekit.errors import InputError
from tubekit.plots.hum_view import sources
from tubekit.plots.ink import Drawing


@cache
def drawn(name: str) -> Drawing:
    amp = load_amp("fescue")
    made = {
        "tone": lambda: plots.tone(
            tone_change(amp, {"C3": "4n7"}), family=control_family(amp, {"R53": np.linspace(0, 1, 5)})
        ),
        "unstable": lambda: plots.tone(signal_path(with_feedback(reversed_phase=True))),
        "hum": lambda: plots.hum(hum(amp), hum(amp.changed({"C21": "5u"})), balance=hum_balance(amp)),
        "two axes": lambda: plots.hum(hum_report(load_amp("burdock"))),
    }
    return made[name]()


def test_curves_are_those_of_the_signal_path() -> None:
    change = tone_change(load_amp("fescue"), {"C3": "4n7"})
    figure, axes, (after, before, moved) = drawn("tone")
    assert_allclose(after.get_ydata(), change.after.gain_db[0])
    assert_allclose(before.get_ydata(), change.before.gain_db[0])
    assert_allclose(moved.get_ydata(), change.change_db, atol=1e-9)
    inside = (after.get_xdata() > 20) & (after.get_xdata() < 20e3)
    low, high = axes[0].get_ylim()
    assert np.all((low < after.get_ydata()[inside]) & (after.get_ydata()[inside] < high))
    low, high = axes[1].get_ylim()
    assert low <= moved.get_ydata()[inside].min()
    assert moved.get_ydata()[inside].max() <= high
    assert change.headline() in drawn("tone").words
    assert figure is axes[0].figure


def test_corners_lie_3_db_down() -> None:
    path = signal_path(load_amp("fescue"))
    view = plots.tone(path)
    marks = next(line for line in view.axes[0].lines if line.get_marker() == "o")
    reference = 20 * np.log10(abs(path.reference_gain[0]))
    assert_allclose(marks.get_ydata(), reference - 20 * np.log10(np.sqrt(2)), atol=0.1)


def test_an_unstable_amp_has_no_curve_but_words() -> None:
    figure = drawn("unstable")
    assert np.isnan(figure.lines[0].get_ydata()).all()
    assert "UNSTABLE" in figure.words
    assert any("UNSTABLE" in text.get_text() for text in figure.axes[0].texts)


def test_a_member_of_a_batch() -> None:
    amp = load_amp("fescue")
    batch = signal_path(amp.changed({"C3": ["22n", "4n7"]}))
    alone = signal_path(amp.changed({"C3": "4n7"}))
    assert_allclose(plots.tone(batch, member=1).lines[0].get_ydata(), alone.gain_db[0], atol=1e-3)
    with pytest.raises(InputError, match="no amp number 2"):
        plots.tone(batch, member=2)


def test_bars_are_the_sources_largest_first() -> None:
    result = hum(load_amp("fescue"))
    figure = drawn("hum")
    floor = figure.axes[0].get_xlim()[0]
    wanted = [result.total_rms[0], *(each.volts for each in sources(result))]
    ends = [bar.get_x() + bar.get_width() for bar in figure.lines][: len(wanted)]
    assert_allclose(ends, np.maximum(wanted, floor), rtol=1e-9)
    assert ends[1:] == sorted(ends[1:], reverse=True)
    assert len(figure.axes) == 3
    assert len(drawn("two axes").axes) == 2
    assert hum_report(load_amp("burdock")).headline() in drawn("two axes").words


@pytest.mark.parametrize("name", ["tone", "unstable", "hum", "two axes"])
def test_no_words_run_off_the_paper_or_into_each_other(name: str) -> None:
    figure, axes, _ = drawn(name)
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

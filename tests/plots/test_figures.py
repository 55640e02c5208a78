"""Figures show what the result says: data compared with the result's own numbers."""

from __future__ import annotations

import sys

import numpy as np
import pytest
from numpy.testing import assert_allclose

from tubekit import plots
from tubekit.amp import Amp, analyze
from tubekit.decisions import SwapReport, swap
from tubekit.decisions.judge import METER
from tubekit.errors import InputError
from tubekit.plots import ink
from tubekit.plots.before_after_view import moves
from tubekit.plots.cycle import BEYOND, CycleView
from tubekit.plots.ink import paper
from tubekit.plots.ratings import calm
from tubekit.plots.spread_bands import ABOVE, BELOW, ROW, WIDE, BandRow, ReadingBandsView


def test_ripple_curves_are_the_waveforms(swapped: SwapReport) -> None:
    figure, (above, below), lines = plots.ripple(swapped)
    by_name = {line.get_label(): line for line in lines}
    state = swapped.after.solved.state
    for rail in swapped.after.rails:
        wave = state.waveform(rail.node)[0]
        drawn = by_name[rail.node].get_ydata()
        assert_allclose(drawn[:-1], wave - state.mean(rail.node)[0], atol=1e-9)
        assert drawn[-1] == drawn[0]  # the cycle closes
        assert np.ptp(drawn) == pytest.approx(rail.ripple_pp_v, rel=2e-3)  # sampled against band-limited
    for name, current in zip(("V5.1", "V5.2"), state.rectifier_currents[0], strict=True):
        assert_allclose(by_name[name].get_ydata()[:-1], current * 1e3)
    assert by_name["B1"].get_xdata()[-1] == pytest.approx(1e3 / 60.0)
    assert above.get_xlim() == below.get_xlim()
    assert figure is above.figure


def test_the_words_beside_the_curves_are_those_of_the_report(swapped: SwapReport) -> None:
    words = plots.ripple(swapped).words
    rail = swapped.after.rails[0]
    assert f"{rail.dc_v:.1f} V" in words
    assert f"{rail.ripple_pp_v:.1f} V p-p" in words


def test_ripple_takes_one_amp_and_a_bare_state(swapped: SwapReport) -> None:
    one = plots.ripple(swapped.before)
    bare = plots.ripple(swapped.before.solved.state, nodes=("B1",))
    assert_allclose(one.lines[0].get_ydata(), bare.lines[0].get_ydata())
    with pytest.raises(InputError, match="which of its nodes are rails"):
        plots.ripple(swapped.before.solved.state)


def test_a_batch_shows_the_member_asked_for(amp: Amp) -> None:
    batch = analyze(amp.changed({"C14": ["10u", "40u"]}))
    alone = analyze(amp.changed({"C14": "40u"}))
    of_batch = plots.ripple(batch, member=1).lines[0].get_ydata()
    assert_allclose(of_batch, plots.ripple(alone).lines[0].get_ydata(), atol=1e-4)
    with pytest.raises(InputError, match="no amp number 2"):
        plots.ripple(batch, member=2)


def test_what_does_not_fit_the_scale_says_so(amp: Amp) -> None:
    figure = paper(6, 4)
    view = CycleView(figure.subplots(2, 1), analyze(amp))
    view.show(analyze(amp))
    assert view.ripple.beyond.get_text() == ""
    scales = view.ripple.scales
    view.show(analyze(amp.changed({"C14": "2u"})))
    assert view.ripple.beyond.get_text() == BEYOND
    assert view.ripple.scales == scales


def test_a_rail_with_a_millionth_of_the_ripple_is_seen(amp: Amp) -> None:
    drawing = plots.ripple(analyze(amp))
    drawing.figure.canvas.draw()
    ends = [line.get_window_extent().height for line in drawing.lines[:4]]
    lane = drawing.axes[0].get_window_extent().height / 4
    volts = [np.ptp(line.get_ydata()) for line in drawing.lines[:4]]
    assert volts[0] > 1e6 * volts[3]
    assert all(0.3 * lane < each < lane for each in ends)


def test_rating_bars_are_the_shares(swapped: SwapReport) -> None:
    _, (axes,), bars = plots.ratings(swapped, rows=8)
    ranked = sorted(swapped.limits_after, key=lambda check: -check.worst)[:8]
    assert_allclose([bar.get_width() for bar in bars], [min(150.0, 100.0 * c.worst) for c in ranked])
    texts = [text.get_text() for text in axes.texts]
    for check in ranked:
        assert f"{check.part}  {check.what}" in texts
    assert {"exceeded"} <= {check.state for check in ranked}  # or this test would show nothing
    for check, bar in zip(ranked, bars, strict=True):
        word = {"exceeded": "EXCEEDED", "at limit": "AT LIMIT", "near": "NEAR", "within": ""}[check.state]
        assert any(text.endswith(f"%  {word}".rstrip()) for text in texts)
        assert bool(bar.get_hatch()) == (check.state != "within")


def test_rows_stay_in_place_while_the_shares_move(amp: Amp) -> None:
    first = swap(amp, {})
    shown = calm(tuple(first.limits_after), (), 8)
    moved = swap(amp, {"R14": "330"})
    again = calm(tuple(moved.limits_after), shown, 8)
    assert [check.key for check in again] == [check.key for check in shown]


def test_a_rating_that_becomes_grave_gets_a_row(amp: Amp) -> None:
    shown = calm(tuple(swap(amp, {}).limits_after), (), 4)
    hot = swap(amp, {"R14": "100"}, mains_rms=135)
    again = calm(tuple(hot.limits_after), shown, 4)
    grave = {check.key for check in hot.limits_after.exceeded}
    assert len(grave) >= 4  # more than there are rows
    assert {check.key for check in again} <= grave


def test_rails_stand_at_their_ripple(swapped: SwapReport) -> None:
    _, (axes,), dots = plots.rails(swapped)
    assert_allclose([dot.get_xdata()[0] for dot in dots], [r.ripple_pp_v for r in swapped.after.rails])
    low, high = axes.get_xlim()
    assert all(low <= dot.get_xdata()[0] <= high for dot in dots)


def test_what_moves_is_what_the_report_says(swapped: SwapReport) -> None:
    result = {move.name: move for move in moves(swapped)["Nodes to ground"]}
    assert result["k34"].before == pytest.approx(swapped.before.node("k34").dc_v)
    assert result["k34"].after == pytest.approx(swapped.after.node("k34").dc_v)
    assert not any("hv_" in name or "mains" in name for name in result)  # alternating: no reading to compare
    _, axes, lines = plots.before_after(swapped)
    assert len(axes) == 3
    first = moves(swapped)["Nodes to ground"][0]
    assert lines[0].get_xdata()[1] == pytest.approx(first.percent)


def test_a_change_that_moves_nothing_says_so(amp: Amp) -> None:
    assert plots.before_after(swap(amp, {})).words.startswith("Nothing changes")


@pytest.mark.parametrize("name", ["ripple", "ratings", "rails", "before_after"])
def test_every_figure_shows_itself_in_a_notebook(swapped: SwapReport, name: str) -> None:
    drawing = getattr(plots, name)(swapped)
    data, about = drawing._repr_mimebundle_()
    assert data["image/png"].startswith(b"\x89PNG")
    assert about["image/png"]["alt"] == drawing.words
    assert "<svg" in drawing.svg()
    assert drawing.png() == getattr(plots, name)(swapped).png()  # the same result, the same picture
    assert "matplotlib.pyplot" not in sys.modules or not sys.modules["matplotlib.pyplot"].get_fignums()


@pytest.mark.parametrize("name", ["ripple", "ratings", "rails", "before_after"])
def test_no_words_run_off_the_paper_or_into_each_other(swapped: SwapReport, name: str) -> None:
    figure, axes, _ = getattr(plots, name)(swapped)
    figure.canvas.draw()
    renderer = figure.canvas.get_renderer()
    texts = [t for each in axes for t in (*each.texts, each.title, each._left_title) if t.get_visible()]
    boxes = [t.get_window_extent(renderer) for t in texts if t.get_text()]
    for box in boxes:
        assert figure.bbox.x0 <= box.x0
        assert box.x1 <= figure.bbox.x1
        assert figure.bbox.y0 <= box.y0
        assert box.y1 <= figure.bbox.y1
    for one, other in ((a, b) for k, a in enumerate(boxes) for b in boxes[:k]):
        assert not (
            one.x0 < other.x1 and other.x0 < one.x1 and one.y0 + 2 < other.y1 and other.y0 + 2 < one.y1
        )


def test_the_longest_verdict_leaves_the_normal_range_readable():
    rows = [
        BandRow("g6", -38.0, -35.0, -33.0, "-37.6 V – -33.3 V", -40.0, "-40.2 V", word)
        for word in ("out of range", METER, "on the high side", "on the low side", "fine")
    ]
    with ink.style():
        figure = ink.paper(WIDE / ink.DPI, (ABOVE + BELOW + ROW * len(rows)) / ink.DPI)
        view = ReadingBandsView(figure, rows)
        figure.canvas.draw()
        ranges = [text for text in view.axes.texts if text.get_text() == rows[0].band]
        for words, normal in zip(view.words, ranges, strict=True):
            assert words.get_window_extent().x1 < normal.get_window_extent().x0, words.get_text()

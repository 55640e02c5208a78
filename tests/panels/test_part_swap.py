"""The panel against `swap` called directly: sliders are set as a hand would set them."""

from __future__ import annotations

import html
import io

import numpy as np
import pytest
from numpy.testing import assert_allclose
from PIL import Image

from tubekit.amp import Amp
from tubekit.decisions import SwapReport, swap
from tubekit.errors import ChangeError, SolveError
from tubekit.panels import PartSwap, part_swap
from tubekit.panels.report_html import measure_html, verdict_html
from tubekit.plots import ink
from tubekit.plots.cycle import BEYOND
from tubekit.text import CAUTION


def curves(panel: PartSwap) -> dict[str, np.ndarray]:
    return {str(line.get_label()): line.get_ydata() for line in panel.figure.view.cycle.ripple.after}


def agrees(panel: PartSwap, wanted: SwapReport) -> None:
    """Figure, verdict and table are those of a swap worked out on its own."""
    state = wanted.after.solved.state
    for rail in wanted.after.rails:
        wave = state.waveform(rail.node)[0] - state.mean(rail.node)[0]
        # A warm start ends within the solver's tolerance of a cold one.
        assert_allclose(curves(panel)[rail.node][:-1], wave, atol=1e-4)
    shares = {(c.part, c.what): c.share for c in wanted.limits_after}
    for check, bar in zip(panel.figure.view.ratings.shown, panel.figure.view.ratings.bars, strict=False):
        assert bar.get_width() == pytest.approx(min(150.0, 100.0 * shares[check.part, check.what]), abs=1e-3)
    assert panel.numbers.value == verdict_html(wanted)
    assert panel.measure.value == measure_html(wanted)


def test_a_slider_gives_what_swap_gives(panel: PartSwap, amp: Amp) -> None:
    panel.part = "R14"
    control = panel.control("R14")
    control.slider.value = int(np.flatnonzero(np.isclose(control.stops, 330.0))[0])
    agrees(panel, swap(amp, {"R14": "330"}))
    assert control.entry.value == "330 Ω"
    assert panel.report.after.amp.parts["R14"].ohms == 330.0


def test_every_stop_of_a_dragged_slider_is_answered_and_the_last_one_stands(
    panel: PartSwap, amp: Amp
) -> None:
    panel.part = "C14"
    control = panel.control("C14")
    for place in range(control.slider.min, control.slider.max + 1, 5):
        control.slider.value = place
    control.slider.value = 4
    agrees(panel, swap(amp, {"C14": control.stops[4]}))


def test_free_entry_takes_what_the_bench_writes(panel: PartSwap, amp: Amp) -> None:
    panel.part = "R14"
    for words, ohms in (("330", 330.0), ("4K7", 4700.0), ("0.3k", 300.0)):
        panel.control("R14").entry.value = words
        assert panel.report.after.amp.parts["R14"].ohms == ohms
    panel.part = "C14"
    panel.control("C14").entry.value = "25u"
    agrees(panel, swap(amp, {"R14": "300", "C14": "25u"}))


def test_a_slip_is_told_beside_its_control_and_changes_nothing(panel: PartSwap) -> None:
    panel.part = "R14"
    panel.control("R14").entry.value = "330"
    before = panel.report
    panel.control("R14").entry.value = "33O"
    assert "Perhaps 330 is meant" in panel.control("R14").complaint.value
    assert panel.control("mains").complaint.value == ""
    assert panel.report is before
    panel.control("R14").entry.value = "360"
    assert panel.control("R14").complaint.value == ""


def test_steps_go_from_member_to_member_even_from_between(panel: PartSwap) -> None:
    panel.part = "R14"
    control = panel.control("R14")
    control.up.click()
    assert panel.report.after.amp.parts["R14"].ohms == 300.0  # E24, IEC 60063
    control.entry.value = "310"
    control.up.click()
    assert panel.report.after.amp.parts["R14"].ohms == 330.0
    control.entry.value = "310"
    control.down.click()
    assert panel.report.after.amp.parts["R14"].ohms == 300.0
    control.series.value = "E6"
    control.up.click()
    assert panel.report.after.amp.parts["R14"].ohms == 330.0


def test_a_tube_is_swapped_from_the_list(panel: PartSwap, amp: Amp) -> None:
    panel.part = "V5"
    choice = panel.control("V5").choice
    words = {value: text for text, value in choice.options}
    assert words["5Y3GT"] == "5Y3GT"
    assert "does not fit" in words["6X4"]  # seven-pin miniature, RCA receiving tube manual (from memory)
    assert "12AX7" not in words
    choice.value = "5U4GB"
    agrees(panel, swap(amp, {"V5": "5U4GB"}))


def test_mains_moves_before_and_after(panel: PartSwap, amp: Amp) -> None:
    panel.set({"R14": "330"})
    panel.control("mains").slider.value = 125.0
    wanted = swap(amp, {"R14": "330"}, mains_rms=125.0)
    agrees(panel, wanted)
    assert panel.report.before.node("B1").dc_v == pytest.approx(wanted.before.node("B1").dc_v, abs=1e-4)


@pytest.mark.parametrize(("design", "low", "high"), [(117.0, 90.0, 140.0), (230.0, 200.0, 260.0)])
def test_the_mains_slider_covers_the_mains_of_the_amp(design: float, low: float, high: float) -> None:
    from tubekit.panels.settings import LineSetting

    slider = LineSetting(design, design).slider
    assert (slider.min, slider.max) == (low, high)


def test_several_changes_are_listed_and_taken_back_one_by_one(panel: PartSwap, amp: Amp) -> None:
    panel.set({"R14": "330", "V5": "5U4GB", "C14": "40u"})
    assert [b.description.split("  ")[0] for b in panel.chips.buttons] == ["R14", "V5", "C14"]
    assert "270 Ω → 330 Ω" in panel.chips.buttons[0].description
    panel.chips.buttons[1].click()
    agrees(panel, swap(amp, {"R14": "330", "C14": "40u"}))
    panel.chips.buttons[0].click()
    panel.chips.buttons[0].click()
    assert panel.chips.changed == ()
    agrees(panel, swap(amp, {}))


def test_a_value_set_back_to_what_it_was_is_no_change(panel: PartSwap) -> None:
    panel.set({"R14": "330"})
    panel.set({"R14": "270"})
    assert panel.chips.changed == ()


def test_undo_and_redo(panel: PartSwap) -> None:
    panel.part = "R14"
    assert panel.buttons["undo"].disabled
    control = panel.control("R14")
    for place in (26, 27, 28):  # one gesture
        control.slider.value = place
    panel.set({"V5": "5U4GB"})
    panel.buttons["undo"].click()
    assert panel.chips.changed == ("R14",)
    panel.buttons["undo"].click()
    assert panel.chips.changed == ()
    assert control.value == 270.0
    assert panel.buttons["undo"].disabled
    panel.buttons["redo"].click()
    panel.buttons["redo"].click()
    assert panel.chips.changed == ("R14", "V5")
    assert panel.buttons["redo"].disabled


def test_keep_as_before_compares_the_next_change_with_it(panel: PartSwap, amp: Amp) -> None:
    panel.set({"V5": "5U4GB"})
    panel.buttons["keep"].click()
    assert panel.chips.changed == ()
    assert panel.report.before.amp.parts["V5"].type == "5U4GB"
    panel.set({"R14": "330"})
    agrees(panel, swap(amp.changed({"V5": "5U4GB"}), {"R14": "330"}))
    assert any(words.startswith("V5  5U4GB") for words, _ in panel.parts.options)
    panel.buttons["reset"].click()
    agrees(panel, swap(amp, {}))


def unsolvable(monkeypatch, part: str) -> None:
    """Let the solver give up where `part` is among the changes: no setting of the demo amp makes it do so."""

    def gives_up(amp, changes, **options):
        if part in changes:
            raise SolveError("does not settle", worst=part, residual=1.0, iterations=99, best=None)
        return swap(amp, changes, **options)

    monkeypatch.setattr("tubekit.panels.part_swap_panel.swap", gives_up)


def test_without_an_answer_the_last_curves_stand_in_gray(panel: PartSwap, amp: Amp, monkeypatch) -> None:
    unsolvable(monkeypatch, "V5")
    panel.set({"R14": "330"})
    good = curves(panel)
    panel.part = "V5"
    panel.control("V5").choice.value = "removed"
    assert "does not settle" in panel.stale
    assert "does not settle" in panel.control("V5").complaint.value
    assert "No result for this setting" in panel.notice.value
    assert_allclose(curves(panel)["B1"], good["B1"])
    assert panel.figure.view.cycle.ripple.after[0].get_color() == ink.FAINT
    assert "V5" in panel.chips.changed  # the controls say what was asked
    panel.control("V5").choice.value = "5Y3GT"
    assert panel.stale == ""
    assert panel.notice.value == ""
    assert panel.figure.view.cycle.ripple.after[0].get_color() == ink.STROKES[0].ink
    agrees(panel, swap(amp, {"R14": "330"}))


def test_the_caution_stands_where_the_hand_would_go(panel: PartSwap) -> None:
    assert CAUTION in html.unescape(panel.measure.value)
    assert "safe to touch" not in panel.measure.value + panel.numbers.value


def test_the_long_tables_are_written_while_they_are_open(panel: PartSwap) -> None:
    assert panel.opened.value == ""
    panel.details.selected_index = 0
    panel.set({"R14": "330"})
    assert "Gain of each stage" in panel.opened.value
    assert panel.report.tables()[2].html() in panel.opened.value


def test_set_from_a_program_raises(panel: PartSwap, monkeypatch) -> None:
    unsolvable(monkeypatch, "V5")
    with pytest.raises(ChangeError, match="R41"):
        panel.set({"R41": "330"})
    assert panel.chips.changed == ()
    with pytest.raises(SolveError, match="does not settle"):
        panel.set({"V5": "removed"})
    with pytest.raises(ChangeError, match="no such part"):
        panel.part = "R414"


def test_scales_stay_until_they_are_asked_to_fit(panel: PartSwap) -> None:
    strip = panel.figure.view.cycle.ripple
    panel.set({"C14": "4u7"})
    assert panel.figure.view.cycle.ripple is strip
    assert strip.beyond.get_text() == BEYOND
    panel.buttons["rescale"].click()
    assert panel.figure.view.cycle.ripple.scales[0] > strip.scales[0]
    assert panel.figure.view.cycle.ripple.beyond.get_text() == ""


def test_every_part_of_the_amp_can_be_picked(panel: PartSwap, amp: Amp) -> None:
    for name in amp.parts:
        panel.part = name
        boxes = list(panel.controls)
        assert len(panel.place.box.children) >= 1 + len(boxes)
        for control in panel.controls:
            assert control.designator == name
        assert panel.report.after.amp.changes == {}  # looking at a part changes nothing


@pytest.mark.parametrize(
    ("part", "key", "value"),
    [("R31", "R31.position", 0.8), ("V3", "V3.emission", 0.7)],
)
def test_levels_reach_the_swap(panel: PartSwap, amp: Amp, part: str, key: str, value: float) -> None:
    panel.part = part
    panel.control(key).slider.value = value
    agrees(panel, swap(amp, {key: value}))


def test_a_part_gone_open_or_taken_out(panel: PartSwap, amp: Amp) -> None:
    panel.part = "R24"
    panel.control("R24").state.value = "open"
    agrees(panel, swap(amp, {"R24": "open"}))
    assert panel.control("R24").slider.disabled
    panel.control("R24").state.value = "removed"
    agrees(panel, swap(amp, {"R24": "removed"}))
    panel.control("R24").state.value = ""
    assert panel.chips.changed == ()


def test_fields_in_words(panel: PartSwap, amp: Amp) -> None:
    panel.part = "T1"
    control = panel.control("T1")
    keys = [value for _, value in control.choice.options]
    control.choice.value = next(key for key in keys if key.endswith("high_voltage.resistance"))
    control.entry.value = "nonsense"
    assert "T1" in control.complaint.value
    panel.part = "LS1"
    control = panel.control("LS1")
    control.choice.value = "LS1"
    control.entry.value = "16"
    agrees(panel, swap(amp, {"LS1": "16"}))


def test_another_amp_from_the_list(panel: PartSwap, amp: Amp, tmp_path, monkeypatch) -> None:
    (tmp_path / "mine.toml").write_text(amp.changed({"R14": "330"}).copy_as_text(), encoding="utf-8")
    (tmp_path / "broken.toml").write_text('[amp]\ntitle = "Broken"\n', encoding="utf-8")
    (tmp_path / "notes.toml").write_text("[other]\n", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    panel = part_swap("teasel")
    names = [str(value).rpartition("/")[2] for _, value in panel.amps.options]
    assert "mine.toml" in names
    assert "notes.toml" not in names
    values = {str(value).rpartition("/")[2]: value for _, value in panel.amps.options}
    panel.set({"V5": "5U4GB"})
    panel.amps.value = values["mine.toml"]
    assert panel.chips.changed == ()
    assert panel.amp.parts["R14"].ohms == 330.0
    panel.amps.value = values["broken.toml"]
    assert "broken.toml" in panel.amp_list.complaint.value
    assert panel.amp.parts["R14"].ohms == 330.0  # the last amp stays
    assert panel.amps.value == values["mine.toml"]


@pytest.mark.painted
def test_the_picture_sent_is_the_figure(panel: PartSwap) -> None:
    """Blitted, lettered by Pillow and put on a palette, it is still what a whole new drawing would be."""
    panel.set({"V5": "5U4GB", "R14": "180"}, mains_rms=123)
    sent = np.asarray(Image.open(io.BytesIO(panel.figure.value)).convert("RGB")).astype(int)
    figure = panel.figure.figure
    for artist in panel.figure.moving:
        artist.set_animated(False)
    figure.canvas.draw()
    whole = np.asarray(figure.canvas.buffer_rgba())[..., :3].astype(int)
    assert sent.shape == whole.shape
    assert tuple(sent[0, 0]) == (255, 255, 255)
    letters = [t for t in panel.figure.moving if hasattr(t, "get_text")]
    for artist in letters:
        if artist.get_text() and artist.get_visible():
            box = artist.get_window_extent(figure.canvas.get_renderer()).padded(6)
            rows = slice(int(whole.shape[0] - box.y1), int(whole.shape[0] - box.y0))
            crops = [picture[rows, int(box.x0) : int(box.x1)].min(axis=2) < 128 for picture in (sent, whole)]
            for axis in (0, 1):
                (first, last), (was_first, was_last) = (
                    np.flatnonzero(c.any(axis=axis))[[0, -1]] for c in crops
                )
                assert abs(first - was_first) <= 2
                assert abs(last - was_last) <= 6  # kerning, over a whole line
    for artist in letters:
        artist.set_visible(False)
    figure.canvas.draw()
    bare = np.asarray(figure.canvas.buffer_rgba())[..., :3].astype(int)
    letters_at = np.abs(whole - bare).max(axis=2) > 0
    same = ~np.any([np.roll(letters_at, k, axis=1) for k in range(-3, 4)], axis=0)  # where no letters stand
    assert np.mean(np.abs(sent - whole).max(axis=2)[same] > 48) < 0.005


def test_moving_draws_the_background_once(panel: PartSwap, monkeypatch) -> None:
    drawn = []
    picture = panel.figure
    monkeypatch.setattr(picture.canvas, "draw", lambda: drawn.append(1))
    for mains in (116.0, 116.5, 117.5):
        panel.control("mains").slider.value = mains
    assert len(drawn) <= 1  # at most where a row of the ratings changed hands


def test_every_control_has_words_to_it(panel: PartSwap, amp: Amp) -> None:
    import ipywidgets as widgets

    kinds = (widgets.Dropdown, widgets.IntSlider, widgets.FloatSlider, widgets.Text, widgets.Button)

    def walk(widget):
        yield widget
        for child in getattr(widget, "children", ()):
            yield from walk(child)

    for name in ("R14", "V5", "R31", "C14", "T1", "S1"):
        panel.part = name
        for widget in walk(panel):
            if isinstance(widget, kinds):
                assert widget.description or widget.tooltip

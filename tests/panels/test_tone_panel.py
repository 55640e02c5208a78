"""The tone panel against `signal_path` called directly."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from tests.amp.signal_amps import with_feedback
from tubekit.amp import demo_names, load_amp
from tubekit.amp.controls import control_family, controls
from tubekit.amp.parts import Potentiometer
from tubekit.amp.signal import signal_path
from tubekit.decisions.tone import tone_change
from tubekit.errors import ChangeError
from tubekit.panels.tone_panel import TonePanel, tables, tone
from tubekit.panels.tone_sight import FAMILY_HZ, HERTZ, POSITIONS
from tubekit.plots import ink


@pytest.fixture
def panel() -> TonePanel:
    return tone("teasel")


def agrees(panel: TonePanel, changes: dict[str, object], amp: str = "teasel") -> None:
    """Curve and numbers are those of a signal path worked out on its own."""
    alone = signal_path(load_amp(amp).changed(changes), frequencies_hz=HERTZ)
    assert_allclose(panel.result.curve.gain_db, alone.gain_db[0], atol=0.01)
    assert_allclose(panel.figure.view.after.get_ydata(), alone.gain_db[0], atol=0.01)
    assert_allclose(panel.result.path.whole.low.hz, alone.whole.low.hz, rtol=2e-3)
    assert_allclose(abs(panel.result.path.output_ohms), abs(alone.output_ohms), rtol=2e-3)
    for table in tables(panel.result, panel.before):
        assert table.html() in panel.numbers.value


@pytest.mark.parametrize("name", demo_names())
def test_every_control_of_an_amp_is_a_slider(name: str) -> None:
    amp, panel = load_amp(name), tone(name)
    assert {each.designator for each in panel.fixed} == set(controls(amp))
    labels = [each.slider.description for each in panel.fixed]
    assert len(set(labels)) == len(labels)
    pots = [part for part in amp.parts.values() if isinstance(part, Potentiometer)]
    for label, part in zip(labels, pots, strict=True):
        assert part.role.startswith(label.removesuffix(f" {part.designator}"))
    agrees(panel, {}, name)


def test_sliders_give_what_signal_path_gives(panel: TonePanel) -> None:
    panel.control("R33.position").slider.value = 0.8
    agrees(panel, {"R33.position": 0.8})
    panel.control("R32.position").slider.value = 0.1
    agrees(panel, {"R33.position": 0.8, "R32.position": 0.1})
    panel.part = "C7"
    panel.control("C7").slider.value += 2  # E12, IEC 60063: 220, 270, 330 pF
    agrees(panel, {"R33.position": 0.8, "R32.position": 0.1, "C7": "330p"})


@pytest.mark.parametrize(("name", "control"), [("burdock", "R46.position"), ("fescue", "R54.position")])
def test_a_control_that_moves_the_supply_has_it_solved_anew(name: str, control: str) -> None:
    panel = tone(name)
    panel.control(control).slider.value = 0.1
    agrees(panel, {control: 0.1}, name)


def test_the_gray_curves_are_those_of_the_control_that_moved(panel: TonePanel) -> None:
    panel.control("R33.position").slider.value = 0.7
    wanted = control_family(load_amp("teasel"), {"R33": POSITIONS}, frequencies_hz=FAMILY_HZ)
    assert_allclose(panel.result.family.family_db, wanted.gain_db, atol=0.01)
    assert "treble" in panel.figure.view.words[0].get_text()
    panel.set({"C7": "470p"})  # other parts: other gray curves
    changed = load_amp("teasel").changed({"C7": "470p"})
    wanted = control_family(changed, {"R33": POSITIONS}, frequencies_hz=FAMILY_HZ)
    assert_allclose(panel.result.family.family_db, wanted.gain_db, atol=0.01)
    drawn = panel.figure.view.family.get_segments()
    assert_allclose([each[:, 1] for each in drawn], wanted.gain_db, atol=0.01)


def test_the_gray_curves_stay_while_their_control_is_turned(panel: TonePanel) -> None:
    panel.control("R33.position").slider.value = 0.7
    family = panel.result.family
    panel.control("R33.position").slider.value = 0.9
    assert panel.result.family is family
    panel.control("R32.position").slider.value = 0.9
    assert panel.result.family is not family


def test_before_stays_behind_and_the_change_is_drawn(panel: TonePanel) -> None:
    panel.set({"C2": "4n7"})
    change = tone_change(load_amp("teasel"), {"C2": "4n7"})
    view = panel.figure.view
    wanted = np.interp(HERTZ, change.after.frequencies_hz, change.change_db)
    assert_allclose(view.change.get_ydata(), wanted, atol=0.02)
    assert_allclose(view.before.get_ydata(), panel.before.curve.gain_db)
    panel.details.selected_index = 0
    assert "Rolloffs that change" in panel.opened.value
    assert "C2 (" in panel.opened.value
    panel.buttons["keep"].click()
    assert panel.amp.parts["C2"].farads == pytest.approx(4.7e-9)
    assert view.change.get_ydata().size == 0


def test_an_unstable_amp_shows_no_response() -> None:
    panel = tone(with_feedback())
    assert panel.result.stable
    panel.set({"T2.secondary.nodes": ["speaker", "ground"]})  # the secondary turned round
    assert not panel.result.stable
    assert np.isnan(panel.figure.view.after.get_ydata()).all()
    assert panel.figure.view.alarm[0].get_text().startswith("UNSTABLE")
    assert "UNSTABLE" in panel.numbers.value
    assert "nan" not in panel.numbers.value
    panel.buttons["undo"].click()
    assert panel.figure.view.alarm[0].get_text() == ""
    assert np.isfinite(panel.figure.view.after.get_ydata()).all()


def test_an_amp_opened_unstable_can_be_dragged_once_it_is_stable() -> None:
    """What each control does was found only when a panel was opened, and not on an amp that oscillates."""
    panel = tone(with_feedback().changed({"T2.secondary.nodes": ["speaker", "ground"]}))
    assert "oscillates" in panel.amp_list.danger.value
    assert panel.figure.handles == []
    panel.set({"T2.secondary.nodes": ["ground", "speaker"]})
    assert panel.result.stable
    assert "oscillates" not in panel.amp_list.danger.value
    assert [each["name"] for each in panel.figure.handles] == ["volume", "bass", "treble"]


def test_without_an_answer_the_last_curve_stands_in_gray(panel: TonePanel) -> None:
    good = panel.result
    with pytest.raises(ChangeError, match="no speaker"):
        panel.set({"LS1": "open"})
    assert panel.result is good
    assert panel.figure.view.after.get_color() == ink.FAINT
    assert "No result for this setting" in panel.notice.value
    panel.buttons["undo"].click()
    assert panel.figure.view.after.get_color() == ink.IRON
    assert panel.notice.value == ""


def test_undo_redo_reset_and_chips(panel: TonePanel) -> None:
    treble = panel.control("R33.position").slider
    for position in (0.6, 0.7, 0.8):  # one gesture
        treble.value = position
    panel.set({"C2": "47n"})
    assert panel.chips.changed == ("R33.position", "C2")
    panel.buttons["undo"].click()
    panel.buttons["undo"].click()
    assert treble.value == 0.5
    panel.buttons["redo"].click()
    assert treble.value == 0.8
    panel.chips.buttons[0].click()
    agrees(panel, {})
    panel.set({"C2": "47n"})
    panel.buttons["reset"].click()
    assert not panel.trial.plan.changes


def test_another_amp_brings_its_own_controls(panel: TonePanel) -> None:
    place = [value for _, value in panel.amps.options].index("fescue")
    panel.amps.index = place
    assert {each.designator for each in panel.fixed} == {"R51", "R52", "R53", "R54"}
    agrees(panel, {}, "fescue")


def test_moving_draws_the_background_once(panel: TonePanel, monkeypatch) -> None:
    drawn = []
    monkeypatch.setattr(panel.figure.canvas, "draw", lambda: drawn.append(1))
    for position in (0.1, 0.2, 0.3):
        panel.control("R33.position").slider.value = position
    assert not drawn


def test_the_second_jack_is_driven_when_the_plug_goes_there() -> None:
    panel = tone("fescue")
    panel.set({"J1.plugged": False, "J2.plugged": True})
    alone = signal_path(load_amp("fescue"), jack="J2", frequencies_hz=HERTZ)
    assert_allclose(panel.result.curve.gain_db, alone.gain_db[0], atol=0.01)

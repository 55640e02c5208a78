"""The load-line panel against `load_line` called directly, and what every board does."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings as how, strategies as st
from numpy.testing import assert_allclose

from tubekit.analyses.loadline import load_line as alone
from tubekit.analyses.regulation import SpeakerLoad
from tubekit.errors import ChangeError, InputError, SolveError
from tubekit.panels import LoadLinePanel, load_line, load_line_panel
from tubekit.panels.line_start import driven_tubes, start_for, usual_stage
from tubekit.panels.load_line_panel import tables
from tubekit.panels.settings import LevelSetting, SeriesSetting
from tubekit.plots import ink
from tubekit.plots.plate import paths

FEW = ("12AX7", "6SN7GT", "2A3", "EL84", "6L6GC")
"""One of each law and size, in every stage; the others in their usual one."""
STARTS = [(each, usual_stage(each)) for each in driven_tubes()] + [
    (each, stage) for each in FEW for stage in ("single", "pair", "resistor") if stage != usual_stage(each)
]


@pytest.fixture
def panel() -> LoadLinePanel:
    return load_line("6V6GT")


def agrees(panel: LoadLinePanel, wanted) -> None:
    """Figure and numbers are those of a load line worked out on its own."""
    assert_allclose(panel.result.power_w, wanted.power_w, rtol=1e-9)
    assert_allclose(panel.result.harmonics_v, wanted.harmonics_v, atol=1e-9)
    view = panel.figure.view
    for line, (volts, amps) in zip(view.plate.paths, paths(wanted), strict=False):
        assert_allclose(line.get_xdata(), volts, atol=1e-6)
        assert_allclose(line.get_ydata(), amps, atol=1e-6)
    assert_allclose(view.plate.rest.get_xdata(), [wanted.plate_v])
    heights = [bar.get_height() for bar in view.harmonics.bars]
    shares = 100 * wanted.harmonics_v[2:9] / wanted.harmonics_v[1]
    assert_allclose(heights, np.minimum(shares, view.harmonics.top), atol=1e-6)
    assert tables(wanted, wanted)[0].cells()[0][1] in panel.numbers.value


def test_it_begins_at_the_makers_row(panel: LoadLinePanel) -> None:
    agrees(panel, alone("6V6GT", plate=250, screen=250, grid=-12.5, load=5000))


@pytest.mark.parametrize(
    ("moves", "asked"),
    [
        ({"load": 8000.0}, {"load": 8000.0}),
        ({"plate": 300.0, "grid": -14.0}, {"plate": 300.0, "grid": -14.0}),
        ({"screen": 200.0}, {"screen": 200.0}),
        ({"emission": 0.7}, {"emission": 0.7}),
        ({"drive": 50.0}, {"drive": 6.25}),
        (
            {"kind": "loudspeaker", "frequency": 2200.0},
            {"speaker": SpeakerLoad(), "frequency_hz": 2200.0},
        ),
    ],
)
def test_knobs_give_what_load_line_gives(panel: LoadLinePanel, moves, asked) -> None:
    panel.set(**moves)
    given = {"plate": 250.0, "screen": 250.0, "grid": -12.5, "load": 5000.0, **asked}
    agrees(panel, alone("6V6GT", **{"drive": -given["grid"], **given}))


def test_a_cathode_resistor_sets_the_bias(panel: LoadLinePanel) -> None:
    panel.set(bias="cathode", cathode=270.0)
    line = panel.result
    # Ohm's law: bias over resistor is the cathode current.
    assert_allclose(-line.grid_v / 270.0, line.plate_a + line.screen_a, rtol=1e-6)
    agrees(panel, alone("6V6GT", plate=250, screen=250, cathode=270, load=5000, drive=-line.grid_v))


def test_a_pair_and_a_plate_resistor_begin_at_points_of_their_own(panel: LoadLinePanel) -> None:
    panel.set(stage="pair")
    start = start_for("6V6GT", "pair")
    agrees(
        panel,
        alone("6V6GT", plate=start.plate, screen=start.screen, grid=start.grid, load=start.load, pair=True),
    )
    assert panel.figure.view.axes[0].get_ylim()[0] < 0  # the second tube stands upside down
    panel.set(tube="12AX7")
    assert panel.settings["stage"] == "resistor"
    stage = {"supply": 250, "load": 1e5, "cathode": 1500, "next_grid": 330e3}
    agrees(panel, alone("12AX7", **stage, drive=-panel.result.grid_v))
    assert panel.knob("screen").layout.display == "none"


def test_sliders_and_entries_reach_it(panel: LoadLinePanel) -> None:
    load = panel.knob("load")
    assert isinstance(load, SeriesSetting)
    load.entry.value = "6K6"
    assert panel.settings["load"] == 6600.0
    load.slider.value += 1  # from the stop nearest to 6.6 kΩ
    assert panel.settings["load"] == 7500.0  # E24, IEC 60063
    load.slider.value -= 1
    grid = panel.knob("grid")
    assert isinstance(grid, LevelSetting)
    grid.slider.value = -15.0
    agrees(panel, alone("6V6GT", plate=250, screen=250, grid=-15, load=6800))


def test_a_slip_is_told_beside_its_knob_and_changes_nothing(panel: LoadLinePanel) -> None:
    before = panel.result
    panel.knob("load").entry.value = "5o00"
    assert "role" in panel.knob("load").complaint.value
    assert panel.knob("grid").complaint.value == ""
    assert panel.result is before


def test_without_an_answer_the_last_curves_stand_in_gray(panel: LoadLinePanel, monkeypatch) -> None:
    good = panel.result
    real = load_line_panel.solve_line

    def gives_up(**asked):
        if asked["load"] == 4700.0:
            raise SolveError("does not settle", worst="6V6GT", residual=1.0, iterations=9)
        return real(**asked)

    monkeypatch.setattr(load_line_panel, "solve_line", gives_up)
    load = panel.knob("load")
    load.entry.value = "4K7"
    assert "does not settle" in load.complaint.value
    assert "No result for this setting" in panel.notice.value
    assert panel.result is good
    assert panel.figure.view.plate.paths[0].get_color() == ink.FAINT
    load.entry.value = "5K"
    assert panel.notice.value == ""
    assert load.complaint.value == ""
    assert panel.figure.view.plate.paths[0].get_color() == ink.IRON
    with pytest.raises(SolveError):
        panel.set(load=4700.0)


def test_undo_redo_reset_and_keep(panel: LoadLinePanel) -> None:
    grid = panel.knob("grid").slider
    for volts in (-13.0, -13.5, -14.0):  # one gesture
        grid.value = volts
    panel.set(tube="12AX7")
    panel.buttons["undo"].click()
    assert (panel.settings["tube"], panel.settings["grid"]) == ("6V6GT", -14.0)
    panel.buttons["undo"].click()
    assert panel.settings["grid"] == -12.5
    assert panel.buttons["undo"].disabled
    panel.buttons["redo"].click()
    assert panel.settings["grid"] == -14.0
    panel.buttons["keep"].click()
    kept = panel.result
    panel.set(load=8200.0)
    assert panel.before is kept
    assert_allclose(panel.figure.view.plate.before[0].get_ydata(), next(paths(kept))[1])
    panel.buttons["reset"].click()
    assert panel.settings == panel.first


def test_scales_stay_until_they_are_asked_to_fit(panel: LoadLinePanel) -> None:
    axes = panel.figure.view.axes[0]
    limits = axes.get_xlim(), axes.get_ylim()
    panel.set(plate=400.0, emission=1.2)
    assert (axes.get_xlim(), axes.get_ylim()) == limits
    panel.buttons["rescale"].click()
    assert panel.figure.view.axes[0].get_xlim()[1] > limits[0][1]


def test_moving_draws_the_background_once(panel: LoadLinePanel, monkeypatch) -> None:
    drawn = []
    monkeypatch.setattr(panel.figure.canvas, "draw", lambda: drawn.append(1))
    for volts in (-12.0, -13.0, -14.0):
        panel.knob("grid").slider.value = volts
    assert not drawn


@pytest.mark.parametrize(("type_", "stage"), STARTS)
def test_every_tube_begins_somewhere_sensible(type_: str, stage: str) -> None:
    panel = load_line(type_, stage)
    line = panel.result
    assert 0 < line.plate_a < 0.3
    assert line.power_w > 0
    # A handbook's points may lie a little above a rating of another kind; a guess never does.
    assert not line.plate_v * line.plate_a > 1.05 * line.plate_w_limit
    assert start_for(type_, stage).source
    for knob in panel.knobs.values():
        if isinstance(knob, LevelSetting):
            assert knob.slider.min < knob.slider.max


def test_output_tubes_start_on_a_transformer() -> None:
    assert {usual_stage(each) for each in ("6V6GT", "6V6GTA", "6L6", "6L6GC", "5881")} <= {"single", "pair"}
    assert {usual_stage(each) for each in ("12AX7", "12AU7", "6SL7GT", "6SN7GT")} == {"resistor"}


def test_a_similar_tube_keeps_the_setting(panel: LoadLinePanel) -> None:
    panel.set(load=8200.0)
    before = panel.before
    panel.set(tube="6L6")
    assert panel.settings["load"] == 8200.0
    assert panel.before is before  # the 6V6GT stays behind, to compare


def test_no_such_knob(panel: LoadLinePanel) -> None:
    with pytest.raises(ChangeError, match="no such setting"):
        panel.set(lode=5000)
    with pytest.raises(InputError):
        load_line("6V7")


@given(
    st.floats(30, 590), st.floats(30, 590), st.floats(-60, -0.1), st.floats(20, 2e5), st.floats(0.3, 1.2),
    st.floats(5, 200),
)  # fmt: skip
@how(max_examples=25, deadline=None)
def test_any_setting_is_answered_or_told(plate, screen, grid, load, emission, drive) -> None:
    panel = _one()
    try:
        panel.set(plate=plate, screen=screen, grid=grid, load=load, emission=emission, drive=drive)
    except SolveError:
        assert panel.stale
    else:
        assert np.isfinite(panel.result.power_w)
        assert "nan" not in panel.numbers.value


_PANELS: list[LoadLinePanel] = []


def _one() -> LoadLinePanel:
    """One panel for all examples, at its first setting."""
    if not _PANELS:
        _PANELS.append(load_line("6V6GT"))
    _PANELS[0].reset()
    return _PANELS[0]

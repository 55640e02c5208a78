"""The cathode-bias panel against `bias_stage` called directly, and `bias_stage` against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from tubekit import tube
from tubekit.panels import CathodeBiasPanel, cathode_bias
from tubekit.panels.cathode_bias_panel import arguments, table
from tubekit.panels.line_start import driven_tubes, usual_stage
from tubekit.textbook.bias_stage import bias_stage

FEW = ("12AX7", "6SN7GT", "2A3", "EL84", "6L6GC")
"""One of each law and size, in every stage; the others in their usual one."""
STARTS = [(each, usual_stage(each)) for each in driven_tubes()] + [
    (each, stage) for each in FEW for stage in ("single", "pair", "resistor") if stage != usual_stage(each)
]

TRIODE = {
    "type_": "12AX7",
    "supply": 250.0,
    "load": 1e5,
    "cathode": 1500.0,
    "next_grid": 330e3,
    "coupling_f": 22e-9,
}


@pytest.fixture
def panel() -> CathodeBiasPanel:
    return cathode_bias("12AX7")


def agrees(panel: CathodeBiasPanel, wanted) -> None:
    view = panel.figure.view
    assert_allclose(view.tube.get_ydata(), 1e3 * wanted.cathode_line_a, rtol=1e-9)
    assert_allclose(view.rest.get_xdata(), [wanted.bias_v], rtol=1e-9)
    assert_allclose(view.gain.get_ydata(), 20 * np.log10(wanted.gain), rtol=1e-9)
    heights = [bar.get_height() for bar in view.shares.bars]
    assert_allclose(heights, np.minimum(100 * np.nan_to_num(wanted.shares), 150), rtol=1e-9)
    shown = table(wanted, panel.before).html()
    assert shown in panel.numbers.value


@pytest.mark.parametrize(
    ("moves", "asked"),
    [
        ({}, {}),
        ({"cathode": 2700.0}, {"cathode": 2700.0}),
        ({"bypass": 0.68e-6}, {"bypass_f": 0.68e-6}),
        ({"fitted": False}, {"bypass_f": 0.0}),
        ({"supply": 300.0, "emission": 0.6}, {"supply": 300.0, "emission": 0.6}),
        ({"coupling": 2.2e-9}, {"coupling_f": 2.2e-9}),
        ({"load": 220e3, "next_grid": 1e6}, {"load": 220e3, "next_grid": 1e6}),
    ],
)
def test_knobs_give_what_bias_stage_gives(panel: CathodeBiasPanel, moves, asked) -> None:
    panel.set(**moves)
    agrees(panel, bias_stage(**{**TRIODE, "bypass_f": 25e-6, **asked}))


def test_sliders_reach_it(panel: CathodeBiasPanel) -> None:
    panel.knob("cathode").slider.value += 2
    panel.knob("emission").slider.value = 0.8
    agrees(panel, bias_stage(**arguments(panel.settings)))
    assert panel.settings["cathode"] == 1800.0  # E24, IEC 60063
    panel.buttons["undo"].click()
    assert panel.settings["emission"] == 1.0


def test_a_bypass_that_is_out_has_no_shelf_and_no_slider(panel: CathodeBiasPanel) -> None:
    panel.knob("fitted").choice.value = False
    assert panel.knob("bypass").layout.display == "none"
    assert len(panel.figure.view.corners.get_xdata()) == 1  # that of the coupling capacitor
    assert_allclose(panel.result.gain[-1], panel.result.gain_bare, rtol=1e-3)


@pytest.mark.parametrize(("type_", "stage"), STARTS)
def test_every_tube_idles_within_its_plate_heat(type_: str, stage: str) -> None:
    found = cathode_bias(type_, stage).result
    assert found.plate_a > 0
    assert not found.shares[0] > 1.08  # handbook points lie close to the ratings


def test_another_tube_begins_at_a_point_of_its_own(panel: CathodeBiasPanel) -> None:
    panel.set(tube="6V6GT")
    assert panel.settings["stage"] == "single"
    assert panel.before is panel.result or panel.before.tube == "6V6GT"
    assert panel.knob("screen").layout.display == ""
    # 12.5 V of bias, 45 mA: data/handbook/power_tube_operation.csv (printed).
    assert_allclose(panel.result.plate_a, 45e-3, rtol=0.08)


@pytest.mark.parametrize("ohms", [1200.0, 1500.0, 4700.0])  # below, grid current takes part
def test_the_crossing_is_ohms_law_and_lies_on_the_line(ohms: float) -> None:
    found = bias_stage(**{**TRIODE, "cathode": ohms})
    amps = found.plate_a + found.screen_a
    assert_allclose(found.bias_v, ohms * amps, rtol=1e-4)
    assert_allclose(np.interp(found.bias_v, found.cathode_line_v, found.cathode_line_a), amps, rtol=0.02)
    assert np.all(np.diff(found.cathode_line_a) <= 1e-9)


@pytest.mark.parametrize("ohms", [1200.0, 1500.0, 4700.0])  # below, grid current takes part
def test_gain_with_and_without_bypass(ohms: float) -> None:
    """mu R/(R + rp + (mu + 1) Rk): any textbook."""
    found = bias_stage(**{**TRIODE, "cathode": ohms, "bypass_f": 25e-6, "coupling_f": 1e-3})
    point = tube("12AX7").at(plate=found.plate_v, grid=-found.bias_v)
    load = 1 / (1 / 1e5 + 1 / 330e3)
    assert_allclose(found.gain_bypassed, point.mu * load / (load + point.rp), rtol=5e-3)
    assert_allclose(found.gain_bare, point.mu * load / (load + point.rp + (point.mu + 1) * ohms), rtol=5e-3)
    low, high = found.shelf_hz
    shelf = found.gain_bare * np.abs((1 + 1j * found.hertz / low) / (1 + 1j * found.hertz / high))
    assert_allclose(found.gain, shelf, rtol=5e-3)


def test_a_matched_pair_needs_no_bypass() -> None:
    found = bias_stage("6V6GT", supply=285, screen=285, load=8000, cathode=270, stage="pair")
    assert_allclose(found.gain_bare, found.gain_bypassed, rtol=1e-3)
    one = bias_stage("6V6GT", supply=285, screen=285, load=4000, cathode=540, stage="single")
    assert_allclose(found.plate_a, one.plate_a, rtol=1e-6)  # half of the resistor for twice the current


def test_a_coupling_capacitor_takes_3_db_at_its_corner() -> None:
    """1/sqrt(2) of the gain in the middle; the bypass is kept out of the way."""
    found = bias_stage(**{**TRIODE, "bypass_f": 1.0, "coupling_f": 2.2e-9})
    assert_allclose(
        np.interp(found.coupling_hz, found.hertz, found.gain), found.gain_bypassed / np.sqrt(2), rtol=0.01
    )
    assert np.isnan(
        bias_stage("6V6GT", supply=270, screen=270, load=5e3, cathode=270, stage="single").coupling_hz
    )

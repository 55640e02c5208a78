"""Tube laws against charts, worked examples and maker's limits; row by row see test_accuracy."""

from __future__ import annotations

import numpy as np
import pytest

from tubekit.devices import Triode, tube
from tubekit.devices.output_stage import At, answer
from tubekit.devices.published import Published, asked_of, characteristics
from tubekit.tables import handbook
from tubekit.textbook.accuracy import tube_checks


def off(type_: str, row: Published) -> dict[str, float]:
    got = answer(tube(type_).law, row.stage)
    return {
        name: float(asked_of(got, name)) - value
        if name == "distortion"
        else float(asked_of(got, name)) / value - 1.0
        for name, value in row.values.items()
    }


def test_every_row_of_characteristics_is_met_or_another_maker_s():
    rows = handbook("tubes_characteristics")
    seen = 0
    for type_ in dict.fromkeys(row.text("tube") for row in rows):
        for row in characteristics(type_):
            for name, error in off(type_, row).items():
                met = abs(error) <= row.tolerance(name)
                assert met or "ECC81" in row.source, f"{row.label}, {name} {error:+.1%}"
            seen += 1
    assert seen == len(rows)


def test_plate_chart_of_a_6sl7_within_four_percent_of_three_milliamperes():
    # plate_curves_6SL7 (printed, read off a maker's chart): all points, those near cut-off too.
    rows = handbook("plate_curves_6SL7")
    plate, grid, milliamperes = (np.array([row.number(c) for row in rows]) for c in ("Vp_V", "Vg_V", "Ip_mA"))
    law = tube("6SL7GT").at(plate=plate, grid=grid)
    rms = float(np.sqrt(np.mean(np.square(law.plate_a * 1e3 - milliamperes))))
    assert rms < 0.04 * 3.0


def test_grid_current_of_a_12ax7_starts_where_the_maker_has_it_and_ends_near_two_printed_sets():
    # The maker's nine stage rows (ECC83, from memory) state their output as the grid starts to draw 0.3 µA,
    # which puts that at -0.54 to -0.70 V; tube_models has sets of two measured tubes (from memory), whose
    # grids start later. The contact potential of ECC83: at most -0.9 V (from memory).
    onsets = [c.difference for c in tube_checks(["12AX7"]) if c.figure == "output at grid current"]
    assert len(onsets) == 9
    assert abs(np.mean(onsets)) < 0.10
    volts = np.linspace(-1.2, 0.0, 1201)
    current = tube("12AX7").at(plate=200.0, grid=volts).grid_a
    assert -0.70 < volts[np.argmax(current > 0.3e-6)] < -0.50
    grid = np.array([0.0, 0.3, 0.6, 1.0])
    own = tube("12AX7").at(plate=200.0, grid=grid).grid_a
    sets = [tube("12AX7", law=f"published RSD-{k}").at(plate=200.0, grid=grid).grid_a for k in (1, 2)]
    np.testing.assert_allclose(own, np.mean(sets, axis=0), rtol=0.36)


@pytest.mark.parametrize("type_", ["6V6GT", "6L6GC", "EL84", "EL34", "6550", "KT88", "7591"])
def test_a_power_tubes_grid_draws_microamperes_at_zero_bias_and_milliamperes_above(type_):
    # No printed set has these: common practice only. AB2 output rows need the grid driven to +8 V.
    at = {"plate": 250.0, "screen": 250.0}
    current = tube(type_).at(**at, grid=np.array([-2.0, 0.0, 8.0])).grid_a
    assert current[0] < 1e-6
    assert 1e-6 < current[1] < 2e-4
    assert 2e-3 < current[2] < 50e-3


def test_what_others_printed_misses_the_rows_that_the_fitted_law_meets():
    # The first set of each type against the first row of it: misses of tens of percent (tube_models).
    misses = {}
    for type_, at in (("12AX7", {"plate": 250, "grid": -2}), ("12AT7", {"plate": 250, "grid": -2})):
        own, printed = tube(type_).at(**at), tube(type_, law="published").at(**at)
        misses[type_] = printed.plate_a / own.plate_a - 1.0
    assert misses["12AX7"] == pytest.approx(-0.21, abs=0.02)
    assert abs(misses["12AT7"]) > 0.05


def test_worked_example_w08_chart_of_a_12ax7():
    # Bapat, Electronic Circuits and Systems, example 1.1 p. 6 (printed): at -2 V, 250 V, 1.2 mA the
    # chart gives rp 65 k, mu 100, gm 1.7 mA/V (0.5 to 2.2 mA from -2.5 to -1.5 V).
    point = tube("12AX7").at(plate=250.0, grid=np.array([-2.5, -2.0, -1.5]))
    assert point.plate_a[1] == pytest.approx(1.2e-3, rel=0.03)
    assert point.plate_a[2] - point.plate_a[0] == pytest.approx(1.7e-3, rel=0.10)
    assert point.rp[1] == pytest.approx(65e3, rel=0.10)
    assert point.mu[1] == pytest.approx(100.0, rel=0.03)


def test_worked_example_w09_power_law_triode():
    # 41 µA·(Vp + 7 Vg)^1.41 at 250/-20 V (printed, H. C. Verma, Concepts of Physics):
    # 30.98 mA, 2.52 k, 2.78 mS, mu 7. A sharp corner and no grid current make the law that one.
    law = Triode(
        perveance=41e-6 * 7.0**1.41, mu=7.0, exponent=1.41, softness=0.0, grid_perveance=0.0, gate=1e-3
    )
    currents, slopes = law.evaluate(np.array([250.0, -20.0]))
    assert currents[0] == pytest.approx(30.98e-3, rel=1e-3)
    assert 1.0 / slopes[0, 0] == pytest.approx(2.52e3, rel=5e-3)
    assert slopes[0, 1] == pytest.approx(2.78e-3, rel=5e-3)
    assert slopes[0, 1] / slopes[0, 0] == pytest.approx(7.0, rel=1e-6)


def limits(maker_tube: str, quantity: str) -> tuple[float | None, float | None]:
    (row,) = (
        r
        for r in handbook("tube_spread_limits", maker_tube=maker_tube)
        if r.text("quantity").startswith(quantity)
    )
    return row["min"], row["max"]


def test_a_strapped_6f6_is_the_power_law_triode_of_the_textbook():
    # 41 µA·(Vp + 7 Vg)^1.41 (printed), over the plate curves a textbook would draw with it.
    textbook = tube("6F6", law="published 6F6 triode-conn").law
    for plate, grid in ((250.0, -20.0), (200.0, -14.0), (300.0, -25.0)):
        own = answer(tube("6F6").law, At(plate, grid, strapped=True))["plate"]
        assert own == pytest.approx(float(textbook.evaluate(np.array([plate, grid]))[0][0]), rel=0.06)


def test_a_mean_tube_lies_within_what_a_maker_lets_through():
    # tube_spread_limits (printed, maker's data sheets of today's production).
    beam = tube("6V6GT").at(plate=250.0, screen=250.0, grid=-12.5)
    low, high = limits("6V6EH", "plate current")
    assert low < beam.plate_a * 1e3 < high
    assert beam.screen_a * 1e3 < limits("6V6EH", "screen current")[1]
    assert beam.gm * 1e3 > limits("6V6EH", "gm")[0]
    twin = tube("6SN7GT").at(plate=250.0, grid=np.array([-8.0, -18.0]))
    low, high = limits("6SN7EH", "plate current")
    assert low < twin.plate_a[0] * 1e3 < high
    low, high = limits("6SN7EH", "gm")
    assert low < twin.gm[0] * 1e3 < high
    assert twin.plate_a[1] * 1e6 < limits("6SN7EH", "Ia at -18 V")[1]


@pytest.mark.parametrize("type_", ["6V6GT", "6SN7GT", "EL34", "6BM8 triode"])
def test_the_band_of_new_tubes_is_that_of_the_maker(type_):
    record = tube(type_)
    spread = record.spread
    low, high = (limits(MAKERS[type_], "plate current")[k] * 1e-3 for k in (0, 1))
    for end, current in ((spread.low, low), (spread.high, high)):
        assert record.aged(spread=end).at(**spread.at).plate_a == pytest.approx(current, rel=1e-3)
    assert spread.low < 1.0 < spread.high
    assert spread.status == "printed"


MAKERS = {"6V6GT": "6V6EH", "6SN7GT": "6SN7EH", "EL34": "EL34EH", "6BM8 triode": "6BM8EH triode"}

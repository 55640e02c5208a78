"""Voltage stages from the books against closed forms with the tube's own slopes."""

from __future__ import annotations

import numpy as np
import pytest

from tubekit import operating_point, textbook, tube
from tubekit.analyses.small_signal import stage_gains
from tubekit.circuit.parts import Circuit
from tubekit.devices import Pentode
from tubekit.devices.tube_point import TubePoint
from tubekit.errors import CircuitError, InputError

BEAM = Pentode(perveance=1.1e-3, mu_screen=9.5, mu_plate=220.0, exponent=1.4, softness=0.8)


def at_rest(circuit: Circuit, section: str = "V1", type_: str = "12AX7") -> TubePoint:
    plate, grid = (
        operating_point(circuit).port_volts[0, k]
        for k, name in enumerate(operating_point(circuit).network.port_names)
        if name[0] == section
    )
    return tube(type_).at(plate=plate, grid=grid)


def parallel(*ohms: float) -> float:
    return 1 / sum(1 / r for r in ohms)


@pytest.mark.parametrize("next_grid", [None, 2.2e5])
def test_rc_stage_gain(next_grid: float | None) -> None:
    # A = mu RL/(rp + RL), unbypassed mu RL/(rp + RL + (mu + 1) Rk): any textbook;
    # worked examples W01 and W03 of data/handbook/worked_examples.csv use them.
    for bypassed in (True, False):
        stage = textbook.rc_stage(
            "12AX7", supply=300, plate_load=2.2e5, cathode=2200, next_grid=next_grid, bypassed=bypassed
        )
        point = at_rest(stage)
        load = 2.2e5 if next_grid is None else parallel(2.2e5, next_grid)
        degeneration = 0 if bypassed else (point.mu + 1) * 2200
        result = textbook.solve(stage)
        assert result.gain == pytest.approx(point.mu * load / (point.rp + load + degeneration), rel=2e-3)
        assert result.plate_a == pytest.approx(point.plate_a, rel=1e-6)
        if next_grid is None:
            assert abs(stage_gains(operating_point(stage)).to_plate[0, 0]) == pytest.approx(
                result.gain, rel=1e-4
            )


def test_printed_gain_of_a_12ax7_stage() -> None:
    # W01 and W03: mu 100, rp 80 k, 220 k in parallel with 470 k: 65.2; with 3.3 k unbypassed 26.6.
    load = parallel(2.2e5, 4.7e5)
    assert 100 * load / (80e3 + load) == pytest.approx(65.2, rel=1e-3)
    stage = {"supply": 250, "plate_load": 2.2e5, "cathode": 3300, "next_grid": 4.7e5}
    assert textbook.solve(textbook.rc_stage("12AX7", **stage)).gain == pytest.approx(65.2, rel=0.08)
    assert textbook.solve(textbook.rc_stage("12AX7", bypassed=False, **stage)).gain == pytest.approx(
        26.6, rel=0.08
    )


def test_a_pentode_stage_on_a_screen_resistor() -> None:
    stage = textbook.rc_stage(
        BEAM, supply=300, plate_load=1e5, cathode=2000, screen_resistor=5e5, next_grid=4.7e5
    )
    rest = operating_point(stage)
    v = rest.port_volts[0]
    g = BEAM.evaluate(v)[1]
    load = parallel(1e5, 4.7e5, 1 / g[0, 0])
    result = textbook.solve(stage)
    assert result.gain == pytest.approx(g[0, 2] * load, rel=2e-3)
    assert result.screen_a == pytest.approx((300 - rest.volts("screen")) / 5e5, rel=1e-6)
    fixed = textbook.rc_stage(
        BEAM, supply=300, plate_load=1e5, cathode=2000, screen=float(rest.volts("screen"))
    )
    assert textbook.solve(fixed).plate_a == pytest.approx(result.plate_a, rel=1e-4)


def test_follower_gain() -> None:
    # A = mu Rk/(rp + (mu + 1) Rk): any textbook.
    follower = textbook.cathode_follower("12AX7", supply=300, cathode=1e5, grid=120)
    point = at_rest(follower)
    assert textbook.solve(follower).gain == pytest.approx(
        point.mu * 1e5 / (point.rp + (point.mu + 1) * 1e5), rel=1e-4
    )


def test_self_biased_follower_hangs_its_leak_on_the_bias_resistor() -> None:
    follower = textbook.cathode_follower("12AX7", supply=300, cathode=47e3, bias=1500, next_grid=1e6)
    rest = operating_point(follower)
    assert rest.volts("grid", "cathode") == pytest.approx(-1500 * rest.current("V1", "cathode"), rel=1e-2)
    assert 0.9 < textbook.solve(follower).gain < 1.0


def test_split_load_gives_equal_and_opposite_outputs() -> None:
    # Each output mu R/(rp + (mu + 2) R): any textbook.
    inverter = textbook.split_load("12AX7", supply=300, load=56e3, grid=70)
    point = at_rest(inverter)
    each = point.mu * 56e3 / (point.rp + (point.mu + 2) * 56e3)
    assert textbook.solve(inverter).gain == pytest.approx(2 * each, rel=1e-4)
    loaded = textbook.split_load("12AX7", supply=300, load=56e3, bias=1500, next_grid=2.2e5)
    gains = stage_gains(operating_point(loaded))
    assert gains.to_plate[0, 0] == pytest.approx(-gains.to_cathode[0, 0], rel=0.05)


def test_long_tailed_pair_with_a_stiff_tail_is_balanced() -> None:
    # With an endless tail the difference between equal plates is mu RL/(rp + RL): any textbook.
    pair = textbook.long_tailed_pair("12AX7", supply=1000, plate_load=1e5, cathode=1000, tail=3.3e5)
    point = at_rest(pair, "V1a")
    assert textbook.solve(pair).gain == pytest.approx(point.mu * 1e5 / (point.rp + 1e5), rel=0.01)
    usual = textbook.long_tailed_pair(
        "12AX7", supply=320, plate_load=82e3, plate_load_2=1e5, cathode=470, tail=12e3, next_grid=2.2e5
    )
    rest = operating_point(usual)
    assert rest.current("V1a") == pytest.approx(rest.current("V1b"), rel=0.15)


def test_a_batch_of_stages() -> None:
    ohms = np.array([1000.0, 1500.0, 2700.0])
    batch = textbook.solve(textbook.rc_stage("12AX7", supply=300, plate_load=1e5, cathode=ohms))
    for k, rk in enumerate(ohms):
        one = textbook.solve(textbook.rc_stage("12AX7", supply=300, plate_load=1e5, cathode=float(rk)))
        assert batch.gain[k] == pytest.approx(one.gain, rel=1e-6)
        assert batch.thd_pct[k] == pytest.approx(one.thd_pct, rel=1e-2)


def test_a_worn_tube_idles_lower() -> None:
    new, worn = (
        textbook.solve(textbook.rc_stage("12AX7", supply=300, plate_load=1e5, cathode=1500, emission=e))
        for e in (1, 0.5)
    )
    assert worn.plate_a < 0.9 * new.plate_a


def test_worked_prints_what_applies_and_only_that() -> None:
    text = str(textbook.solve(textbook.rc_stage("12AX7", supply=300, plate_load=1e5, cathode=1500)))
    assert "idle plate current" in text
    assert "screen" not in text
    assert "ripple" not in text


def test_what_does_not_fit_is_refused() -> None:
    with pytest.raises(InputError, match="6V6GT: needs a way to feed its screen"):
        textbook.rc_stage("6V6GT", supply=300, plate_load=1e5, cathode=1500)
    with pytest.raises(InputError, match="12AX7: a triode has no screen"):
        textbook.rc_stage("12AX7", supply=300, plate_load=1e5, cathode=1500, screen=100)
    with pytest.raises(InputError, match="6V6GT: is no triode"):
        textbook.cathode_follower("6V6GT", supply=300, cathode=1e5, grid=100)
    with pytest.raises(InputError, match="needs bias= or grid="):
        textbook.split_load("12AX7", supply=300, load=56e3)
    with pytest.raises(InputError, match="textbook circuits only"):
        textbook.solve(textbook.three_control().without("C1"))
    with pytest.raises(CircuitError, match="R1: a resistance of 0"):
        textbook.rc_stage("12AX7", supply=300, plate_load=0.0, cathode=1500)

"""Output stages from the books: voltages to cathode as stated, supplies, batches, what is refused."""

from __future__ import annotations

import numpy as np
import pytest

from tubekit import load_line, operating_point, textbook
from tubekit.circuit.parts import VoltageSource
from tubekit.errors import InputError


def test_with_cathode_bias_the_supplies_stand_higher_by_the_cathode_voltage() -> None:
    pair = textbook.push_pull("6L6", plate=360, screen=270, load=9000, cathode=250)
    rest = operating_point(pair)
    cathode = rest.volts("cathode")
    assert cathode > 15
    assert rest.volts("plate1") - cathode == pytest.approx(360, abs=1e-6)
    assert rest.volts("screen") - cathode == pytest.approx(270, abs=1e-6)
    both = rest.current("V1", "cathode") + rest.current("V2", "cathode")
    assert cathode == pytest.approx(250 * both, rel=1e-9)


def test_currents_are_of_both_tubes() -> None:
    one = textbook.solve(textbook.single_ended("6V6GT", plate=250, screen=250, load=5000, grid=-15))
    pair = textbook.solve(textbook.push_pull("6V6GT", plate=250, screen=250, load=10000, grid=-15))
    assert pair.plate_a == pytest.approx(2 * one.plate_a)
    assert pair.screen_a == pytest.approx(2 * one.screen_a)


def test_fixed_bias_drives_the_grid_to_zero() -> None:
    result = textbook.solve(textbook.push_pull("6V6GT", plate=250, screen=250, load=10000, grid=-15))
    assert result.drive_v == pytest.approx(15, rel=1e-3)
    assert result.cathode_v == 0


def test_a_stated_drive_is_kept() -> None:
    stage = textbook.single_ended("6V6GT", plate=250, screen=250, load=5000, grid=-12.5, drive=4.0)
    assert textbook.solve(stage).drive_v == pytest.approx(4.0)


def test_a_strapped_tube_has_its_screen_at_the_plate_and_a_tapped_one_between() -> None:
    strapped = textbook.single_ended("6V6GT", plate=250, load=3000, grid=-12.5, tap=1.0)
    line = load_line("6V6GT", plate=250, load=3000, grid=-12.5, tap=1.0)
    assert textbook.solve(strapped).power_w == pytest.approx(line.power_w, rel=1e-3)
    powers = [
        textbook.solve(
            textbook.push_pull(
                "6L6", plate=300, screen=300 if tap == 0 else None, load=6600, grid=-24, tap=tap
            )
        )
        for tap in (0.0, 0.43, 1.0)
    ]
    assert powers[0].power_w > powers[1].power_w > powers[2].power_w  # pentode, ultralinear, triode
    assert powers[0].gain > powers[1].gain > powers[2].gain


def test_a_batch_is_its_members() -> None:
    loads = np.array([3000.0, 5000.0, 8000.0])
    batch = textbook.solve(textbook.single_ended("6V6GT", plate=250, screen=250, load=loads, cathode=250))
    for k, load in enumerate(loads):
        one = textbook.solve(
            textbook.single_ended("6V6GT", plate=250, screen=250, load=float(load), cathode=250)
        )
        assert batch.power_w[k] == pytest.approx(one.power_w, rel=1e-3)
        assert batch.plate_a[k] == pytest.approx(one.plate_a, rel=1e-9)


def test_worn_and_weak_tubes_give_less_and_an_unmatched_pair_differs() -> None:
    values = {"plate": 250, "screen": 250, "load": 10000, "grid": -15}
    new = textbook.solve(textbook.push_pull("6V6GT", **values))
    worn = textbook.solve(textbook.push_pull("6V6GT", emission=0.6, **values))
    assert worn.plate_a == pytest.approx(0.6 * new.plate_a)
    assert worn.power_w < 0.75 * new.power_w
    pair = textbook.push_pull("6V6GT", spread=(0.8, 1.2), **values)
    rest = operating_point(pair)
    assert rest.current("V2") == pytest.approx(1.5 * rest.current("V1"))


def test_every_source_of_signal_is_named_and_the_load_is_r1() -> None:
    pair = textbook.push_pull("6V6GT", plate=250, screen=250, load=10000, grid=-15)
    assert [p.name for p in pair.of(VoltageSource) if p.ac] == ["E1", "E2"]
    assert pair.load == "R1"
    assert pair.sections == ("V1", "V2")


@pytest.mark.parametrize(("values", "text"), [
    ({"screen": 250}, "needs grid= or cathode="),
    ({"screen": 250, "grid": -12.5, "cathode": 250}, "needs grid= or cathode="),
    ({"grid": -12.5}, "needs its screen voltage"),
    ({"screen": 200, "grid": -12.5, "tap": 0.4}, "is at the plate voltage"),
    ({"screen": 250, "grid": -12.5, "tap": -0.1}, "a tap of -0.1"),
    ({"screen": 250, "cathode": 0.0}, "a cathode resistor of 0"),
    ({"screen": 250, "grid": -12.5, "spread": 0.0}, "spread 0.0"),
])  # fmt: skip
def test_what_makes_no_stage_is_refused(values: dict[str, float], text: str) -> None:
    for make in (textbook.single_ended, textbook.push_pull):
        with pytest.raises(InputError, match=text):
            make("6V6GT", plate=250, load=5000, **values)
    with pytest.raises(InputError, match="12AX7: a triode has no screen"):
        textbook.single_ended("12AX7", plate=250, screen=250, load=5000, grid=-2)
    with pytest.raises(InputError, match="3 numbers for a pair"):
        textbook.push_pull("6V6GT", plate=250, screen=250, load=5000, grid=-12.5, spread=(1, 1, 1))

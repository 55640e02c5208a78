"""Bare stages of handbook rows: against plain sums, closed forms and the circuit solver."""

from __future__ import annotations

import numpy as np
import pytest

from tubekit.analyses.plate_stage import PlateStage
from tubekit.devices import Triode, stack, tube
from tubekit.devices.output_stage import At, Coupled, OutputStage, answer, answers, at_rest

BEAM = tube("6V6GT").law


def test_a_stage_agrees_with_a_plain_sum_over_a_finely_stepped_cycle():
    result = answer(BEAM, OutputStage(250.0, 5000.0, screen=250.0, grid=-12.5))
    angle = np.linspace(0.0, 2.0 * np.pi, 2000, endpoint=False)
    grid = -12.5 + 12.5 * np.cos(angle)
    low, high = np.full(2000, -100.0), np.full(2000, 900.0)
    mean = result["full_plate"]
    for _ in range(60):  # bisection on the load line
        plate = 0.5 * (low + high)
        current = BEAM.evaluate(np.stack([plate, np.full(2000, 250.0), grid], axis=-1))[0][:, 0]
        over = plate > 250.0 - 5000.0 * (current - mean)
        low, high = np.where(over, low, plate), np.where(over, plate, high)
    tones = [2.0 * np.mean(current * np.cos(k * angle)) for k in range(1, 10)]
    assert current.mean() == pytest.approx(mean, rel=1e-4)
    assert result["power"] == pytest.approx(0.5 * 5000.0 * np.sum(np.square(tones)), rel=1e-3)
    assert result["distortion"] == pytest.approx(np.hypot.reduce(tones[1:]) / tones[0], abs=1e-3)


@pytest.mark.parametrize(
    "stage",
    [
        OutputStage(250.0, 5000.0, screen=250.0, grid=-12.5),
        OutputStage(315.0, 8500.0, screen=225.0, grid=-13.0),
        OutputStage(250.0, 10000.0, screen=250.0, grid=-15.0, pair=True),
        OutputStage(250.0, 8000.0, screen=250.0, grid=-15.0, pair=True, drive=9.0),
    ],
)
def test_a_stage_agrees_with_the_solver_of_driven_circuits(stage):
    bare = PlateStage(
        BEAM, stage.plate, stage.screen, stage.grid, stage.load_ohms / stage.tubes**2, 0.0, stage.pair
    )
    drive = -stage.grid if stage.drive is None else stage.drive
    solved = bare.over_cycle(np.array([drive]), np.full(33, bare.load))
    currents = solved.currents[0]
    flows = currents[0] - currents[3] if stage.pair else currents[0]
    tones = np.abs(np.fft.rfft(flows))[1:10] * 2.0 / flows.size
    result = answer(BEAM, stage)
    screens = currents[1] + (currents[4] if stage.pair else 0.0)
    assert result["full_screen"] == pytest.approx(screens.mean(), rel=3e-3)
    assert result["power"] == pytest.approx(0.5 * bare.load * np.sum(tones**2), rel=3e-3)
    assert result["distortion"] == pytest.approx(np.hypot.reduce(tones[1:]) / tones[0], abs=2e-3)


def test_self_bias_is_the_current_times_the_resistor():
    v, i, _ = at_rest(
        BEAM, [At(250.0, None, 250.0, cathode_ohms=240.0), At(250.0, None, 250.0, 120.0, tubes=2)]
    )
    np.testing.assert_allclose(v[:, 2], -240.0 * i.sum(axis=1), rtol=1e-9)
    np.testing.assert_allclose(v[0], v[1], rtol=1e-9)


def test_a_cathode_resistor_and_a_screen_resistor_shift_under_drive():
    free = OutputStage(250.0, 10000.0, screen=250.0, cathode_ohms=200.0, pair=True)
    held = OutputStage(250.0, 10000.0, screen=250.0, cathode_ohms=200.0, pair=True, screen_ohms=2000.0)
    loose, tight = answer(BEAM, free), answer(BEAM, held)
    fixed = answer(BEAM, OutputStage(250.0, 10000.0, screen=250.0, grid=-15.0, pair=True))
    assert loose["idle_plate"] == pytest.approx(tight["idle_plate"], rel=1e-9)
    assert tight["full_screen"] < loose["full_screen"]
    assert loose["full_plate"] / loose["idle_plate"] < fixed["full_plate"] / fixed["idle_plate"]


def test_a_coupled_triode_stage_follows_ohms_law_and_its_own_slopes():
    law = tube("12AX7").law
    stage = Coupled(250.0, 100e3, 1500.0, 330e3)
    v, i, g = at_rest(law, [stage])
    assert v[0, 0] == pytest.approx(250.0 - i[0, 0] * 101.5e3 - i[0, 1] * 1500.0, rel=1e-9)
    assert v[0, 1] == pytest.approx(-1500.0 * i[0].sum(), rel=1e-9)
    gain = g[0, 0, 1] / (1 / 100e3 + 1 / 330e3 + g[0, 0, 0])
    assert answer(law, stage)["gain"] == pytest.approx(gain, rel=1e-9)


def test_a_coupled_pentode_stage_feeds_its_screen_through_its_resistor():
    law = tube("6SJ7").law
    v, i, _ = at_rest(law, [Coupled(300.0, 250e3, 860.0, 1e6, screen_ohms=1.1e6)])
    assert v[0, 1] == pytest.approx(300.0 - 1.1e6 * i[0, 1] - 860.0 * i[0].sum(), rel=1e-7)
    assert v[0, 0] == pytest.approx(300.0 - 250e3 * i[0, 0] - 860.0 * i[0].sum(), rel=1e-7)


def test_a_strapped_pentode_is_the_sum_of_plate_and_screen():
    strapped = answer(BEAM, At(250.0, -12.5, strapped=True))
    up, down = (BEAM.evaluate(np.array([250.0 + s, 250.0 + s, -12.5]))[0][:2].sum() for s in (0.1, -0.1))
    assert strapped["rp"] == pytest.approx(0.2 / (up - down), rel=1e-5)
    assert strapped["mu"] == pytest.approx(strapped["gm"] * strapped["rp"])


def test_laws_in_a_batch_answer_like_each_alone():
    laws = [BEAM, BEAM.worn(0.8), tube("6L6GC").law]
    asked = [
        At(250.0, -12.5, 250.0),
        OutputStage(250.0, 5000.0, screen=250.0, cathode_ohms=240.0),
        OutputStage(250.0, 8000.0, screen=250.0, grid=-15.0, pair=True),
    ]
    together = answers(stack(laws), asked)
    for k, law in enumerate(laws):
        for each, many in zip(asked, together, strict=True):
            for name, value in answer(law, each).items():
                assert many[name][k] == pytest.approx(value, rel=1e-5, abs=1e-12), name


def test_a_linear_triode_stage_has_the_power_of_its_equivalent_circuit():
    # Exponent 1 and no grid current: i = gm·(vg + vp/mu), a source of mu·e behind rp (textbook).
    law = Triode(perveance=5e-3, mu=4.0, exponent=1.0, softness=0.0, grid_perveance=0.0, gate=1e-3)
    rp, load, peak = 4.0 / 5e-3, 2500.0, 20.0
    result = answer(law, OutputStage(250.0, load, grid=-40.0, drive=peak))
    assert result["power"] == pytest.approx(0.5 * load * (4.0 * peak / (rp + load)) ** 2, rel=1e-6)
    assert result["distortion"] == pytest.approx(0.0, abs=1e-6)

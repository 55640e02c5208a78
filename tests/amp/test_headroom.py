"""Driven whole amps: order of clipping, sensitivity, noise floor."""

from __future__ import annotations

import json
from functools import cache

import numpy as np
import pytest

from tests.amp.signal_amps import with_feedback
from tests.amps import amp
from tubekit import load_amp
from tubekit.amp import headroom as headroom_module
from tubekit.amp.headroom import Headroom, driven, headroom, readings
from tubekit.amp.signal import BAND_HZ, noise_floor, signal_path
from tubekit.analyses.small_signal import BOLTZMANN, KELVIN
from tubekit.errors import ChangeError, SolveError


@cache
def drawn() -> Headroom:
    return headroom(load_amp("teasel"))


def test_small_drives_follow_the_small_signal_gain() -> None:
    result = drawn()
    assert result.output_rms[0] / result.input_rms[0] == pytest.approx(result.gain, rel=0.03)
    path = signal_path(load_amp("teasel"))
    assert result.gain == pytest.approx(abs(path.reference_gain[0]), rel=2e-3)  # less the generator's 600 Ω


def test_the_output_pair_clips_first_and_the_first_stage_last() -> None:
    order = [each.section for each in drawn().clips]
    assert set(order[:2]) == {"V3", "V4"}
    assert order[-1] == "V1a"
    inputs = [each.input_rms for each in drawn().clips]
    assert inputs == sorted(inputs)
    assert "through the whole amp" in drawn().method


def test_rated_power_is_that_of_a_solve_at_the_rated_input() -> None:
    """Burdock's distortion rises late and steeply: a line between two drives was 12 % off."""
    for result in (drawn(), headroom(amp("burdock")), headroom(amp("vetch"), rated_thd=2.0)):
        volts = np.full(4, result.rated_input_rms)
        _, output, power, thd = readings(result.view, *driven(result.view, volts, 1000.0))[:, 0]
        assert result.rated_w == pytest.approx(power, rel=2e-3)
        assert result.rated_rms == pytest.approx(output, rel=1e-3)
        assert thd == pytest.approx(result.rated_thd, rel=0.01)
    assert "W at 2 % distortion" in result.headline()


def test_volume_moves_every_later_stage_and_not_the_first() -> None:
    loud = headroom(load_amp("teasel").changed({"R31.position": 0.9}))
    step = 0.1 / ((81**0.9 - 1) / 80)  # audio taper through a tenth at half travel
    for name in ("V3", "V2b"):
        before, after = (next(c for c in each.clips if c.section == name) for each in (drawn(), loud))
        assert after.input_rms / before.input_rms == pytest.approx(step, rel=0.05)
    first = [next(c for c in each.clips if c.section == "V1a").input_rms for each in (drawn(), loud)]
    assert first[0] == pytest.approx(first[1], rel=1e-3)


def test_bias_that_shifts_is_no_clipping_and_a_silent_section_is_not_in_the_order() -> None:
    """Gain of this pair is 1 dB down at half of what clips it; its second microphone channel is silent."""
    result = headroom(load_amp("fescue"), jack="J1")
    assert "V1b" not in [each.section for each in result.clips]
    assert "V1a" in [each.section for each in result.clips]
    assert result.clips[0].input_rms == pytest.approx(result.rated_input_rms, rel=0.1)
    gain = result.output_rms / result.input_rms
    assert gain[0] / gain[result.input_rms < 0.5 * result.clips[0].input_rms][-1] > 1.1
    note = result.tables()[1].note
    assert "no clipping yet" in note
    assert "(nominal 16 Ω)" in note


def test_the_rated_output_is_what_a_pair_gives() -> None:
    result = drawn()
    assert 2 < result.rated_w < 15  # a pair of 6V6GT


def test_power_is_that_of_the_voltage_in_the_real_part_of_the_load() -> None:
    result = drawn()
    path = signal_path(load_amp("teasel"))
    admittance = (1 / path.loaded_ohms[0]).real
    assert result.power_w[0] == pytest.approx(result.output_rms[0] ** 2 * admittance, rel=1e-3)


def test_what_does_not_settle_falls_back_on_the_slopes_and_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(headroom_module, "LEAST_DRIVES", 10**6)
    result = headroom(load_amp("teasel"))
    assert "estimates from the gain at idle" in result.method
    assert {each.section for each in result.clips[:2]} == {"V3", "V4"}
    assert len(result.input_rms) == 0
    assert "all limits are estimates from the gain" in str(result)
    json.dumps(result.to_json(), allow_nan=False)


def test_refusals() -> None:
    with pytest.raises(ChangeError, match="one amp at a time"):
        headroom(load_amp("teasel").changed({"R14": ["220", "270"]}))
    with pytest.raises(SolveError, match="squeals or blocks"):
        headroom(with_feedback(reversed_phase=True))
    with pytest.raises(SolveError, match="squeals or blocks"):
        noise_floor(with_feedback(reversed_phase=True))


# ---- noise


def test_noise_of_the_grid_resistors_by_hand() -> None:
    """R2 and R3 side by side, 23.5 kΩ at the grid, carried by the amp's own gain: 4kTR |A|²."""
    floor = noise_floor(load_amp("teasel"))
    path = signal_path(load_amp("teasel"), frequencies_hz=BAND_HZ)
    density = 4 * BOLTZMANN * KELVIN * 23.5e3 * np.abs(path.gain[0]) ** 2
    expected = np.sqrt(np.trapezoid(density, BAND_HZ))
    own = [floor.noise.sources.index(name) for name in ("R2", "R3")]
    result = np.sqrt((floor.noise.source_rms[0, own] ** 2).sum())
    assert result == pytest.approx(expected, rel=0.02)
    assert floor.output_rms[0] > result


def test_a_worn_first_tube_is_noisier_at_the_input() -> None:
    amp = load_amp("teasel")
    assert noise_floor(amp.changed({"V1.emission": 0.4})).input_rms[0] > noise_floor(amp).input_rms[0]
    assert "of the power" in str(noise_floor(amp))
    json.dumps(noise_floor(amp).to_json(), allow_nan=False)

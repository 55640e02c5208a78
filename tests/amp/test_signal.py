"""The signal through whole amps: levels, batches, controls, faults, feedback and its reversal."""

from __future__ import annotations

import json
from functools import cache

import numpy as np
import pytest
from numpy.testing import assert_allclose

from tests.amp.signal_amps import with_feedback, with_two_taps
from tests.amps import amp as any_amp, variant
from tests.say import say
from tubekit import analyze, load_amp
from tubekit.amp import amp_from_text, demo_names
from tubekit.amp.controls import control_family, controls
from tubekit.amp.headroom import headroom
from tubekit.amp.hum_paths import held_supply
from tubekit.amp.loop import overall_feedback
from tubekit.amp.signal import SignalPath, signal_path
from tubekit.amp.signal_view import signal_view
from tubekit.amp.stability import feedback_parts
from tubekit.analyses.elimination import respond
from tubekit.analyses.large_signal import large_signal
from tubekit.analyses.small_signal import frequency_response
from tubekit.circuit.full import linearised
from tubekit.errors import BatchWarning, ChangeError, SolveError

HZ = np.geomspace(20.0, 20e3, 25)


@cache
def teasel() -> SignalPath:
    return signal_path(load_amp("teasel"), frequencies_hz=HZ)


@pytest.mark.parametrize("name", demo_names())
def test_every_demo_amp_is_stable_and_has_two_corners(name: str) -> None:
    path = signal_path(load_amp(name), frequencies_hz=HZ)
    assert path.stable[0]
    assert path.whole.low.hz[0] < 1000 < path.whole.high.hz[0]
    assert path.way.order[0] == "V1a"
    assert np.isfinite(path.gain).all()


def test_zeros_and_poles_give_the_response_back() -> None:
    """Between two frequencies the gain changes as the product over zeros and poles says (one constant)."""
    path = teasel()
    s = 2j * np.pi * np.array([200.0, 5000.0])
    poles = path.naturals.poles[0]
    poles = poles[np.isfinite(poles)]
    shape = [np.prod([1 - each / z for z in path.zeros[0] if abs(z) > 1e-3]) for each in s]
    shape = [top / np.prod(1 - each / poles) for top, each in zip(shape, s, strict=True)]
    lost = sum(abs(z) <= 1e-3 for z in path.zeros[0])  # zeros at nought: coupling capacitors
    ratio = shape[1] / shape[0] * (s[1] / s[0]) ** lost
    result = [
        respond(path.view.network, path.view.matrix, path.view.drive, s[k : k + 1])[0, 0] for k in (0, 1)
    ]
    expected = (result[1] @ path.view.out) / (result[0] @ path.view.out)
    assert abs(ratio / expected) == pytest.approx(1.0, rel=0.02)  # poles and zeros beyond 2 MHz are left out


def test_order_of_stages_and_their_phase() -> None:
    path = teasel()
    assert path.way.order == ("V1a", "V1b", "V2a", "V2b", "V3", "V4")
    assert path.way.before["V3"] == path.way.before["V4"] == "V2b"
    turned = {name: np.degrees(np.angle(path.stage(name).grid_gain[0])) for name in ("V3", "V4")}
    assert abs(abs(turned["V3"] - turned["V4"]) - 180) < 2  # the pair is driven in opposite phase


def test_against_the_frequency_response_of_the_same_circuit() -> None:
    """Two ways to one number: the whole view and `frequency_response` between the nodes."""
    path = teasel()
    result = frequency_response(path.view.point, path.view.jack.tip, [path.view.output.a], HZ)
    assert_allclose(path.gain[0], result.gain[0, :, 0], rtol=1e-8)


@pytest.mark.parametrize("hertz", [40.0, 1000.0, 8000.0])
def test_small_signal_is_the_slope_of_the_driven_amp(hertz: float) -> None:
    """A microvolt of sine through the whole nonlinear amp, supply held, against its slopes."""
    view = teasel().view
    run = large_signal(held_supply(view, 1e-6), frequency_hz=hertz, samples=16)
    network, matrix = run.idle.network, linearised(run.idle.network, list(run.idle.slopes))
    drive = np.zeros(len(network.unknowns))
    drive[network.unknowns.index("I(generator)")] = 1.0
    row = [network.index[view.output.a]]
    slope = respond(network, matrix, drive, np.array([2j * np.pi * hertz]), row)[0, 0, 0]
    off = abs(run.harmonics(view.output.a)[0, 1] / 1e-6 / slope - 1)
    say(f"slope against driven amp at {hertz:g} Hz: {100 * off:.5f} %")
    assert off < 1e-3


def test_holding_the_supply_changes_little_within_the_band() -> None:
    view = teasel().view
    run = large_signal(held_supply(view, 1e-6), frequency_hz=1000.0, samples=16)
    open_circuit = teasel().reference_gain[0]
    assert abs(run.harmonics(view.output.a)[0, 1] / 1e-6 / open_circuit - 1) < 5e-3


def test_batch_equals_one_by_one() -> None:
    amp = load_amp("teasel")
    changes = {"C2": [1e-9, 22e-9, 1e-7], "R9": [47e3, 100e3, 220e3], "R33.position": [0.1, 0.5, 0.9]}
    batch = signal_path(amp.changed(changes), frequencies_hz=HZ)
    for k in range(3):
        one = signal_path(amp.changed({key: values[k] for key, values in changes.items()}), frequencies_hz=HZ)
        assert_allclose(batch.gain[k], one.gain[0], rtol=1e-6)
        assert_allclose(batch.whole.low.hz[k], one.whole.low.hz[0], rtol=1e-6)
        assert_allclose(batch.damping_factor[k], one.damping_factor[0], rtol=1e-6)


def test_controls_at_any_setting_equal_whole_solves() -> None:
    amp = load_amp("teasel")
    settings = {"R31": [0.0, 0.4, 1.0], "R32": [1.0, 0.2, 0.0], "R33": [0.0, 1.0, 0.6]}
    family = control_family(amp, settings, frequencies_hz=HZ)
    for k in range(3):
        turned = {f"{name}.position": values[k] for name, values in settings.items()}
        one = signal_path(amp.changed(turned), frequencies_hz=HZ)
        assert_allclose(family.gain[k], one.gain[0], rtol=1e-6)
    assert controls(amp) == {"R31": "volume", "R32": "bass", "R33": "treble"}
    assert "R31 40 % R32 20 % R33 100 %" in str(family)


def test_volume_down_is_silence_and_an_open_wiper_too() -> None:
    amp = load_amp("teasel")
    middle = 20 * np.log10(abs(teasel().reference_gain[0]))
    down = signal_path(amp.changed({"R31.position": 0.0}))
    assert 20 * np.log10(abs(down.reference_gain[0])) < middle - 80
    open_wiper = signal_path(amp, wipers={"R31": np.inf})
    assert 20 * np.log10(abs(open_wiper.reference_gain[0])) < middle - 60
    assert any("R31: wiper open" in text for text in open_wiper.view.assumptions)


def test_a_scratchy_wiper_loses_treble_into_the_grid() -> None:
    """Its contact and the grid's Miller capacitance make a low-pass: 1/(2π R C), any text."""
    clean, worn = (signal_path(load_amp("teasel"), wipers={"R31": ohms}) for ohms in (0.0, 470e3))
    worn_at = [signal_path(load_amp("teasel"), wipers={"R31": 470e3}, reference_hz=hz) for hz in (200.0, 3e3)]
    grid = next(stretch for stretch in worn_at[0].stretches if stretch.stop == "V1b grid")
    farads = worn_at[1].stage("V1b").input_farads[0]
    track = 1 / (1 / 100e3 + 1 / (900e3 + 41e3))
    assert grid.high.hz[0] == pytest.approx(
        1 / (2 * np.pi * farads * (470e3 + track)), rel=0.06
    )  # the gain falls towards it
    assert abs(worn.reference_gain[0]) < abs(clean.reference_gain[0])


def test_corner_of_the_first_coupling_is_set_by_c2_and_c1() -> None:
    first = next(each for each in teasel().stretches if each.stop == "V1b grid")
    assert [name for name, _ in first.low.setters()] == ["C2", "C1"]
    assert first.high.setters()[0][0] == "V1b.grid_plate"


def test_wrong_tap_halves_the_load() -> None:
    """8 Ω on the tap for 4: the tubes see twice their load; turns squared, any text."""
    amp = with_two_taps()
    right, wrong = (signal_path(a) for a in (amp, amp.changed({"LS1.nodes": ["tap4", "ground"]})))
    copper = 155 + 170
    speaker = abs(right.loaded_ohms[0])
    ratio = (abs(wrong.load_ohms[0]) - copper) / (abs(right.load_ohms[0]) - copper)
    assert ratio == pytest.approx((speaker + 0.35) / (speaker + 0.5) / 0.707**2, rel=0.03)


def test_the_load_is_that_of_the_output_tubes() -> None:
    """The transformer of a reverb driver is drawn first, 53 to 1; that of the loudspeaker has 28.8 to 1."""
    path = signal_path(any_amp("reverb-tremolo"))
    speaker = abs(path.loaded_ohms[0])
    assert abs(path.load_ohms[0]) == pytest.approx(28.8**2 * (speaker + 0.4) + 210, rel=0.05)


def test_impedances_of_the_ends() -> None:
    path = teasel()
    assert abs(path.input_ohms[0]) == pytest.approx(
        1e6 / np.hypot(1, 1e6 * 2 * np.pi * 1000 * 105e-12),
        rel=0.05,  # the grid draws a few nA
    )
    assert path.damping_factor[0] < 0.2  # beam tetrodes without feedback


# ---- feedback


def test_feedback_lowers_gain_and_output_impedance_by_the_loop() -> None:
    amp = with_feedback("22k")
    assert list(feedback_parts(amp)) == ["R27"]
    loop = overall_feedback(amp, frequencies_hz=[1000.0])
    closed = signal_path(amp)
    opened = signal_path(amp.changed({"R27": "1G"}))
    assert loop.stable[0]
    step = abs(1 + loop.gain[0, 0])
    # The far end of 22 kΩ no longer loads the cathode once it is taken away: 1.5 kΩ against 1.4 kΩ.
    assert abs(opened.reference_gain[0] / closed.reference_gain[0]) == pytest.approx(step, rel=0.05)
    assert abs(opened.output_ohms[0] / closed.output_ohms[0]) > 1.5


def test_less_resistance_more_feedback_less_margin() -> None:
    loops = [overall_feedback(with_feedback(ohms)) for ohms in ("47k", "22k", "10k")]
    feedback = [float(loop.feedback_db()[0]) for loop in loops]
    margins = [min(each.margin for each in loop.phase_margins()) for loop in loops]
    assert feedback == sorted(feedback)
    assert margins == sorted(margins, reverse=True)


def test_reversed_feedback_is_unstable_never_a_response() -> None:
    amp = with_feedback("22k", reversed_phase=True)
    path = signal_path(amp)
    assert not path.stable[0]
    assert np.isnan(path.gain).all()
    assert np.isnan(path.reference_gain).all()
    text = str(path)
    assert "UNSTABLE" in text
    assert "Response" not in text
    assert "Levels" not in text
    data = path.to_json()
    assert data["stable"] == [False]
    assert set(np.ravel(data["gain_db"])) == {None}
    assert not overall_feedback(amp).stable[0]
    with pytest.raises(SolveError, match="It has no response"):
        frequency_response(path.view.point, path.view.jack.tip, ["speaker"], [1000.0])


def test_plates_changed_over_reverse_the_feedback_too() -> None:
    crossed = with_feedback("22k").changed({"V3.plate": "p4", "V4.plate": "p3"})
    assert not signal_path(crossed).stable[0]


def test_a_batch_with_an_unstable_member_blanks_it_alone() -> None:
    amp = with_feedback("22k", reversed_phase=True).changed({"R27": ["22k", "100M"]})
    with pytest.warns(BatchWarning, match="signal path: 1 of 2"):
        path = signal_path(amp)
    assert path.stable.tolist() == [False, True]
    assert np.isnan(path.gain[0]).all()
    assert np.isfinite(path.gain[1]).all()
    assert "2 variants, 1 of them stable" in path.headline()


# ---- words


def test_prints_and_json() -> None:
    path = teasel()
    text = str(path)
    for words in (
        "Response",
        "Levels at 1000 Hz with 2 mV",
        "Stages at",
        "Rolloffs",
        "damping factor",
        "stable",
    ):
        assert words in text
    data = json.loads(json.dumps(path.to_json(), allow_nan=False))
    assert data["levels"][0]["volts_rms"] == [0.002]
    assert "<table" in path._repr_html_()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"jack": "J9"}, r"no input jack 'J9'.*J1, J2"),
        ({"wipers": {"R1": 1e3}}, r"no potentiometer 'R1'.*R31, R32, R33"),
        ({"wipers": {"R31": -1.0}}, "R31: a wiper cannot have -1"),
        ({"source_ohms": 0.0}, "a generator cannot have 0"),
        ({"frequencies_hz": [0.0]}, "must be above zero"),
    ],
)
def test_what_cannot_be_is_refused_in_the_users_words(arguments, words: str) -> None:
    with pytest.raises(ChangeError, match=words):
        signal_path(load_amp("teasel"), **arguments)


def test_no_loudspeaker_no_signal_path() -> None:
    with pytest.raises(ChangeError, match="no speaker is connected"):
        signal_path(load_amp("teasel").changed({"LS1": "open"}))
    with pytest.raises(ChangeError, match="no overall feedback loop"):
        overall_feedback(load_amp("teasel"))
    with pytest.raises(ChangeError, match=r"no resistor or capacitor R99"):
        overall_feedback(load_amp("teasel"), "R99")
    with pytest.raises(ChangeError, match="R31, R32, R33"):
        control_family(load_amp("teasel"), {})


def test_generator_and_strays_move_no_idle_point() -> None:
    view = signal_view(load_amp("teasel"))
    before, after = view.solved.state.operating_point, view.point
    assert_allclose(after.port_volts, before.port_volts, atol=2e-3)  # grid current in 600 Ω instead of 1 MΩ


def test_an_input_of_its_own_channel_leaves_the_other_out() -> None:
    """The low jack of the demo amp drives the same first grid."""
    path = signal_path(variant("low", ""), jack="J2")
    assert path.way.order == teasel().way.order


def test_the_loop_is_broken_at_the_resistor_that_carries_it() -> None:
    """Two lead back from the loudspeaker: one into a cathode, the other, drawn first, into a meter."""
    meter = '[R51]\nvalue = "100k"\nnodes = ["meter", "ground"]\n'
    one = variant(
        "Two ways back",
        '[R50]\nvalue = "1k"\nnodes = ["speaker", "meter"]\n' + meter + "[C9]\nremoved = true\n"
        '[R27]\nvalue = "47k"\nnodes = ["speaker", "k2a"]\n[T2.secondary]\nnodes = ["ground", "speaker"]\n',
    )
    assert list(feedback_parts(one)) == ["R50", "R27"]
    assert overall_feedback(one).part == "R27"


def test_a_half_whose_grid_is_grounded_for_signals_is_driven_alone() -> None:
    """A long-tailed pair's second half: its grid hardly moves, so volts over it are no gain.

    No triode amplifies more than its amplification factor (100 for a 12AX7, RCA; from memory).
    """
    amp = amp_from_text(
        load_amp("burdock").copy_as_text().replace('["g2b", "foot"]', '["g2b", "ground"]'), "grounded.toml"
    )
    assert amp.parts["C7"].nodes == ("g2b", "ground")
    assert analyze(amp).tube("V2b").gain < 100


def test_two_speakers_in_parallel_are_one_of_half_the_ohms() -> None:
    """Two alike share current and power (Ohm's law): the figures are those of the one they amount to."""
    drawn = load_amp("teasel").copy_as_text()
    line = next(one for one in drawn.splitlines() if one.startswith("LS1 ="))
    two = amp_from_text(drawn.replace(line, f"{line}\n{line.replace('LS1', 'LS2', 1)}"), "two.toml")
    half = load_amp("teasel").changed({"LS1": "4"})
    paths = [signal_path(one, frequencies_hz=[1000.0]) for one in (two, half)]
    assert_allclose(paths[0].output_ohms, paths[1].output_ohms, rtol=1e-6)
    assert_allclose(paths[0].damping_factor, paths[1].damping_factor, rtol=1e-6)
    assert [one.designator for one in paths[0].view.load] == ["LS1", "LS2"]
    assert any("LS2" in one for one in paths[0].view.assumptions)
    driven = [headroom(one) for one in (two, half)]
    assert_allclose(driven[0].rated_w, driven[1].rated_w, rtol=1e-3)

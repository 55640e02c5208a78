"""Sag under drive, and B+ versus load and mains."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.amps import amp as any_amp, solved
from tests.circuits import full_wave
from tests.supplies import FULL_WAVE, supply
from tubekit import analyze, load_amp
from tubekit.amp import amp_from_text
from tubekit.amp.hum_paths import held_supply
from tubekit.amp.loading import load_regulation
from tubekit.amp.sag import Sag, full_drive, output_tubes, sag
from tubekit.amp.signal_view import signal_view
from tubekit.amp.supply import supply_report
from tubekit.analyses.mains import mains_steady_state
from tubekit.analyses.operating_point import operating_point
from tubekit.analyses.regulation import regulation
from tubekit.analyses.transient import slow_transient
from tubekit.circuit.parts import CurrentSource
from tubekit.devices import TubeDiode
from tubekit.errors import ChangeError, CircuitError, SolveError


@pytest.fixture(scope="module")
def teasel() -> Sag:
    return sag(load_amp("teasel"))


def test_full_drive_brings_a_grid_to_its_cathode(teasel: Sag) -> None:
    assert teasel.output_tubes == ("V3", "V4")
    peaks = [float(teasel.drive.volts(name, "grid").max()) for name in teasel.output_tubes]
    assert max(peaks) == pytest.approx(0.0, abs=0.15)
    assert 1e-3 < teasel.input_v < 1.0


def test_tubes_that_feed_the_transformer_through_a_capacitor_or_stoppers_are_output_tubes() -> None:
    """A pair behind plate stoppers once left the reverb driver as the output stage, and no full drive."""
    assert output_tubes(any_amp("parafeed")) == ("V2", "V3")
    assert output_tubes(any_amp("fieldfare")) == ("V5", "V6")


def test_a_generator_leaves_the_bias_at_a_jack_alone() -> None:
    """A source without resistance once shorted the bias of a grid that is wired straight to the jack."""
    report = solved("no-transformer")
    drive = full_drive(any_amp("no-transformer"), near=report).drive
    idle = float(np.asarray(report.tube("V1a").grid_v))
    assert float(drive.volts("V1a", "grid").mean()) == pytest.approx(idle, rel=0.1)


def test_rails_fall_and_come_back(teasel: Sag) -> None:
    report = analyze(load_amp("teasel"))
    for one in teasel.rails:
        assert one.driven_v < one.idle_v
        assert one.lowest_v <= one.driven_v
        assert teasel.back.volts(one.node)[-1] == pytest.approx(float(report.node(one.node).dc_v), rel=2e-3)
    times = [teasel.rail(name).down_s for name in ("C15", "C16", "C17")]
    assert times == sorted(times)  # one dropper after the other
    assert teasel.driven_a > teasel.idle_a


def test_b_plus_is_the_rail_of_the_plates_and_settled_is_settled(teasel: Sag) -> None:
    """The worst rail once went by the name of B+, and 3 s of a rail that takes 1 s for 63 % were the end."""
    assert teasel.b_plus.node == "B1"
    assert "B+ (B1) drops" in teasel.headline()
    assert teasel.b_plus.sag_percent < max(one.sag_percent for one in teasel.rails)
    assert teasel.settled
    for one in teasel.rails:
        volts = teasel.down.volts(one.node)
        late = teasel.down.time > 0.67 * teasel.down.time[-1]
        assert np.ptp(volts[late]) < 1e-3 * one.idle_v
    moving = replace(teasel, settled=False)
    assert "NOT SETTLED" in str(moving)


def test_nothing_is_faster_than_half_a_ripple_period(teasel: Sag) -> None:
    """Full wave at 60 Hz: 120 Hz ripple, half a period is 4.17 ms."""
    assert teasel.ripple_hz == 120.0
    assert ", in under 4 ms" in replace(teasel, b_plus=replace(teasel.b_plus, down_s=1e-3)).headline()
    cells = [cell for row in teasel.tables()[0].cells() for cell in row[6:8]]
    assert not [cell for cell in cells if cell.endswith(" µs") or cell in ("0 s", "0.00 s")]


def test_driven_rails_and_drive_agree(teasel: Sag) -> None:
    """Currents of the settled run are those of the large-signal solve on the same rail."""
    for name in teasel.output_tubes:
        for terminal in ("plate", "screen"):
            run = float(teasel.down.current(name, terminal)[-1])
            assert run == pytest.approx(float(teasel.drive.mean_current(name, terminal)[0]), rel=0.03)


def test_an_amp_without_output_stage_or_jack_is_told() -> None:
    with pytest.raises(ChangeError, match="no tube drives an output transformer"):
        sag(supply(FULL_WAVE))


@pytest.mark.parametrize("connected", [True, False])
def test_output_tubes_are_those_of_the_loudspeaker(connected: bool) -> None:
    """The driver of a reverb tank has a transformer too, and was once driven to its limit as well."""
    amp = any_amp("reverb-tremolo")
    assert output_tubes(amp if connected else amp.changed({"LS1": "removed"})) == ("V6", "V7")


def test_the_regulation_curve_passes_through_the_idle_point() -> None:
    """The whole amp is one more load: its rectifier current, drawn from the reservoir, gives its B+."""
    amp = load_amp("teasel")
    report = supply_report(amp)
    curve = load_regulation(amp)
    bleeder = curve.volts / 220e3
    drawn = float(sum(np.asarray(one.mean_a) for one in report.rectifiers))
    idle = float(np.interp(drawn, curve.amps + bleeder, curve.volts))
    assert idle == pytest.approx(float(report.filter("C14").dc_v), rel=0.005)
    assert curve.percent(0.07) == pytest.approx(100 * (curve.at(0.0) / curve.at(0.07) - 1))
    assert np.all(curve.source_ohms > 0)


def test_a_regulation_curve_is_one_solve_per_point() -> None:
    circuit = full_wave(TubeDiode.from_drop(50.0, 0.125))
    curve = regulation(circuit, "b0", [0.0, 0.03, 0.06], frequency_hz=60.0)
    alone = mains_steady_state(
        circuit.with_parts(CurrentSource("I", "b0", "ground", 0.06)), frequency_hz=60.0
    )
    assert curve.volts[2] == pytest.approx(float(alone.mean("b0")[0]), rel=1e-6)
    with pytest.raises(CircuitError, match="rising currents"):
        regulation(circuit, "b0", [0.1, 0.0], frequency_hz=60.0)
    with pytest.raises(CircuitError, match="no such node"):
        regulation(circuit, "b9", [0.0, 0.1], frequency_hz=60.0)


def test_b_plus_rises_about_in_proportion_to_the_mains() -> None:
    report = analyze(load_amp("teasel").changed({}, mains_rms=[105, 117, 129]))
    rail = next(one.dc_v for one in report.rails if one.capacitor == "C14")
    assert rail[2] / rail[0] == pytest.approx(129 / 105, rel=0.03)
    with pytest.raises(ChangeError, match="there is no 'B9' here"):
        load_regulation(load_amp("teasel"), "B9")


def test_an_amp_that_oscillates_is_not_driven() -> None:
    """It once was followed for minutes without an answer."""
    with pytest.raises(SolveError, match=r"oscillates near .*Do not run it"):
        sag(any_amp("ultralinear"), near=solved("ultralinear"))


def test_a_tremolo_is_held_still_while_the_supply_is_followed() -> None:
    """Its phase-shift capacitors leave the run in time; filters stay, and so does idle."""
    report = supply_report(any_amp("reverb-tremolo"), near=solved("reverb-tremolo"))
    circuit = report.report.solved.state.circuit
    still = report.still(circuit)
    left = {part.name for part in circuit.parts} - {part.name for part in still.parts}
    assert left
    assert not left & {one.capacitor for one in report.filters}
    run = slow_transient(
        still, 20.0, frequency_hz=60.0, start=report.report.solved.state, tolerance=1e-3, longest_step=10.0
    )
    for one in report.filters:
        assert run.volts(one.a, one.b)[-1] == pytest.approx(run.volts(one.a, one.b)[0], rel=1e-3)


def test_back_bias_is_held_as_the_rails_are() -> None:
    """The center tap comes back to ground through a resistor; grid leaks return to it."""
    text = load_amp("teasel").copy_as_text()
    for old, new in (
        ('"hv_a", "ground", "hv_b"', '"hv_a", "neg", "hv_b"'),
        ('nodes = ["drive3", "ground"]', 'nodes = ["drive3", "neg"]'),
        ('nodes = ["drive4", "ground"]', 'nodes = ["drive4", "neg"]'),
    ):
        assert old in text
        text = text.replace(old, new)
    amp = amp_from_text(f'{text}\nR90 = {{ value = "100", nodes = ["neg", "ground"] }}\n', "back bias")
    report = analyze(amp)
    assert amp.topology.returned == ("neg",)
    held = operating_point(held_supply(signal_view(amp)))
    for name in ("V3", "V4"):
        assert float(report.tube(name).grid_v) < -20.0
        assert float(held.current(name, "cathode")) == pytest.approx(
            float(report.tube(name).cathode_a), rel=0.02
        )
    hard = full_drive(amp)
    assert float(hard.drive.volts("V3", "grid").max()) == pytest.approx(0.0, abs=0.2)
    assert hard.input_v > full_drive(load_amp("teasel")).input_v  # more bias takes more signal

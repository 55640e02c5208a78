"""Bands of good amps: what they hold, what moves them, and how far the supply's line is off."""

from __future__ import annotations

from importlib import import_module

import numpy as np
import pytest
from numpy.testing import assert_allclose

from tests.amps import amp as any_amp, solved
from tubekit import load_amp
from tubekit.amp.parts.faults import Variable
from tubekit.decisions.population import dc_population, variables
from tubekit.decisions.probe import Probe, Tone
from tubekit.decisions.sensitivity import sensitivity
from tubekit.decisions.spread import default_probes, drawn_values, full_values, neighbors, spread
from tubekit.devices.catalogue import tube
from tubekit.errors import InputError, SolveError


@pytest.fixture(scope="module")
def ready():
    return dc_population(load_amp("teasel"))


@pytest.fixture(scope="module")
def bands():
    return spread(load_amp("teasel"), size=4000, seed=3)


@pytest.mark.parametrize("name", ["teasel", "paraphase-field-coil"])
def test_the_drawn_amp_is_that_of_the_report(name: str) -> None:
    """Its lines go through the solved point: a bias diode that drops a volt is not rounded up by half one."""
    point, report = dc_population(any_amp(name)).point, solved(name)
    for one in report.nodes:
        if one.node in point.network.index and abs(one.dc_v) > 1.0:
            assert float(point.volts(one.node)) == pytest.approx(one.dc_v, rel=1e-4), one.node


@pytest.mark.parametrize("name", ["teasel", "fescue"])
def test_bands_hold_95_of_100_freshly_drawn_amps(name):
    amp = load_amp(name)
    ready, varied = dc_population(amp), variables(amp)
    probes = [p for p in default_probes(ready) if p.quantity != "ripple_pp_v"]
    result = spread(amp, probes, size=6000, seed=11)
    rng = np.random.default_rng(12)
    fresh = drawn_values(ready, probes, varied, np.stack([v.draw(rng, 3000) for v in varied], 1), None)
    inside = ((fresh >= result.low) & (fresh <= result.high)).mean(axis=0)
    assert_allclose(inside, 0.95, atol=0.02)


def test_bands_hold_amps_solved_over_the_whole_mains_cycle(ready, bands):
    """Fresh amps by another path, without the regulation line; 120 of them: each share within 3 sigma."""
    varied = variables(ready.amp)
    rng = np.random.default_rng(13)
    x = np.stack([v.draw(rng, 120) for v in varied], 1)
    fresh = full_values(ready, bands.probes, varied, x, None)
    inside = ((fresh >= bands.low) & (fresh <= bands.high)).mean(axis=0)
    assert np.all(inside > 0.95 - 3 * np.sqrt(0.95 * 0.05 / 120))
    assert 0.93 < inside.mean() < 0.97


def test_the_line_misses_the_full_solve_by_little(bands):
    """0.1 % of B+."""
    assert bands.error_v < 0.4


def test_nothing_is_to_be_measured_on_the_high_voltage_winding(bands):
    """A DC reading there says nothing and leads a probe to 350 V AC."""
    assert not {"hv_a", "hv_b"} & {probe.place[0] for probe in bands.probes}
    assert "B1" in {probe.place[0] for probe in bands.probes}


def test_a_seed_repeats_itself_and_another_does_not():
    probe = [Probe("dc_v", ("k34", "ground"))]
    one, two, three = (spread(load_amp("teasel"), probe, size=200, seed=s) for s in (5, 5, 6))
    assert one.band(probe[0]) == two.band(probe[0])
    assert one.band(probe[0]) != three.band(probe[0])


def test_the_adjoint_slopes_are_those_of_finite_differences(ready):
    varied = variables(ready.amp)
    probes = [p for p in default_probes(ready) if p.quantity != "ripple_pp_v"]
    effects = neighbors(ready, probes, varied, None).effects
    sd = np.sqrt([v.variance for v in varied])
    slopes = sensitivity(ready.lines.nominal, ready.lines, probes, varied)[0] * sd
    # the rectifiers' own slopes against those of the lines fitted to them
    assert np.all(np.abs(slopes - effects) < 0.015 * np.abs(effects).max(axis=1, keepdims=True))


def test_what_moves_a_plate_is_its_own_resistor_and_the_mains(bands):
    probe = Probe("dc_v", ("p1a", "ground"))
    movers = {name for name, _ in bands.movers(bands.probes.index(probe), 4)}
    assert {"mains", "R5 drift"} <= movers


def test_a_known_mains_narrows_the_rails():
    probe = [Probe("dc_v", ("B1", "ground"))]
    wide, narrow = (
        np.diff(spread(load_amp("teasel"), probe, size=800, mains_known=known).band(probe[0]))[0]
        for known in (None, 0.005)
    )
    assert narrow < 0.6 * wide


def test_a_measured_part_has_only_the_spread_of_its_meter():
    by_name = {v.name: v for v in variables(load_amp("teasel"), measured={"R5": 0.01})}
    assert by_name["R5"].sd == pytest.approx(0.005)
    assert "R5 drift" not in by_name


@pytest.mark.parametrize("shape", ["normal", "half", "even"])
def test_mean_and_variance_are_those_of_the_draws(shape):
    variable = Variable("x", "x", (), 0.2, shape, center=0.05)
    x = variable.draw(np.random.default_rng(1), 200_000)
    assert x.mean() == pytest.approx(variable.mean, abs=2e-3)
    assert x.var() == pytest.approx(variable.variance, rel=0.02)


def test_a_leak_counts_by_its_conductance():
    variable = Variable("x", "x", (), 1.0, "leak", center=-2.0)
    conductance = np.exp(-variable.draw(np.random.default_rng(1), 400_000))
    assert np.exp(-variable.mean) == pytest.approx(conductance.mean(), rel=0.01)
    assert variable.variance == pytest.approx((conductance.std() / conductance.mean()) ** 2, rel=0.02)


def test_modern_parts_do_not_drift():
    assert not [
        v.name for v in variables(load_amp("teasel"), "modern") if v.name.endswith((" drift", " leak"))
    ]


def test_signal_and_ripple_have_bands_too():
    probes = [Probe("signal_rms_v", ("p1a", "ground")), Probe("ripple_pp_v", ("B1", "ground"))]
    result = spread(load_amp("teasel"), probes, tone=Tone("J1", 0.01), size=80)
    assert np.all(result.low < result.nominal)
    assert np.all(result.nominal < result.high)
    assert 0.3 < result.nominal[0] < 0.8  # ten millivolts through a stage of fifty-odd


def test_progress_is_told():
    steps = []
    probes = [Probe("ripple_pp_v", ("B1", "ground"))]
    spread(load_amp("teasel"), probes, size=100, progress=lambda done, of: steps.append((done, of)))
    assert steps[-1][0] == steps[-1][1] == len(steps)


@pytest.mark.parametrize(
    ("amp", "arguments", "text"),
    [
        (load_amp("teasel").changed({"R14": [250, 270]}), {}, "one amp at a time"),
        (load_amp("teasel"), {"size": 3}, "cannot simulate 3 amps"),
        (load_amp("teasel"), {"probes": [Probe("signal_rms_v", ("p1a", "ground"))]}, "needs a test tone"),
        (load_amp("teasel"), {"tone": Tone("J3")}, "no such input jack"),
    ],
)
def test_what_cannot_be_spread_is_refused(amp, arguments, text):
    with pytest.raises(InputError, match=text):
        spread(amp, **arguments)


def test_it_prints():
    text = str(spread(load_amp("teasel"), [Probe("dc_v", ("k34", "ground"))], size=100))
    assert "95 % of 100 simulated good amps" in text
    assert "DC volts at V3, V4 cathode (k34)" in text


@pytest.mark.parametrize("name", ["vetch", "no-transformer"])
def test_bands_of_a_single_ended_amp_hold_the_solved_value(name):
    """Once its bands missed it, 'by at most nan V'."""
    result = spread(any_amp(name), size=200, ac_size=40)
    assert np.all((result.low <= result.nominal) & (result.nominal <= result.high))
    assert "nan" not in str(result)
    assert not result.lost


def test_an_amp_that_cannot_be_solved_is_counted_and_named(monkeypatch):
    room = import_module("tubekit.decisions.spread")
    solve = room.drawn_values

    def one_lost(*args, **more):
        values = solve(*args, **more)
        if len(values) == 200:
            values[7] = np.nan
        return values

    monkeypatch.setattr(room, "drawn_values", one_lost)
    result = spread(any_amp("vetch"), [Probe("dc_v", ("B1", "ground"))], size=200)
    assert len(result.lost) == 1
    assert "1 of 200 amps could not be calculated and are left out: " in str(result)
    assert np.isfinite(result.low).all()


@pytest.mark.parametrize("alone", [True, False])
def test_a_supply_case_without_an_answer_never_counts_as_no_effect(monkeypatch, alone):
    """It is solved once more by itself; with no answer there either it is said that bands are unknown."""
    room = import_module("tubekit.decisions.regulation")
    ready, solve = dc_population(any_amp("vetch")), room._solved
    knobs = list(ready.lines.powers)

    def one_lost(circuit, hz, cases, near):
        volts, amps = solve(circuit, hz, cases, near)
        if len(cases) > 1 or not alone:
            row = len(room.LOADS) if len(cases) > 1 else 0
            volts[row], amps[row] = np.nan, np.nan
        return volts, amps

    monkeypatch.setattr(room, "_solved", one_lost)
    if alone:
        lines = room.fit_lines(ready.built.circuit, ready.amp.mains_hz, knobs)
        assert_allclose(lines.powers[knobs[0]], ready.lines.powers[knobs[0]], atol=1e-4)
    else:
        with pytest.raises(
            SolveError, match=f"{knobs[0].part} {knobs[0].field} -6% and .0% load: no normal ranges"
        ):
            room.fit_lines(ready.built.circuit, ready.amp.mains_hz, knobs)


def test_a_neighbor_that_is_lost_counts_as_unknown_never_as_no_effect(monkeypatch):
    """Lost upward it is tried downward; lost both ways it is named, and its reading has no such mover."""
    room = import_module("tubekit.decisions.spread")
    ready, solve = dc_population(load_amp("teasel")), room.full_values
    varied = variables(ready.amp)
    lost = {"mains": (1, 1 + len(varied)), "C14": (1 + [v.name for v in varied].index("C14"),)}

    def some_lost(ready, probes, varied, x, tone, near=None):
        outcome = solve(ready, probes, varied, x, tone, near)
        for k, row in enumerate(np.sign(x).sum(axis=1)):
            j = int(np.abs(x[k]).argmax())
            own = 1 + j if row > 0 else 1 + j + len(varied)
            if row and own in (*lost["mains"], *lost["C14"]):
                outcome[k] = np.nan
        return outcome

    rails = [Probe("ripple_pp_v", ("B1", "ground"))]
    true = neighbors(ready, rails, varied, None).effects[0]
    monkeypatch.setattr(room, "full_values", some_lost)
    result = neighbors(ready, rails, varied, None).effects[0]
    assert np.flatnonzero(np.isnan(result)).tolist() == [0]
    assert varied[0].name == "mains"
    reservoir = lost["C14"][0] - 1
    assert result[reservoir] == pytest.approx(true[reservoir], rel=0.3)
    bands = spread(load_amp("teasel"), rails, size=40, ready=ready)
    assert bands.unknown == ("mains",)
    assert "the effect of mains" in str(bands)


def test_a_stage_biased_by_its_grid_current_spreads_with_the_onset_of_it() -> None:
    """No cathode resistor holds it: 0.15 V of onset, times the stage's gain, is volts at its plate."""
    amp = any_amp("no-transformer")
    assert amp.topology.leak_biased == {"V1a", "V1b"}
    assert not any_amp("teasel").topology.leak_biased
    probes = [Probe("dc_v", (node, "ground")) for node in ("p1b", "g1b")]
    result = spread(amp, probes, size=800, mains_known=0.003)
    by_name = {v.name: result.effects[:, k] for k, v in enumerate(result.variables)}
    plate, grid = by_name["V1b grid current onset"]
    assert 0.08 < abs(grid) < 0.15  # a grid that draws current follows most of it
    t = next(t for t in solved("no-transformer").tubes if t.section == "V1b")
    at = tube("12AX7").at(plate=t.plate_v, grid=t.grid_v)
    at_dc = float(at.mu * 220e3 / (220e3 + at.rp))  # what follows through a capacitor loads no direct current
    assert abs(plate / grid) == pytest.approx(at_dc, rel=0.15)
    assert (result.high[0] - result.low[0]) / result.median[0] > 0.35

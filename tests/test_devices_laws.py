"""Tube laws: slopes against finite differences, finite and monotone for any voltages."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import assume, given, settings, strategies as st

from tubekit.devices import IdealDiode, Law, Pentode, SiliconDiode, Triode, TubeDiode, stack, tube
from tubekit.devices.tube_files import fitted_types

LAWS = {name: tube(name).law for name in fitted_types()}
PENTODES = [name for name, law in LAWS.items() if isinstance(law, Pentode)]
PRINTED = {
    f"{type_}, {name}": tube(type_, law=f"published {name}").law
    for type_ in ("12AX7", "12AU7", "12AT7", "6L6GC", "EL34", "KT88", "6550", "6F6")
    for name in tube(type_).published
}
DIODES = {
    "5Y3GT": tube("5Y3GT").law,
    "5AR4": tube("5AR4").law,
    "1N4007": SiliconDiode(),
    "three in series": SiliconDiode(junctions=3.0),
    "ideal": IdealDiode(),
}
EVERY = LAWS | DIODES | PRINTED | {"0D3": tube("0D3").law}

usual = st.floats(-500.0, 700.0)
wild = st.one_of(
    st.floats(-1e9, 1e9), st.sampled_from([0.0, -0.0, 1e-9, -1e-9, 1e9, -1e9, 1e100, -1e100, 5e-324])
)
quick = settings(max_examples=60, deadline=None)


def volts(law: Law, plate: float, grid: float, screen: float) -> np.ndarray:
    at = {"plate": plate, "grid": grid, "screen": screen}
    return np.array([at[name] for name in law.terminals])


def differences(law: Law, v: np.ndarray, h: float) -> np.ndarray:
    steps = h * np.eye(len(v))
    return np.stack(
        [(law.evaluate(v + step)[0] - law.evaluate(v - step)[0]) / (2.0 * h) for step in steps], axis=-1
    )


@pytest.mark.parametrize("name", EVERY)
@quick
@given(plate=usual, grid=st.floats(-80.0, 40.0), screen=usual)
def test_slopes_are_those_of_the_currents(name, plate, grid, screen):
    law = EVERY[name]
    if name in DIODES and name not in ("5Y3GT", "5AR4"):
        plate *= 3e-3  # exponential: stay where the step is small beside 50 mV
    # At 0 V the slope has a kink, which a difference quotient rounds off; the next test looks there.
    assume(min(abs(plate), abs(screen)) > 0.05)
    v = volts(law, plate, grid, screen)
    _, slopes = law.evaluate(v)
    step = 1e-5 if name in DIODES else 1e-4
    # Richardson's rule: near zero volts the laws bend within one step.
    near = (4.0 * differences(law, v, step / 2) - differences(law, v, step)) / 3.0
    assert slopes == pytest.approx(near, rel=1e-6, abs=1e-6 * np.abs(slopes).max() + 1e-9)


@pytest.mark.parametrize("name", LAWS | DIODES)  # what others printed has kinks there
@pytest.mark.parametrize("terminal", ["plate", "screen"])
def test_slopes_do_not_jump_where_a_collector_passes_the_cathode(name, terminal):
    law = EVERY[name]
    at = {"plate": 10.0, "grid": 1.0, "screen": 100.0}
    above, below = ({**at, terminal: volt} for volt in (1e-7, -1e-7))
    jump = law.evaluate(volts(law, **above))[1] - law.evaluate(volts(law, **below))[1]
    scale = np.abs(law.evaluate(volts(law, **at))[1]).max()
    if name == "ideal":
        scale *= 1e3  # its corner is a microvolt wide
    assert np.abs(jump).max() <= 1e-3 * scale


@pytest.mark.parametrize("name", EVERY)
@quick
@given(plate=wild, grid=wild, screen=wild)
def test_every_voltage_gives_finite_currents_and_slopes(name, plate, grid, screen):
    law = EVERY[name]
    with np.errstate(over="raise", invalid="raise", divide="raise"):
        currents, slopes = law.evaluate(volts(law, plate, grid, screen))
    assert np.all(np.isfinite(currents))
    assert np.all(np.isfinite(slopes))


@pytest.mark.parametrize("name", LAWS)
@quick
@given(plate=st.one_of(usual, wild), grid=st.one_of(usual, wild), screen=st.one_of(usual, wild))
def test_each_current_rises_with_its_own_voltage(name, plate, grid, screen):
    law = LAWS[name]
    currents, slopes = law.evaluate(volts(law, plate, grid, screen))
    own = np.diagonal(slopes)
    floor = -1e-12 * np.abs(slopes).max()
    assert np.all(own >= floor)
    assert np.all(slopes.sum(axis=0) >= floor), "the cathode current falls with some voltage"
    assert np.all(currents >= 0.0)


@pytest.mark.parametrize("name", DIODES)
@quick
@given(volts_=st.one_of(wild, st.floats(-2.0, 2.0)))
def test_diode_current_rises_and_only_silicon_leaks(name, volts_):
    current, slope = DIODES[name].evaluate(np.array([volts_]))
    assert slope[0, 0] >= 0.0
    if volts_ <= 0.0:
        assert current[0] <= 0.0
        assert current[0] >= -1e-8


@pytest.mark.parametrize("name", PENTODES)
@quick
@given(plate=usual, grid=st.floats(-60.0, 30.0), screen=st.floats(1.0, 500.0))
def test_plate_screen_and_grid_are_the_cathode_current_whatever_the_sharing(name, plate, grid, screen):
    law = LAWS[name]
    # Another screen share moves current between plate and screen; their sum must not move.
    other = dataclasses.replace(law, share=0.5, share_fall=0.1, share_drive=0.0)
    v = volts(law, plate, grid, screen)
    one, two = law.evaluate(v)[0], other.evaluate(v)[0]
    assert one.sum() == pytest.approx(two.sum(), rel=1e-12, abs=1e-300)
    assert one[2] == two[2]
    assert one.sum() == pytest.approx(cathode_current(law, plate, screen, grid), rel=1e-12, abs=1e-18)


def cathode_current(law: Pentode, plate: float, screen: float, grid: float) -> float:
    """The law's own words, worked with plain floats (nothing is cut off in the gate of the screen)."""
    s = law.softness + law.unevenness / law.mu_screen * screen**2 / (screen + law.gate)
    x = (grid + law.offset + screen / law.mu_screen + plate / law.mu_plate) / s
    u = s * (np.log1p(np.exp(-abs(x))) + max(x, 0.0))
    space = law.perveance * u**law.exponent
    w = (grid + law.grid_offset) / law.grid_softness
    taken = law.grid_perveance * (law.grid_softness * (np.log1p(np.exp(-abs(w))) + max(w, 0.0))) ** 1.5
    both = space + taken + 1e-300
    rest, to_grid = space * (space / both), space * (taken / both)
    knee = (law.knee * u + law.gate) / max(plate, 1e-20)
    kappa = (1.0 + knee**law.knee_sharpness) ** (-1.5 / law.knee_sharpness)
    opened = screen**2 / (screen**2 + law.gate**2)
    return opened * rest * (1.0 + kappa) / 2.0 + to_grid


@pytest.mark.parametrize("name", PENTODES)
@quick
@given(grid=st.floats(-40.0, 0.0), screen=st.floats(80.0, 400.0))
def test_more_plate_voltage_never_gives_a_plate_less(name, grid, screen):
    plate = np.linspace(-20.0, 600.0, 300)
    v = np.stack([plate, np.full(300, screen), np.full(300, grid)], axis=-1)
    currents = LAWS[name].evaluate(v)[0]
    total = currents.sum(axis=1)
    assert np.all(np.diff(currents[:, 0]) >= -1e-12 * total.max())
    assert np.all(np.diff(total) >= -1e-12 * total.max())


@pytest.mark.parametrize("name", LAWS)
def test_a_plate_below_the_cathode_draws_nothing_and_a_grid_never_more_than_the_cathode_gives(name):
    law = LAWS[name]
    currents, _ = law.evaluate(volts(law, -20.0, 30.0, 200.0))
    assert currents[0] < 1e-20
    _, slopes = law.evaluate(volts(law, 200.0, 30.0, 200.0))
    assert slopes[-1, -1] > 0.0
    if isinstance(law, Triode):
        # Far above cut-off the rounded corner adds nothing: the equivalent diode gives all there is.
        u = 30.0 + law.offset + 1.0
        whole = law.perveance * u**law.exponent
        assert law.evaluate(np.array([law.mu, 30.0]))[0].sum() <= whole * (1.0 + 1e-6)


def test_screen_current_falls_and_plate_current_rises_with_plate_voltage():
    plate = np.linspace(5.0, 400.0, 80)
    v = np.stack([plate, np.full(80, 250.0), np.full(80, -8.0)], axis=-1)
    currents, _ = LAWS["6V6GT"].evaluate(v)
    assert np.all(np.diff(currents[:, 0]) > 0.0)
    assert np.all(np.diff(currents[plate < 300.0, 1]) < 0.0)
    assert currents[-1, 1] < 1.005 * currents[:, 1].min()  # beyond, the drive's rise makes up for it


def test_a_stack_answers_like_its_members_and_a_subset_like_its_part():
    laws = [LAWS["12AX7"], LAWS["12AT7"].worn(np.array([1.0, 0.8, 0.5, 0.2])), LAWS["6SN7GT"]]
    both = stack(laws)
    v = np.random.default_rng(3).uniform([0.0, -8.0], [300.0, 1.0], size=(4, 3, 2))
    currents, slopes = both.evaluate(v)
    for k, law in enumerate(laws):
        alone = law.evaluate(v[:, k])
        np.testing.assert_allclose(currents[:, k], alone[0], rtol=1e-14)
        np.testing.assert_allclose(slopes[:, k], alone[1], rtol=1e-14)
    keep = np.array([True, False, True, False])
    np.testing.assert_array_equal(both.subset(keep).evaluate(v[keep])[0], currents[keep])
    one = stack([LAWS["12AX7"]] * 3)
    assert one.subset(keep) is one, "parameters without a batch axis hold for the whole batch"
    by_index = laws[1].subset([3], axes=1)
    np.testing.assert_array_equal(by_index.evaluate(v[[3], 1])[0], laws[1].evaluate(v[:, 1])[0][[3]])


def test_laws_of_two_kinds_do_not_stack():
    with pytest.raises(TypeError, match="Pentode, Triode"):
        stack([LAWS["12AX7"], LAWS["6V6GT"]])
    with pytest.raises(TypeError, match="nothing"):
        stack([])


def test_half_the_emission_is_half_the_space_charge_current():
    new, old = LAWS["6V6GT"], LAWS["6V6GT"].worn(0.5)
    v = np.array([250.0, 250.0, -12.5])
    np.testing.assert_allclose(old.evaluate(v)[0], 0.5 * new.evaluate(v)[0], rtol=1e-9, atol=1e-40)
    assert SiliconDiode().worn(0.5).saturation == SiliconDiode().saturation
    assert TubeDiode(perveance=1e-3).worn(0.5).perveance == 5e-4


@pytest.mark.parametrize(
    ("make", "word"),
    [
        (lambda: Triode(perveance=-1.0, mu=100.0), "perveance"),
        (lambda: Triode(perveance=1e-3, mu=float("nan")), "mu"),
        (lambda: Pentode(perveance=1e-3, mu_screen=10.0, mu_plate=0.0), "mu_plate"),
        (lambda: TubeDiode(perveance=0.0), "perveance"),
    ],
)
def test_parameters_without_meaning_are_refused_by_name(make, word):
    with pytest.raises(ValueError, match=word):
        make()

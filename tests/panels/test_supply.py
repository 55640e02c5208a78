"""The supply panel against `supply_report` called directly."""

from __future__ import annotations

import html
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from tests.amps import amp as any_amp
from tubekit.amp import Amp, analyze
from tubekit.amp.discharge import MEASURE, discharge
from tubekit.amp.loading import load_regulation
from tubekit.amp.supply import supply_report
from tubekit.decisions.limits import limits
from tubekit.panels import SupplyPanel, start, supply
from tubekit.panels.amp_choice import drawn
from tubekit.panels.supply_panel import EXTRA, as_asked, roles_of
from tubekit.plots import supply as plots


@pytest.fixture
def panel() -> SupplyPanel:
    return supply("teasel")


def agrees(panel: SupplyPanel, wanted: Amp) -> None:
    """Figure and numbers are those of the same amp worked out on its own, from a cold start."""
    alone = supply_report(wanted)
    shown = panel.result.supply
    for one in alone.filters:
        assert_allclose(shown.filter(one.capacitor).dc_v, one.dc_v, rtol=1e-5)
        assert_allclose(shown.filter(one.capacitor).ripple_pp_v, one.ripple_pp_v, rtol=1e-3)
    state = alone.report.solved.state
    wave = state.waveform("B1")[0] - state.mean("B1")[0]
    drawn_curve = {line.get_label(): line.get_ydata() for line in panel.figure.view.cycle.ripple.after}["B1"]
    assert_allclose(drawn_curve[:-1], wave, atol=1e-3)
    shares = {(c.part, c.what): float(np.max(c.share)) for c in limits(alone.report)}
    ratings = panel.figure.view.ratings
    met = 0
    for check, bar in zip(ratings.shown, ratings.bars, strict=False):
        if (check.part, check.what) in shares:
            assert bar.get_width() == pytest.approx(
                min(150.0, 100 * shares[check.part, check.what]), abs=1e-2
            )
            met += 1
    assert met >= 5


@pytest.mark.parametrize(
    ("moves", "changes", "mains"),
    [
        ({}, {}, None),
        ({"reservoir": 47e-6}, {"C14": "47u"}, None),
        ({"rectifier": "5AR4", "mains": 123.0}, {"V5": "5AR4"}, 123),
        ({"dropper": 2200.0}, {"R21": "2k2"}, None),
    ],
)
def test_knobs_give_what_the_package_gives(panel: SupplyPanel, amp: Amp, moves, changes, mains) -> None:
    panel.set(**moves)
    agrees(panel, amp.changed(changes, mains_rms=mains))


def test_sliders_reach_it(panel: SupplyPanel, amp: Amp) -> None:
    panel.knob("reservoir").entry.value = "33u"
    panel.knob("mains").slider.value = 112.0
    agrees(panel, amp.changed({"C14": "33u"}, mains_rms=112))


@pytest.mark.parametrize("name", ["teasel", "burdock", "fescue"])
def test_the_extra_load_is_reckoned_from_the_amps_own_b_plus(name: str) -> None:
    amp = drawn(name)
    load = as_asked(amp, {"mains": float(amp.mains_rms), "extra": 10.0}).parts[EXTRA]
    # Ohm's law, with the idle B+ of the very amp.
    assert_allclose(load.ohms * 10e-3, analyze(amp).node(roles_of(amp).node).dc_v, rtol=1e-6)


def test_an_extra_load_draws_about_so_much(panel: SupplyPanel) -> None:
    before = panel.result
    panel.knob("extra").slider.value = 20.0
    load = panel.result.amp.parts[EXTRA]
    volts = float(panel.result.supply.filter("C14").dc_v)
    # Ohm's law; the resistor is reckoned from the drawn B+, which the load pulls down.
    assert volts / load.ohms == pytest.approx(20e-3, rel=0.1)
    more = sum(float(r.mean_a) for r in panel.result.supply.rectifiers) - sum(
        float(r.mean_a) for r in before.supply.rectifiers
    )
    assert 0.5 * 20e-3 < more < volts / load.ohms  # the tubes draw a little less for it
    panel.knob("extra").slider.value = 0.0
    assert EXTRA not in panel.result.amp.parts


def test_what_takes_longer_waits_until_it_is_opened(panel: SupplyPanel) -> None:
    assert all(page.value == "" for page in panel.slow.children)
    panel.slow.selected_index = 0
    curve = load_regulation(panel.result.amp, points=9)
    assert curve.tables()[0].html() in panel.slow.children[0].value
    shown = panel.slow.children[0].value
    panel.set(reservoir=47e-6)
    assert panel.slow.children[0].value != shown  # an open drawer follows the setting
    assert panel.slow.children[2].value == ""


def test_the_caution_stands_where_the_hand_would_go(panel: SupplyPanel) -> None:
    panel.slow.selected_index = 2
    page = html.unescape(panel.slow.children[2].value)
    assert page.index(MEASURE) < page.index("<img")
    assert "safe to touch" not in page.replace("NOT safe to touch", "")


@pytest.mark.parametrize("name", ["burdock", "fescue"])
def test_every_demo_amp_with_a_rectifier_tube(panel: SupplyPanel, name: str) -> None:
    panel.set(amp=name)
    amp = drawn(name)
    assert panel.result.amp.name == name
    assert panel.knob("mains").slider.min <= amp.mains_rms <= panel.knob("mains").slider.max
    roles = roles_of(amp)
    assert panel.settings["reservoir"] == amp.parts[roles.reservoir].farads
    panel.buttons["undo"].click()
    assert drawn(panel.settings["amp"]).name == "teasel"


def test_nothing_asked_is_the_amp_as_drawn(amp: Amp) -> None:
    assert as_asked(amp, {"mains": 117.0}).changes == {}


def test_figures_of_regulation_and_discharge_are_those_of_the_results(amp: Amp) -> None:
    curve = load_regulation(amp, points=5)
    line = plots.regulation(curve, drawn_a=0.05).lines[0]
    assert_allclose(line.get_xdata(), 1e3 * curve.amps)
    assert_allclose(line.get_ydata(), curve.volts)
    off = discharge(amp, near=analyze(amp))
    drawing = plots.discharge(off)
    first = off.of("C14")
    assert_allclose(drawing.lines[0].get_ydata(), np.abs(off.cold.volts(first.a, first.b)), atol=1e-2)
    assert "before you touch" in drawing.words


@pytest.mark.parametrize("make", [supply, start])
def test_an_amp_that_oscillates_is_said_to_above_the_list(make: Callable[..., Any]) -> None:
    """Both showed its idle figures as though it could be run; another amp takes the warning away."""
    panel = make(any_amp("ultralinear"))
    box = panel.amp_list if make is start else panel.knobs["amp"]
    assert "oscillates near" in box.danger.value
    panel.choose("vetch") if make is start else panel.set(amp="vetch")
    assert "oscillates" not in box.danger.value

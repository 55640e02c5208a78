"""Switch-on, hot standby and discharge of whole amps: orders, ends and closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.amps import amp as known_amp
from tests.supplies import FULL_WAVE, supply, two, with_standby
from tubekit import analyze, load_amp
from tubekit.amp import amp_from_text
from tubekit.amp.discharge import MEASURE, Discharge, discharge
from tubekit.amp.supply import supply_report
from tubekit.amp.surge import PlateSurge
from tubekit.amp.switching import SwitchOn, hot_standby, switch_on
from tubekit.decisions.limits import failures
from tubekit.errors import ChangeError


@pytest.fixture(scope="module")
def teasel_on() -> SwitchOn:
    return switch_on(load_amp("teasel"))


@pytest.fixture(scope="module")
def teasel_off() -> Discharge:
    return discharge(load_amp("teasel"))


def test_a_filament_is_there_before_the_tubes_and_b_plus_overshoots(teasel_on: SwitchOn) -> None:
    for surge in teasel_on.surges:
        assert surge.highest_v > 1.15 * surge.final_v
        assert 2 < surge.at_s < 10
        assert surge.words == "within its rating"
    assert teasel_on.fuses[0].verdict == "does not blow"
    assert teasel_on.core_bound_a > teasel_on.mains_peak_a


def test_the_end_of_a_switch_on_is_the_idle_state(teasel_on: SwitchOn) -> None:
    report = analyze(load_amp("teasel"))
    for node in ("B1", "B4", "k34", "p1a"):
        assert teasel_on.run.volts(node)[-1] == pytest.approx(float(report.node(node).dc_v), rel=2e-3)


def test_a_slow_rectifier_spares_the_capacitors_and_silicon_does_not() -> None:
    amp = load_amp("teasel")
    slow, hard = (switch_on(amp.changed({"V5": name})).surge("C14") for name in ("5AR4", "silicon"))
    assert slow.highest_v < hard.highest_v
    assert slow.up_s > 3
    assert hard.up_s < 0.1


def test_a_capacitor_of_too_low_a_rating_is_told() -> None:
    surge = switch_on(supply(FULL_WAVE).changed({"C2": "100u", "C2.rating": "300 V"})).surge("C2")
    assert "ABOVE ITS SURGE VOLTAGE" in surge.words


@pytest.mark.parametrize(
    ("regulator", "volts"),
    [
        ('[V9]\ntype = "0A2"\nplate = "held"\ncathode = "ground"\n', 150.0),
        ('[CR9]\nkind = "Zener diode"\ntype = "1N5388B"\nnodes = ["ground", "held"]\n', 200.0),
    ],
)
def test_a_cold_cathode_holds_its_voltage_from_the_first_moment(regulator: str, volts: float) -> None:
    """0A2: 150 V; 1N5388B: 200 V (from memory). Neither waits for a heater."""
    tail = two("R9", "20k", "B1", "held", 'rating = "10 W"')
    tail += two("C9", "1u", "held", "ground", 'rating = "250 V"') + regulator
    amp = supply(FULL_WAVE + tail).changed({"V1": "silicon"})
    surge = switch_on(amp, seconds=5.0).surge("C9")
    assert surge.highest_v == pytest.approx(volts, abs=10.0)
    assert surge.words == "within its rating"


def test_a_small_fast_fuse_opens_on_the_inrush() -> None:
    amp = load_amp("teasel").changed({"V5": "silicon", "C14": "220u", "F1": "0.5 A", "F1.speed": "fast"})
    fuse = switch_on(amp).fuses[0]
    assert fuse.verdict in ("may blow", "blows")
    assert fuse.when_s < 0.25
    assert fuse.peak_a > 5


@pytest.mark.parametrize("place", ["center tap", "before the reservoir"])
def test_hot_standby_charges_an_empty_reservoir_through_a_warm_rectifier(place: str) -> None:
    amp = supply(with_standby(place))
    result = hot_standby(amp, "S2")
    idle = analyze(amp)
    assert result.rectifier_peak_a > 4 * float(idle.rectifiers[0].peak_a)
    assert result.surge("C1").final_v == pytest.approx(float(idle.node("B1").dc_v), rel=0.03)
    assert result.run.volts("B1")[0] == pytest.approx(0.0, abs=1.0)


def test_a_rectifier_that_is_still_cold_is_not_called_within_its_rating(teasel_on: SwitchOn) -> None:
    """A filament passes nothing in the first quarter of a second: 2 nA once stood there as "within"."""
    assert (
        "V5 is still cold: a restart with a hot rectifier is worse and is not calculated here"
    ) in teasel_on.headline()
    assert "peak rating" not in teasel_on.headline()
    assert not teasel_on.plates[0].exceeded


def test_the_headline_follows_from_the_figures(teasel_on: SwitchOn) -> None:
    """6.6 A at a rectifier rated 0.75 A once stood under a reassuring headline."""
    nan = float("nan")
    over = replace(teasel_on, plates=(PlateSurge("V5", 6.6, 0.75, nan),))
    assert "V5 peaks at 6.60 A, ABOVE ITS PEAK RATING of 750 mA (no published limit" in over.headline()
    assert over.remedy
    assert over.headline().endswith(over.remedy)
    assert over.to_json()["exceeded"] == list(over.exceeded())
    surge = replace(over, plates=(PlateSurge("V5", 3.0, 0.75, 3.7),))
    assert surge.exceeded() == ()
    assert "V5 peaks at 3.00 A, within its hot-switching limit of 3.70 A" in surge.headline()
    high = replace(over.surges[0], highest_v=999.0)
    assert "ABOVE ITS SURGE VOLTAGE" in replace(surge, surges=(high,)).headline()


def test_standby_after_the_reservoir_starts_from_the_peak() -> None:
    result = hot_standby(supply(with_standby("after the reservoir")), "S2")
    assert result.surge("C1").highest_v == pytest.approx(325 * np.sqrt(2), rel=0.01)
    assert result.surge("C2").highest_v > 1.1 * result.surge("C2").final_v  # the choke overshoots
    with pytest.raises(ChangeError, match="no such switch"):
        hot_standby(supply(FULL_WAVE), "S9")


def test_a_bleeder_alone_follows_the_exponential() -> None:
    """One capacitor and one resistor: V = V0 exp(-t/RC), any textbook."""
    amp = supply(FULL_WAVE).changed({"L1": "open", "C2": "open", "R1": "open"})
    text = amp.copy_as_text() + two("R9", "220k", "B1", "ground")
    held = discharge(supply(text)).of("C1")
    tau = 220e3 * 20e-6
    assert held.time_constant_s == pytest.approx(tau, rel=0.01)
    assert held.bleed_ohms == pytest.approx(220e3, rel=0.01)
    np.testing.assert_allclose(
        held.volts, held.volts[0] * np.exp(-np.array([0, 1, 2, 5, 60]) / tau), rtol=0.01, atol=1e-3
    )
    assert held.to_limit_s == pytest.approx(tau * np.log(held.volts[0] / 60), rel=0.01)
    np.testing.assert_allclose(held.joules, 0.5 * 20e-6 * held.volts**2)


def test_warm_tubes_discharge_faster_than_a_bleeder(teasel_off: Discharge) -> None:
    for name in ("C14", "C15", "C16", "C17"):
        warm, cold = teasel_off.of(name, "cooling"), teasel_off.of(name)
        assert warm.to_limit_s < 3 < cold.to_limit_s
        assert warm.volts[0] < cold.volts[0]
    assert {one.capacitor for one in teasel_off.beyond} == {"C14", "C15", "C16", "C17"}


def test_without_a_bleeder_nothing_comes_down() -> None:
    result = discharge(load_amp("teasel").changed({"R24": "open"}))
    assert np.isinf(result.of("C14").to_limit_s)
    assert "still above 60 V" in result.headline()
    assert result.to_json()["held"][1]["to_limit_s"] is None


def test_standards_and_caution_stand_with_every_discharge(teasel_off: Discharge) -> None:
    printed = " ".join(str(teasel_off).split())
    assert "IEC 60204-1, residual voltage: 60 V or less within 5 s of disconnection, 1 s for" in printed
    assert "IEC 62368-1, 5.5.2.2: capacitor discharge, measured 2 s after disconnection" in printed
    assert MEASURE in printed
    assert teasel_off.caution == MEASURE
    assert "60 V is NOT safe to touch: discharge to 0 V" in printed
    assert "safe" not in printed.lower().replace("not safe to touch", "")


@pytest.mark.parametrize("part", ["thermistor", "swinging choke"])
def test_a_part_that_sets_itself_leaves_an_amp_one_amp(part: str) -> None:
    """Its value was an array of one, which every run in time took for a batch."""
    text = load_amp("teasel").copy_as_text()
    if part == "thermistor":
        text = text.replace('nodes = ["mains_line", "mains_fused"]', 'nodes = ["mains_in", "mains_fused"]')
        text += '[RT1]\nvalue = "10"\nhot = "0.5"\nrating = "2 A"\nnodes = ["mains_line", "mains_in"]\n'
    else:
        text += (
            '[L9]\nvalue = "5 H"\nresistance = "90"\nrating = "0.15 A"\nswing = "20 H 15 mA"\n'
            'nodes = ["B1", "B9"]\n' + two("R99", "100k", "B9", "ground")
        )
    amp = amp_from_text(text)
    assert discharge(amp).of("C14").volts[0] > 300
    assert switch_on(amp, seconds=1.0).surge("C14").highest_v > 0
    assert {one.batch for one in (amp, analyze(amp).amp)} == {None}


def test_batches_are_refused() -> None:
    amp = load_amp("teasel").changed({"C14": ["20u", "47u"]})
    for ask in (switch_on, discharge):
        with pytest.raises(ChangeError, match=r"Take one with member\(0\)"):
            ask(amp)


def test_switch_on_says_of_a_capacitor_what_the_supply_says() -> None:
    """Within its rating at one command, above it at another: both volts are named, each with its state."""
    one = next(s for s in switch_on(known_amp("series-string")).surges if s.capacitor == "C11")
    failing = failures(supply_report(known_amp("series-string"))).failures
    told = next(f.what for f in failing if f.part == "C11")
    assert told.startswith(one.words.removeprefix("within its rating; "))
    assert one.highest_v < one.rated_v < one.cold_v

"""Parts a supply needs: each topology solves, and what sets itself settles where it should."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.amps import amp as any_amp, solved
from tests.supplies import (
    BIAS,
    CHOKE_INPUT,
    FULL_WAVE,
    HEAD,
    STANDBY_PLACES,
    TOPOLOGIES,
    supply,
    two,
    winding,
    with_standby,
)
from tubekit.amp import Amp, amp_from_text, analyze
from tubekit.amp.mains_solve import solve_mains
from tubekit.amp.parts import Choke, PowerTransformer, SeleniumRectifier, Thermistor
from tubekit.decisions import limits
from tubekit.decisions.substitutes import substitutes
from tubekit.errors import AmpFileError, ChangeError


def volts(amp: Amp, node: str) -> float:
    return float(analyze(amp).node(node).dc_v)


@pytest.mark.parametrize("name", TOPOLOGIES)
def test_every_topology_gives_its_rail_and_survives_the_copy(name: str) -> None:
    amp = supply(TOPOLOGIES[name], name)
    report = analyze(amp)
    assert np.all(report.convergence.converged)
    assert all(np.isfinite(node.dc_v) for node in report.nodes)
    # peak of the winding: the rail lies below it, twice it for a doubler, the mean of it behind a choke
    peak = {"doubler": 250, "cascade doubler": 250, "full wave": 325, "choke input": 325,
            "full wave with bias": 325}.get(name, 250) * np.sqrt(2)  # fmt: skip
    low, high = (0.5, 2 / np.pi) if name == "choke input" else (0.65, 1.0)
    assert low * peak < report.node("B1").dc_v < high * peak
    assert volts(amp_from_text(amp.copy_as_text()), "B2") == pytest.approx(report.node("B2").dc_v, rel=1e-9)


def test_a_bias_supply_is_below_ground_and_hardly_ripples() -> None:
    report = analyze(supply(FULL_WAVE + BIAS))
    bias = report.node("bias")
    assert -50 * np.sqrt(2) < bias.dc_v < -45
    assert bias.ripple_pp_v < 0.02 * abs(bias.dc_v)


@pytest.mark.parametrize("place", STANDBY_PLACES)
def test_a_standby_switch_cuts_b_plus_wherever_it_stands(place: str) -> None:
    amp = supply(with_standby(place))
    opened = {name: "open" for name in ("S2", "S3") if name in amp.parts}
    assert volts(amp, "B2") == pytest.approx(volts(supply(FULL_WAVE), "B2"), rel=1e-6)
    assert abs(volts(amp.changed(opened), "B2")) < 1.0
    assert "S2 is open on the schematic" in str(supply(amp.changed(opened).copy_as_text()))


def test_a_standby_after_the_reservoir_lets_it_rise_to_the_peak() -> None:
    amp = supply(with_standby("after the reservoir")).changed({"S2": "open"})
    assert volts(amp, "B1") == pytest.approx(325 * np.sqrt(2), rel=0.01)


def test_silicon_with_resistance_stands_in_for_the_tube() -> None:
    amp = supply(FULL_WAVE)
    bare = amp.changed({"V1": "silicon"})
    padded = bare.changed({"V1.series": "200"})
    old, high, low = volts(amp, "B1"), volts(bare, "B1"), volts(padded, "B1")
    assert old < high
    assert low < high
    assert padded.changes["V1.series"] == ("not stated", "200 Ω")
    assert volts(supply(padded.copy_as_text()), "B1") == pytest.approx(low, rel=1e-9)


def test_series_resistance_counts_like_winding_resistance() -> None:
    inside = supply(FULL_WAVE).changed({"T1.high.resistance": ["90", "90"]})
    outside = supply(FULL_WAVE).changed({"V1.series": "30"})
    assert volts(outside, "B1") == pytest.approx(volts(inside, "B1"), rel=1e-6)


def test_a_secondary_may_state_its_regulation() -> None:
    """Closed form: a resistor that draws the rated current sees the open voltage over 1 + regulation."""
    text = HEAD + winding("low", ["x", "ground"], 12.6, 1.0)
    text = text.replace("resistance = [1.0]", 'regulation = "10 %"\nrating = "1 A"')
    loaded = 12.6 / 1.1
    report = analyze(supply(text + two("R1", loaded, "x", "ground") + TOPOLOGY_STUB))
    assert report.node("x").ac_rms_v == pytest.approx(loaded, rel=0.003)
    assert any("regulation" in line for line in report.assumptions)


TOPOLOGY_STUB = (
    winding("high", ["a", "ground"], 250.0, 40.0)
    + '[CR1]\ntype = "1N4007"\nnodes = ["a", "B1"]\n' + two("C1", "1u", "B1", "ground")
    + two("R9", "10M", "B1", "ground")
)  # fmt: skip


def test_leakage_of_one_winding_is_its_own() -> None:
    text = HEAD + winding("low", ["x", "ground"], 12.6, 0.1, 'leakage = "20m"') + TOPOLOGY_STUB
    report = analyze(supply(text + two("R1", "10", "x", "ground")))
    reactance = 2 * np.pi * 60 * 0.02
    divider = 10.0 / abs(10.1 + 4 * (12.6 / 120) ** 2 + 1j * reactance)
    assert report.node("x").ac_rms_v == pytest.approx(12.6 * divider, rel=0.005)
    assert report.node("a").ac_rms_v == pytest.approx(250, rel=0.01)


def test_taps_of_a_primary_are_chosen_by_a_selector() -> None:
    text = FULL_WAVE.replace(
        'nodes = ["live", "neutral"]\nvolts = ["120 V"]\nresistance = ["4"]',
        'nodes = ["t110", "t120", "neutral"]\nvolts = ["10 V", "110 V"]\nresistance = ["0.3", "3.7"]',
    )
    selector = '[S4]\nkind = "selector switch"\ncommon = "live"\ncontacts = ["t120", "t110"]\nposition = 2\n'
    amp = supply(text + selector)
    assert isinstance(amp.parts["T1"], PowerTransformer)
    low, high = volts(amp, "B2"), volts(amp.changed({"S4": 1}), "B2")
    assert high == pytest.approx(low * 120 / 110, rel=0.02)
    with pytest.raises(
        ChangeError, match=r"S4: position is 3, but there are only 2 contacts. Write a position from 1 to 2"
    ):
        amp.changed({"S4": 3})


def test_a_swinging_choke_follows_its_current() -> None:
    amp = supply(CHOKE_INPUT).changed({"L1": "5", "L1.rating": "150 mA"})
    swinging = amp_from_text(amp.copy_as_text().replace("L1 = {", 'L1 = { swing = "20 H 15 mA",'), "swinging")
    part = swinging.parts["L1"]
    assert isinstance(part, Choke)
    solved = analyze(swinging.changed({"R1": ["2k", "5k", "20k", "50k"]})).solved
    amps = solved.state.winding_mean("L1")
    slope = np.log(20 / 5) / np.log(150 / 15)
    expected = np.clip(20 * (amps / 0.015) ** -slope, None, 20)
    np.testing.assert_allclose(solved.built.settled["L1"], expected, rtol=2e-3)
    fixed = analyze(amp.changed({"R1": "20k"})).node("B2").dc_v
    assert (
        analyze(swinging.changed({"R1": "20k"})).node("B2").dc_v < fixed
    )  # more henries, less peak charging


def test_a_thermistor_settles_where_heat_and_cooling_balance() -> None:
    limiter = '[RT1]\nvalue = "10"\nhot = "0.2"\nrating = "3 A"\nnodes = ["line", "hot_line"]\n'
    text = FULL_WAVE.replace('nodes = ["line", "fused"]', 'nodes = ["hot_line", "fused"]') + limiter
    amp = supply(text)
    part = amp.parts["RT1"]
    assert isinstance(part, Thermistor)
    solved = analyze(amp).solved
    ohms = float(solved.built.settled["RT1"])
    amps = float(solved.state.winding_rms("T1")[0])
    assert ohms == pytest.approx(float(part.warm_ohms(amps)), rel=0.01)
    b, loss = part.law
    kelvin = 1 / (1 / 298 + np.log(ohms / 10) / b)
    assert amps**2 * ohms == pytest.approx(loss * (kelvin - 298), rel=0.02)
    assert 2500 < b < 4000  # makers' inrush limiters (from memory)


BAD = {
    "choke without henries": (('value = "8"', 'value = "0"'), "L1: value '0' is outside"),
    "capacitor without farads": (('value = "20u"\nnodes = ["B2"', 'value = "0"\nnodes = ["B2"'), "C2: value"),
    "negative resistance": (('value = "5k"', 'value = "-5k"'), "one below zero does not exist"),
    "winding without resistance": (("resistance = [60.0, 60.0]\n", ""), "T1.high: the winding has no"),
    "winding of zero": (("resistance = [60.0, 60.0]", 'resistance = ["0", "60"]'), "limits the rectifier"),
    "regulation without rating": (("resistance = [0.08]", 'regulation = "8 %"'), "needs the current rating"),
    "both": (("resistance = [0.08]", 'resistance=[0.08]\nregulation="8 %"\nrating="2 A"'), "has both"),
    "swing the wrong way": (('value = "8"', 'value = "8"\nswing = "5 H 15 mA"'), "must have more inductance"),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_what_cannot_be_is_told_with_what_would_fail(name: str) -> None:
    (old, new), words = BAD[name]
    assert FULL_WAVE.count(old) == 1
    with pytest.raises(AmpFileError) as text:
        supply(FULL_WAVE.replace(old, new))
    assert words in str(text.value)


def test_rectifiers_in_parallel_are_solved_and_warned_of() -> None:
    twin = FULL_WAVE.split("[V1]")[1].split("[C1]")[0]
    amp = supply(FULL_WAVE + "[V2]" + twin)
    note = next(note for note in amp.notes if note.code == "rectifiers_in_parallel")
    assert str(note).startswith("V1 and V2 ")
    assert "Give each plate a resistor of its own" in str(note)
    report = analyze(amp)
    first, second = report.rectifiers
    assert first.dc_a == pytest.approx(second.dc_a, rel=1e-6)
    assert report.node("B1").dc_v > volts(supply(FULL_WAVE), "B1")


@pytest.mark.parametrize("number", [1, 2, 3, 4])
def test_a_bridge_with_one_diode_gone_open_is_half_wave(number: int) -> None:
    report = analyze(supply(TOPOLOGIES["bridge"]).changed({f"CR{number}": "open"}))
    assert report.solved.state.circuit.parts == report.solved.built.circuit.parts  # no leak is added
    assert report.solved.state.rounds <= 3
    half = report.node("B1")
    assert half.dc_v == pytest.approx(volts(supply(TOPOLOGIES["half wave"]), "B1"), rel=0.01)
    assert half.ripple_pp_v > 1.8 * analyze(supply(TOPOLOGIES["bridge"])).node("B1").ripple_pp_v


@pytest.mark.parametrize("faults", [("CR1", "CR4", "CR3"), ("CR2", "CR3", "CR4"), ("CR3", "CR2", "CR4")])
def test_half_a_bridge_is_what_its_winding_grounded_would_give(faults: tuple[str, str, str]) -> None:
    """It once ended after seconds in a false word about the wiring. With its path shorted to ground and the
    diode that idles out, no winding floats: B+ rises by a diode's drop.
    """
    gone, idle, path = faults
    stereo = any_amp("stereo-single-ended")
    half = solve_mains(stereo.changed({gone: "open"}))[1]
    tied = solve_mains(stereo.changed({gone: "open", idle: "open", path: "short"}))[1]
    assert half.rounds <= 3
    assert 0.5 < float(tied.mean("B1")[0] - half.mean("B1")[0]) < 1.2
    assert float(half.ripple_pp("B1")[0]) == pytest.approx(float(tied.ripple_pp("B1")[0]), rel=0.01)


def test_a_filament_gone_open_leaves_no_b_plus() -> None:
    report = analyze(supply(FULL_WAVE).changed({"V1.emission": 0}))
    assert abs(report.node("B1").dc_v) < 0.1
    assert report.rectifiers[0].dc_a < 1e-6


STACK = '[CR1]\nkind = "selenium rectifier"\nplates = 5\nrating = "100 mA"\nnodes = ["a", "B1"]\n'
HALF_WAVE = HEAD + winding("high", ["a", "ground"], 120.0, 20.0)
OLD_SET = (
    HALF_WAVE
    + STACK
    + two("C1", "40u", "B1", "ground", 'rating = "250 V"\nstyle = "electrolytic"')
    + (two("R1", "1.5k", "B1", "ground", 'rating = "20 W"'))
)
ZENER = '[CR2]\nkind = "Zener diode"\ntype = "{}"\nnodes = {}\n'


def held(type_: str = "1N4742A", ohms: str = "10k", nodes: str = '["ground", "held"]') -> Amp:
    return supply(OLD_SET + two("R2", ohms, "B1", "held", 'rating = "5 W"') + ZENER.format(type_, nodes))


def test_a_selenium_stack_drops_a_volt_a_plate_and_more_with_age() -> None:
    """Some 1 V a plate at the rated direct current, twice and more when old (from memory)."""
    new = supply(OLD_SET).parts["CR1"]
    assert isinstance(new, SeleniumRectifier)
    for aging, drop in ((1.0, 5.0), (2.0, 10.0)):
        part = replace(new, aging=aging)
        assert part.drop == pytest.approx(drop)
        assert part.law.evaluate(np.array([[drop]]))[0] == pytest.approx(0.1, rel=1e-3)


def test_silicon_in_the_place_of_selenium_lifts_b_plus_unless_a_resistor_takes_it_down() -> None:
    old = analyze(supply(OLD_SET))
    aged = analyze(supply(OLD_SET).changed({"CR1.aging": 2.0})).node("B1").dc_v
    result = substitutes(supply(OLD_SET), "CR1")
    bare = next(one for one in result.candidates if one.name == "1N4007")
    b_plus = old.node("B1").dc_v
    assert b_plus - aged > 2.0
    assert 2.0 < bare.b_plus_v - b_plus < 20.0
    assert result.kept[0].name.startswith("1N4007 + ")
    assert abs(result.kept[0].moves_percent) < 1.0
    assert "poisonous" in supply(OLD_SET).parts["CR1"].fails


def test_a_zener_holds_its_voltage_until_its_resistor_starves_it() -> None:
    """V = V0 + r·I and I = (B+ - V)/R: crossed by hand; 12 V at 21 mA, 9 Ω, 1 W, knee 0.25 mA."""
    report = analyze(held())
    b_plus = float(report.node("B1").dc_v)
    amps = (b_plus - 12.0 + 0.021 * 9.0) / (10e3 + 9.0)
    assert report.node("held").dc_v == pytest.approx(12.0 - 0.021 * 9.0 + 9.0 * amps, abs=0.05)
    checks = {c.code: c for c in limits(report) if c.part == "CR2"}
    assert checks["watts"].value == pytest.approx(12.0 * amps, rel=0.02)
    for ohms, code in (("1k", "watts"), ("1M", "least_a")):
        result = {c.code: c.state for c in limits(analyze(held(ohms=ohms))) if c.part == "CR2"}
        assert result[code] == "exceeded"


def test_a_zener_put_in_backward_is_a_silicon_diode() -> None:
    assert 0.5 < analyze(held(nodes='["held", "ground"]')).node("held").dc_v < 1.0


def test_the_letter_behind_a_zener_type_is_its_tolerance() -> None:
    """From memory: A of the 1N47 series 5 %, none 10 %; B of the 1N53 series 5 %."""
    for type_, percent in (("1N4742A", 5.0), ("1N4742", 10.0), ("1N5349B", 5.0)):
        assert held(type_).parts["CR2"].tolerance == pytest.approx(percent / 100.0)  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        (ZENER.format("1N4790", '["ground", "B1"]'), ("not a known Zener", "1N4728 (1 W)", "Near: ")),
        (ZENER.format("0D3", '["ground", "B1"]'), ("not a known Zener", "0D3 as a tube (V4)")),
        ('[CR2]\ntype = "1N4742A"\nnodes = ["ground", "B1"]\n', ("add kind = 'Zener diode'",)),
        ('[CR2]\ntype = "selenium"\nnodes = ["ground", "B1"]\n', ("Add kind = 'selenium rectifier'",)),
    ],
)  # fmt: skip
def test_an_unknown_diode_type_is_told_what_to_write(lines: str, words: tuple[str, ...]) -> None:
    with pytest.raises(AmpFileError) as caught:
        supply(OLD_SET + lines)
    assert all(word in str(caught.value) for word in words), str(caught.value)


def test_a_field_coil_is_judged_by_its_heat_and_said_to_hum() -> None:
    """Heat: I²R of the solved current (Joule's law)."""
    report = solved("paraphase-field-coil")
    amps = (float(report.node("B1").dc_v) - float(report.node("B2").dc_v)) / 1000.0
    heat = next(c for c in limits(report) if (c.part, c.code) == ("L1", "watts"))
    assert heat.value == pytest.approx(1000.0 * amps**2, rel=0.02)
    assert heat.limit == 14.0
    assert any(note.code == "field_coil" and "LS1" in note.text for note in report.amp.notes)
    with pytest.raises(AmpFileError, match=r"not a speaker in this amp.*LS1"):
        amp_from_text(
            any_amp("paraphase-field-coil").copy_as_text().replace('field_of = "LS1"', 'field_of = "LS9"')
        )

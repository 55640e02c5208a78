"""Heaters follow the law of a hot wire, tapped ones by their wiring, strings by their one current.

12A_7 twins: 12.6 V, 0.15 A from pin 4 to 5, 6.3 V, 0.3 A from 4+5 to 9 (every handbook; here from memory).
"""

from __future__ import annotations

import re

import numpy as np
import pytest

from tests.amps import amp, solved
from tubekit import analyze, load_amp
from tubekit.amp import amp_from_text, mains_solve
from tubekit.amp.parts import Tube
from tubekit.amp.parts.tubes import heater_string
from tubekit.amp.switching import switch_on
from tubekit.amp.warming import held_s, string_start
from tubekit.decisions import limits
from tubekit.decisions.probe import Probe
from tubekit.decisions.spread import spread
from tubekit.decisions.swap import swap
from tubekit.devices.heater import resistance

TEASEL = load_amp("teasel").copy_as_text()
HEATERS = 'V1.heater = ["h1", "h2"]'


ONE = 'nodes = ["w1", "w3"]\nvolts = ["{} V"]\nresistance = ["0.4"]\n'
TWO = 'nodes = ["w1", "w2", "w3"]\nvolts = ["6.3 V", "6.3 V"]\nresistance = ["0.2", "0.2"]\n'


@pytest.mark.parametrize(
    ("heater", "winding", "volts", "amps"),
    [
        ('["w1", "w3"]', ONE.format("12.6"), 12.6, 0.15),
        ('["w1", "w3"]', ONE.format("6.3"), 6.3, 0.3),
        ('["w1", "w2", "w3"]', TWO, 12.6, 0.15),
    ],
)
def test_a_tapped_heater_runs_on_either_voltage(heater: str, winding: str, volts: float, amps: float) -> None:
    text = amp_from_text(f"{TEASEL.replace(HEATERS, f'V1.heater = {heater}')}[T1.more]\n{winding}")
    part = text.parts["V1"]
    assert isinstance(part, Tube)
    assert part.heater_rating() == pytest.approx((volts, amps))
    report = analyze(text)
    assert float(report.tube("V1a").heater_rms_v) == pytest.approx(volts, rel=0.05)
    wires = [p for p in report.solved.built.circuit.parts if p.name.startswith("V1.heater")]
    taken = volts / sum(float(np.asarray(p.ohms)) for p in wires)  # type: ignore[union-attr]
    assert taken == pytest.approx(amps, rel=1e-6)
    off = next(c for c in limits(report) if c.part == "V1a" and c.code == "heater_off")
    assert off.state == "within"
    assert [note for note in text.notes if note.code == "heater_winding"] == []


def test_a_string_of_one_current_is_judged_right() -> None:
    """Two 12A_7 on 0.15 A and a dropper: 12.6 V each, told by the other tubes' current or by the drawing."""
    text = amp("no-transformer").copy_as_text()
    strung = re.sub(r'(V\d)(.type = "12AX7")', r'\1\2\n\1.heater_halves = "series"', text)
    one = amp_from_text(strung)
    assert [part.designator for part in heater_string(one.parts)] == ["V2", "V1"]
    words = {note.code for note in one.notes}
    assert {"series_heaters", "heater_halves"} <= words
    report = analyze(one)
    amps = float(report.solved.state.ripple_rms("L", "hs1")[0]) / 250.0
    for name, rated in (("V1a", (12.6, 0.15)), ("V2", (6.3, 0.76))):
        across = float(report.tube(name).heater_rms_v)
        assert amps == pytest.approx(rated[1] * (across / rated[0]) ** 0.55, rel=0.01)


def test_a_string_off_a_winding_that_is_grounded_is_fed_through_its_lower_heater() -> None:
    """Two 6.3 V heaters in series from 12.6 V to ground: each gets half."""
    text = """
[amp]
extends = "vetch"
[T1.heater]
nodes = ["h1", "ground"]
volts = ["13.2 V"]
resistance = ["0.25"]
[V1]
heater = ["h1", "ground"]
heater_halves = "series"
[V2]
heater = ["h1", "hs"]
[V8]
type = "6V6GT"
plate = "p2"
screen = "B2"
grid = "g2"
cathode = "k2"
heater = ["hs", "ground"]
"""
    report = analyze(amp_from_text(text, "string"))
    upper, lower = (float(report.tube(name).heater_rms_v) for name in ("V2", "V8"))
    assert upper == pytest.approx(lower, rel=0.01)
    assert upper == pytest.approx(6.3, rel=0.1)


def test_a_heater_far_off_is_exceeded_not_printed_in_passing() -> None:
    off = {c.part: c for c in limits(solved("no-transformer")) if c.code == "heater_off"}
    assert off["V1a"].state == off["V2"].state == "exceeded"


def test_heaters_follow_the_line_everywhere() -> None:
    """I ~ V^0.55: at half the line a heater draws 0.683 of its current, not a half."""
    half = analyze(load_amp("teasel").changed({}, mains_rms=58.5)).solved.built.circuit
    full = solved("teasel").solved.built.circuit
    ohms = [next(float(p.ohms) for p in c.parts if p.name == "V3.heater") for c in (half, full)]  # type: ignore[union-attr]
    assert 0.5 / (ohms[0] / ohms[1]) == pytest.approx(0.5**0.55, rel=1e-6)
    assert resistance(np.array([0.0, 1.0])).tolist() == pytest.approx([1 / 6, 1.0])


def _string(dropper: str) -> str:
    """A 6V6GT (0.45 A) and a 6SL7GT (0.3 A, with a resistor beside its heater) in series on the line."""
    text = amp("no-transformer").copy_as_text().replace('"250"', f'"{dropper}"')
    text = text.replace('type = "EL84"', 'type = "6V6GT"').replace('"12AX7"', '"6SL7GT"')
    return text + '\n[R30]\nvalue = "42"\nnodes = ["hs2", "ground"]\n'


def test_a_cold_string_divides_by_cold_ohms_and_ends_at_the_idle_state() -> None:
    """Cold: v = V·R/(ΣR + 6·dropper), R = rated volts over rated amps (closed form); warm: the idle solve."""
    result = {one.tube: one for one in string_start(amp("no-transformer"))}
    ohms = {"V1": 6.3 / 0.3, "V2": 6.3 / 0.76}
    whole = sum(ohms.values()) + 6.0 * 250.0
    for name, each in ohms.items():
        assert result[name].first_v == pytest.approx(117.0 * each / whole, rel=1e-3)
    report = solved("no-transformer")
    for name, section in (("V1", "V1a"), ("V2", "V2")):
        assert result[name].warm_v == pytest.approx(float(report.tube(section).heater_rms_v), rel=0.02)


def test_the_heater_that_warms_first_takes_too_much_until_the_others_follow() -> None:
    """Stepped here by Euler's rule from the law as stated: r = T^1.2, heat lost as T^4.13."""
    rated, dropper, shunt = {"V1": (6.3, 0.3), "V2": (6.3, 0.45)}, 232.0, 42.0
    held = {"V1": held_s("indirect small"), "V2": held_s("indirect power")}
    loss = 1.2 * 1.55 / 0.45
    cold = (1 / 6) ** (1 / 1.2)
    t, most, dt = dict.fromkeys(rated, cold), dict.fromkeys(rated, 0.0), 0.02
    for _ in range(int(120 / dt)):
        ohms = {k: v / a * t[k] ** 1.2 for k, (v, a) in rated.items()}
        both = {"V1": ohms["V1"] * shunt / (ohms["V1"] + shunt), "V2": ohms["V2"]}
        amps = 117.0 / (dropper + sum(both.values()))
        for k, (volts, current) in rated.items():
            most[k] = max(most[k], amps * both[k])
            heat = (amps * both[k]) ** 2 / ohms[k] / (volts * current)
            t[k] += dt / held[k] * (heat - t[k] ** loss + cold**loss)
    result = string_start(amp_from_text(_string("232")))
    for one in result:
        assert one.highest_v == pytest.approx(most[one.tube], rel=0.01)
    assert {one.tube: one.highest_v > one.warm_v * 1.015 for one in result} == {"V1": True, "V2": False}


def test_an_inrush_limiter_in_the_string_spares_the_lightest_heater() -> None:
    bare = _string("232")
    limited = bare.replace('nodes = ["L", "hs1"]', 'nodes = ["hs0", "hs1"]').replace('"232"', '"200"') + (
        '\n[RT1]\nvalue = "600"\nhot = "32"\nrating = "0.45 A"\nnodes = ["L", "hs0"]\n'
    )
    over, spared = (max(one.times for one in string_start(amp_from_text(each))) for each in (bare, limited))
    assert over > 1.015 > spared


def test_switch_on_names_the_heater_that_may_flash() -> None:
    result = switch_on(amp("no-transformer"), near=solved("no-transformer"), seconds=1.0)
    flashing = [one for one in result.heaters if one.times > 1.5]
    assert [one.tube for one in flashing] == ["V1"]
    assert any(each.startswith("the heater of V1 gets") for each in result.exceeded())
    assert "the heater of V1" in result.headline()
    assert string_start(amp("teasel")) == ()


def test_a_starved_heater_in_a_string_takes_its_emission_with_it():
    """A 6.3 V, 0.76 A tube in one string with a 0.15 A one: a third of its volts; report and bands agree."""
    starved, report = amp("no-transformer"), solved("no-transformer")
    plate = next(s for s in report.tubes if s.section == "V2")
    assert plate.heater_rms_v < 0.4 * 6.3
    assert plate.plate_a < 2e-3
    assert any("V2: its heater gets 33 % of its voltage" in str(each) for each in report.assumptions)
    drawn = spread(starved, [Probe("dc_v", ("k2", "ground"))], size=40).nominal[0]
    assert drawn == pytest.approx(report.node("k2").dc_v, rel=0.02)


def test_a_string_that_starves_a_heater_settles_in_a_few_solves(monkeypatch: pytest.MonkeyPatch) -> None:
    solves, solve = [], mains_solve.solve_circuit
    monkeypatch.setattr(
        mains_solve, "solve_circuit", lambda *given, **how: solves.append(given) or solve(*given, **how)
    )
    result, state = mains_solve.solve_mains(amp("no-transformer"))
    assert len(solves) < 9  # 20 where each solve goes half the way by itself
    for tube in heater_string(result.amp.parts):
        name, share = tube.set_by(state)
        assert result.settled[name] == pytest.approx(float(share[0]), rel=2 * mains_solve.AGREED)


@pytest.mark.parametrize("place", ["top", "middle", "bottom"])
def test_a_string_with_its_dropper_anywhere_hangs_on_a_winding(place: str) -> None:
    """One current through 35Z5, 50L6 and 12AU6, wherever the dropper of 120 ohm is; refused before."""
    text, dropper = amp("series-string").copy_as_text(), 'nodes = ["hot", "ha"]'
    if place != "top":
        text = text.replace('heater = ["ha", "hb"]', 'heater = ["hot", "hb"]')
    if place == "middle":
        text = text.replace(dropper, 'nodes = ["hb", "hd"]').replace('["hb", "hc"]', '["hd", "hc"]')
    if place == "bottom":
        text = text.replace(dropper, 'nodes = ["hd", "ground"]').replace('["hc", "ground"]', '["hc", "hd"]')
    report, top = analyze(amp_from_text(text)), solved("series-string")
    for tube in ("V1", "V2"):
        assert report.tube(tube).heater_rms_v == pytest.approx(top.tube(tube).heater_rms_v, rel=5e-3)
    assert float(top.tube("V1").heater_rms_v) / 12.6 == pytest.approx(float(top.tube("V2").heater_rms_v) / 50)


@pytest.mark.parametrize("word", ["removed", "open"])
def test_a_string_that_is_open_leaves_no_voltage_and_the_first_line_says_where(word: str) -> None:
    """B1 read 54 V, or 118 V with every tube lit; the answer did not name the string."""
    result = swap(amp("series-string"), {"V1": word})
    assert abs(float(result.after.node("B1").dc_v)) < 0.1
    assert "the heater string is open at V1, B+ is gone" in result.headline()
    again = result.after.amp
    assert "string" not in swap(again, {"R1": "1.2k"}).headline()

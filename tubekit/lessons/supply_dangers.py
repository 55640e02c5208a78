"""Lessons 11 to 13: interlocks and standby loops, minus volts on a plug, a worn rectifier or a low line."""

from __future__ import annotations

from functools import cache

import numpy as np

from tubekit.amp import AmpReport, analyze, load_amp
from tubekit.amp.discharge import LIMIT_V
from tubekit.amp.load import amp_from_text
from tubekit.amp.supply import SupplyReport, supply_report
from tubekit.circuit.parts import GROUND
from tubekit.lessons.lesson import Asked, Draw, Found, Lesson, Steps, from_file, practice, textbook, words_of
from tubekit.units import show

COMBO, TWO_UNITS, HEAD = "teasel", "fescue", "burdock"
Changes = tuple[tuple[str, object], ...]
COVER_OUT: Changes = (("P4.inserted", False),)


@cache
def report_of(amp: str, changes: Changes = (), line: float | None = None) -> AmpReport:
    """A demo amp, or one of those that a lesson's file describes, with some changes."""
    own = words_of("11")["amps"] | words_of("12")["amps"]
    made = amp_from_text(own[amp], amp) if amp in own else load_amp(amp)
    return analyze(made.changed(dict(changes), mains_rms=line))


def dc_at(report: AmpReport, node: str) -> float:
    """DC volts of a node to ground."""
    return 0.0 if node == GROUND else float(report.node(node).dc_v)


def pair_of(report: AmpReport) -> float:
    """Cathode current of both output tubes [A]."""
    return sum(float(report.tube(name).cathode_a) for name in ("V3", "V4"))


def winding_peak(report: AmpReport) -> float:
    """Peak of one half of the high-voltage winding without load [V]."""
    winding = next(w for w in report.amp.parts["T1"].windings if w.name == "high_voltage")  # type: ignore[attr-defined]
    line = float(report.amp.mains_rms) / report.amp.design_mains_rms
    return float(np.sqrt(2) * winding.volts[0] * line)


# ---- lesson 11


def side(draw: Draw) -> Steps:
    """What is dead with the plug out, by where the interlock is."""
    place = draw.one_of(("b_plus", "center", "line", "heater"))
    yield Asked({"where": words_of("11")["places"][place]})
    out = report_of(TWO_UNITS, COVER_OUT) if place == "b_plus" else report_of(place)
    heaters, winding = float(out.tube("V3").heater_rms_v), float(out.node("hv_a").ac_rms_v)
    reservoir = dc_at(out, "B1")
    key = "all" if heaters < 1.0 else "beyond" if reservoir > LIMIT_V else "rectified"
    yield Found(key, practice(key), {"heaters": heaters, "winding": winding, "reservoir": reservoir})


def pin(draw: Draw) -> Steps:
    """The pin that has B+ with the plug out; the cable's own end at the desk unit."""
    name, end, live = draw.one_of((("P4", "socket", 3), ("P3", "plug", 7), ("P2", "socket", 7)))
    part = load_amp(TWO_UNITS).parts[name]
    asked = {str(k): f"pin {k}" for k in sorted({1, 3, 4, live, len(part.plug)})}  # type: ignore[attr-defined]
    yield Asked({"what": part.role, "on": end}, asked)
    out = report_of(TWO_UNITS, ((f"{name}.inserted", False),))
    volts = {key: dc_at(out, getattr(part, end)[int(key) - 1]) for key in asked}
    most = max(volts, key=lambda key: volts[key])
    of = {key: {"volts": each} for key, each in volts.items()}
    yield Found(most, practice(str(live)), {"most": volts[most], "of": of})


def unloaded(draw: Draw) -> Steps:
    """The reservoir with the output stage cut off."""
    line = draw.one_of((117.0, 123.0, 110.0))
    home = report_of(TWO_UNITS, (), line)
    yield Asked({"line": line, "winding": winding_peak(home) / np.sqrt(2)})
    out = report_of(TWO_UNITS, COVER_OUT, line)
    peak, loaded = winding_peak(home), dc_at(home, "B1")
    errors = {"loaded": loaded, "rms": peak / np.sqrt(2), "whole": 2 * peak}
    facts = {"peak": peak, "loaded": loaded}
    yield Found({"volts": dc_at(out, "B1")}, textbook({"volts": peak}, 5), facts, errors=errors)


def rating(draw: Draw) -> Steps:
    """How near the reservoir comes to its rating in standby."""
    line = draw.one_of((123.0, 117.0, 126.0))
    home = report_of(TWO_UNITS, (), line)
    rated = float(home.amp.parts["C21"].volts)  # type: ignore[attr-defined]
    yield Asked({"line": line, "rated": rated, "loaded": dc_at(home, "B1")})
    volts = dc_at(report_of(TWO_UNITS, (("S2.position", "open"),), line), "B1")
    wrong = {"loaded": dc_at(home, "B1"), "rms": winding_peak(home) / np.sqrt(2)}
    errors = {name: 100 * each / rated for name, each in wrong.items()}
    outside = textbook({"share": 100 * winding_peak(home) / rated}, 5)
    yield Found({"share": 100 * volts / rated}, outside, {"volts": volts}, errors=errors)


# ---- lesson 12


def at_the_grid(draw: Draw) -> Steps:
    """The divider behind a bias supply."""
    turn = draw.one_of((0.4, 0.7, 0.2))
    report = report_of(HEAD, (("R46.position", turn),))
    start, grid = dc_at(report, "bias_1"), dc_at(report, "g3")
    yield Asked({"turn": turn, "start": start})
    share = (22e3 + turn * 10e3) / (4.7e3 + 10e3 + 22e3)
    errors = {
        "sign": -grid, "no_divider": start, "low_end": start * 22e3 / 36.7e3,
        "wrong_end": start * (22e3 + (1 - turn) * 10e3) / 36.7e3,
    }  # fmt: skip
    yield Found({"volts": grid}, textbook({"volts": start * share}, 3), {"share": share}, errors=errors)


def center_tap(draw: Draw) -> Steps:
    """Minus volts from the return of all B+ current."""
    ohms = draw.one_of((220.0, 150.0, 330.0))
    report = report_of("back_bias", (("R60", ohms),))
    volts = dc_at(report, "center")
    pair = pair_of(report)
    yield Asked({"ohms": ohms, "pair": pair, "rest": -volts / ohms - pair})
    errors = {"sign": -volts, "pair": -pair * ohms, "one": -pair * ohms / 2}
    total = float(report.rectifiers[0].dc_a)
    yield Found({"volts": volts}, textbook({"volts": -total * ohms}, 3), {"total": total}, errors=errors)


def across(draw: Draw) -> Steps:
    """What is across a reservoir whose minus end is below chassis."""
    ohms = draw.one_of((1000.0, 700.0, 1400.0))
    report = report_of("minus_coil", (("L60.resistance", ohms),))
    plus, minus = dc_at(report, "B1"), dc_at(report, "center")
    yield Asked({"plus": plus, "minus": minus, "ohms": ohms})
    errors = {"chassis": plus, "difference": plus + minus}
    yield Found({"volts": plus - minus}, textbook({"volts": plus + abs(minus)}, 1), errors=errors)


def offset(draw: Draw) -> Steps:
    """DC on the heaters of an amp whose hum balance is on the cathodes."""
    ohms = draw.one_of((250.0, 300.0, 200.0))
    report = report_of(TWO_UNITS, (("R25", ohms),))
    amps = pair_of(report)
    yield Asked({"ohms": ohms, "amps": amps})
    volts = dc_at(report, "h1")
    errors = {"one": amps * ohms / 2, "heater": 6.3}
    yield Found({"volts": volts}, textbook({"volts": amps * ohms}, 3), errors=errors)


# ---- lesson 13


@cache
def combo_supply(changes: Changes = (), line: float = 117.0) -> SupplyReport:
    """The supply of the combo, at idle and with its tubes cold."""
    return supply_report(load_amp(COMBO).changed(dict(changes), mains_rms=line))


def loaded_and_not(changes: Changes = (), line: float = 117.0) -> tuple[float, float]:
    """B+ at idle and with no tube drawing [V]."""
    reading = combo_supply(changes, line).filter("C14")
    return float(reading.dc_v), float(reading.cold_v)


def worn_unloaded(draw: Draw) -> Steps:
    """What a worn rectifier still does without load."""
    emission = draw.one_of((0.5, 0.3, 0.7))
    (home, cold), (volts, now) = loaded_and_not(), loaded_and_not((("V5.emission", emission),))
    yield Asked({"emission": emission, "home": home, "cold": cold, "volts": volts})
    yield Found(
        {"cold": now}, textbook({"cold": cold}, 4), errors={"scaled": cold * volts / home, "loaded": volts}
    )


def low_line_ratio(draw: Draw) -> Steps:
    """What a low line does to the ratio of both."""
    line = draw.one_of((104.0, 108.0, 100.0))
    (home, cold), (volts, now) = loaded_and_not(), loaded_and_not((), line)
    before = 100 * home / cold
    yield Asked({"line": line, "home": home, "cold": cold})
    errors = {"scaled": before * line / 117.0, "cold": 100 * volts / cold}
    yield Found(
        {"ratio": 100 * volts / now},
        textbook({"ratio": before}, 2),
        {"volts": volts, "now": now},
        errors=errors,
    )


def below_peak(draw: Draw) -> Steps:
    """The drop from the winding's peak to B+."""
    emission = draw.one_of((0.5, 0.3, 0.4))
    report, home = (combo_supply(c).report for c in ((("V5.emission", emission),), ()))
    (ac, b_plus), (ac_new, b_new) = ((float(r.node("hv_a").ac_rms_v), dc_at(r, "B1")) for r in (report, home))
    yield Asked({"ac": ac, "b_plus": b_plus})
    drop, new = np.sqrt(2) * ac - b_plus, np.sqrt(2) * ac_new - b_new
    errors = {"rms": abs(ac - b_plus), "whole": 2 * np.sqrt(2) * ac - b_plus, "new": new}
    yield Found(
        {"drop": float(drop)}, textbook({"drop": np.sqrt(2) * ac - b_plus}, 1), {"new": new}, errors=errors
    )


CAUSES: tuple[tuple[str, Changes, float], ...] = (
    ("rectifier", (("V5.emission", 0.4),), 117.0),
    ("line", (), 106.0),
    ("reservoir", (("C14", "2u"),), 117.0),
    ("load", (("R14", "120"),), 117.0),
)


def cause(draw: Draw) -> Steps:
    """Four causes of a low B+, told apart by what else reads wrong."""
    true, changes, line = draw.one_of(CAUSES)
    rows = [
        {
            "idle": (dc_at(s.report, "B1"), "V"), "cold": (float(s.filter("C14").cold_v), "V"),
            "heaters": (float(s.report.tube("V3").heater_rms_v), "V"),
            "ripple": (float(s.filter("C14").ripple_pp_v), "V"), "pair": (pair_of(s.report), "A"),
        }
        for s in (combo_supply(), combo_supply(changes, line))
    ]  # fmt: skip
    yield Asked({name: {"was": show(*rows[0][name]), "now": show(*rows[1][name])} for name in rows[0]})
    times = {name: rows[1][name][0] / rows[0][name][0] for name in rows[0]}
    key = (
        "line" if times["heaters"] < 0.96
        else "reservoir" if times["ripple"] > 2
        else "load" if times["pair"] > 1.1
        else "rectifier"
    )  # fmt: skip
    yield Found(key, practice(true))


INTERLOCKS = Lesson("11", (side, pin, unloaded, rating))
MINUS_VOLTS = Lesson("12", (from_file("12", "leads"), at_the_grid, center_tap, across, offset))
LOW_B_PLUS = Lesson("13", (worn_unloaded, low_line_ratio, below_peak, cause))

"""Lessons 4, 5, 8 and 9: another rectifier, ripple and charge, today's line voltage, and where hum enters."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np

from tubekit.amp import AmpReport, analyze, load_amp
from tubekit.amp.discharge import LIMIT_V, MEASURE, HeldCharge, discharge
from tubekit.amp.hum import Hum, hum
from tubekit.amp.hum_balance import HumBalance, hum_balance
from tubekit.analyses.mains import mains_steady_state
from tubekit.devices import tube
from tubekit.lessons.lesson import (
    Asked,
    Draw,
    Found,
    Lesson,
    Steps,
    from_file,
    of_row,
    practice,
    textbook,
    words_of,
)
from tubekit.references import cite
from tubekit.tables import Row, handbook
from tubekit.textbook import capacitor_input
from tubekit.units import show

AMP, SELECTOR, BALANCED = "teasel", "burdock", "fescue"
SURE = 75.0
SWAPS = ("5AR4", "5U4GB", "silicon", "5V4G")
EXCEEDED = " That exceeds the rating: use a larger cathode resistor, or a different rectifier."
DROPPERS = ((6.8e3, 20e-6), (10e3, 20e-6), (22e3, 20e-6))
"""Resistor and capacitor of each section behind the reservoir [Ω, F], as the demo amp has them."""
DESIGN, RATED_HEATER = 117.0, 6.3
MEAN = 2 * np.sqrt(2) / np.pi
"""Average of a rectified sine, over its RMS."""
Changes = tuple[tuple[str, object], ...]
STATES: tuple[tuple[str, Changes], ...] = (
    ("in good order", ()),
    ("with the first filter cap C14 dried out to 4 µF", (("C14", "4u"),)),
    ("with one of the two heater-center-tap resistors open", (("R26", "open"),)),
    ("with one output tube worn to 50 % emission", (("V4.emission", 0.5),)),
)


@cache
def combo(part: str = "", value: str = "", line: float = DESIGN) -> AmpReport:
    """The combo as it came, with one part changed, or on another line voltage."""
    amp = load_amp(AMP).changed({part: value} if part else {}, mains_rms=line)
    return analyze(amp, near=combo() if part else None)


# ---- lesson 4


def rectifier_rows() -> list[Row]:
    """Makers' lines with a capacitor at the input, the surer ones; one to begin with first."""
    some = [
        row
        for row in handbook("rectifier_operation")
        if row["input"] == "C" and row.number("confidence_pct") >= SURE
    ]
    return sorted(some, key=lambda row: (row["tube"], row["Idc_mA"]) != ("5U4GB", 150.0))


def volts_of(row: Row, amps: float | None = None) -> float:
    """B+ of a maker's line, solved [V]."""
    hertz = row.number("f_Hz")
    circuit = capacitor_input(
        row.text("tube"),
        secondary_rms=row.number("Vac_rms_per_plate"),
        frequency_hz=hertz,
        source_resistance=row.number("Rs_per_plate_ohm"),
        reservoir=1e-6 * row.number("C_uF_or_L_H"),
        load_current=amps or 1e-3 * row.number("Idc_mA"),
    )
    return float(mains_steady_state(circuit, frequency_hz=hertz).mean("b_plus")[0])


def loaded(draw: Draw) -> Steps:
    """B+ under load."""
    row = draw.one_of(rectifier_rows())
    yield Asked({"row": row})
    volts, winding = volts_of(row), row.number("Vac_rms_per_plate")
    facts = {"peak": np.sqrt(2) * winding, "times": volts / winding}
    errors = {"peak": facts["peak"], "average": MEAN * winding, "whole": 2 * volts}
    yield Found({"volts": volts}, of_row(row, {"volts": row.number("Vdc_out")}, 5), facts, errors=errors)


def unloaded(draw: Draw) -> Steps:
    """B+ before the tubes draw current."""
    row = draw.one_of(rectifier_rows())
    yield Asked({"row": row})
    peak = float(np.sqrt(2) * row.number("Vac_rms_per_plate"))
    winding = row.number("Vac_rms_per_plate")
    wrong = {"rms": winding, "loaded": row.number("Vdc_out"), "average": MEAN * winding, "whole": 2 * peak}
    true = {"volts": volts_of(row, 5e-4)}
    yield Found(true, textbook({"volts": peak}, 4), errors=wrong)


def rise(draw: Draw) -> Steps:
    """B+ of a whole amp after a swap; outside, the rated drops at its peaks by the three-halves law."""
    other = draw.one_of(SWAPS)
    yield Asked({"name": "a plug-in silicon replacement" if other == "silicon" else f"a {other}"})
    reports = combo(), combo("V5", other)
    before, after = (float(each.node("B1").dc_v) for each in reports)
    peaks = [1e3 * float(each.rectifiers[0].peak_a) for each in reports]
    rated = handbook("rectifier_ratings")
    old = handbook("rectifier_ratings", tube="5Y3GT")[0]
    new = next((row for row in rated if row.text("tube").startswith(other)), None)
    drops = [
        0.0 if row is None else row.number("drop_V") * (peak / row.number("at_mA_per_plate")) ** (2 / 3)
        for row, peak in zip((old, new), peaks, strict=True)
    ]
    facts = {"before": before, "after": after, "drops": drops, "peaks": peaks}
    rated_v = old.number("drop_V") - (0.0 if new is None else new.number("drop_V"))
    errors = {"whole": drops[0] - drops[1], "rated": rated_v, "old": drops[0]}
    yield Found({"rise": after - before}, of_row(old, {}), facts, errors=errors)


def follows(draw: Draw) -> Steps:
    """What follows the B+ in an amp with cathode bias."""
    other = draw.one_of(SWAPS[:3])
    yield Asked({"other": other})
    before, after = combo(), combo("V5", other)
    pairs = {
        "b_plus": (before.node("B1").dc_v, after.node("B1").dc_v),
        "bias": (before.node("k34").dc_v, after.node("k34").dc_v),
        "heat": (before.tube("V3").plate_w, after.tube("V3").plate_w),
    }
    result = {key: 100 * (float(two) / float(one) - 1) for key, (one, two) in pairs.items()}
    used = 100 * float(after.tube("V3").plate_share)
    square = 100 * ((1 + result["b_plus"] / 100) * (1 + result["bias"] / 100) - 1)
    facts = {"used": used, "exceeded": EXCEEDED if used > 100 else ""}
    errors = {
        "volts_only": {"heat": result["b_plus"]}, "steady": {"bias": 0.0},
        "doubled": {"b_plus": result["heat"]},
    }  # fmt: skip
    yield Found(result, textbook({"heat": square}, 8), facts, errors=errors)


def reservoir(draw: Draw) -> Steps:
    """Which rectifier is rated for this reservoir."""
    farads, right, others = draw.one_of(
        (
            (40e-6, "5U4GB", ("5Y3GT", "5R4GY")),
            (60e-6, "5AR4", ("5U4GB", "5Y3GT", "6CA4")),
            (20e-6, "5Y3GT", ("5R4GY",)),
            (50e-6, "6CA4", ("5U4GB", "5Y3GT", "5R4GY")),
        )
    )
    yield Asked({"farads": farads}, {name: name for name in (right, *others)})
    row = next(row for row in handbook("rectifier_ratings") if right in row.text("tube"))
    limits = {name: float(tube(name).ratings.reservoir_max_f or 0.0) for name in (right, *others)}
    words = ", ".join(f"{name} {1e6 * each:.0f} µF" for name, each in limits.items())
    fit = max(limits, key=lambda name: limits[name])
    of = {name: {"allowed": 1e6 * each} for name, each in limits.items()}
    yield Found(fit, of_row(row, right), {"limits": words, "row": row, "of": of})


# ---- lesson 5


@cache
def discharged(bleeder: str) -> HeldCharge:
    """The combo's reservoir after switch-off, tubes cold."""
    return discharge(load_amp(AMP).changed({"R24": bleeder})).of("C14")


@cache
def chain_ripple(hertz: float) -> tuple[float, ...]:
    """Ripple along its chain of filters, peak to peak [V]."""
    return tuple(float(each.ripple_pp_v) for each in analyze(replace(load_amp(AMP), mains_hz=hertz)).rails)


def sawtooth(draw: Draw) -> Steps:
    """Ripple at the reservoir."""
    amps, farads, hertz = draw.one_of(((0.1, 40e-6, 60.0), (0.07, 20e-6, 60.0), (0.12, 60e-6, 50.0)))
    yield Asked({"amps": amps, "farads": farads, "hertz": hertz})
    circuit = capacitor_input(
        "5AR4", secondary_rms=325.0, source_resistance=160.0, reservoir=farads, load_current=amps,
        frequency_hz=hertz,
    )  # fmt: skip
    ripple = float(mains_steady_state(circuit, frequency_hz=hertz).ripple_pp("b_plus")[0])
    bound = amps / (2 * hertz * farads)
    row = handbook("practice", topic="ripple at reservoir")[0]
    outside = of_row(row, {"ripple": 0.575 * bound}, 18)
    facts = {"bound": bound, "share": ripple / bound}
    wrong = {"bound": bound, "half_wave": 2 * bound, "peak": ripple / 2, "rms": ripple / np.sqrt(12)}
    yield Found({"ripple": ripple}, outside, facts, errors=wrong)


def twice(draw: Draw) -> Steps:
    """Ripple against capacitance."""
    words, farads, factor = draw.one_of(
        (("twice", "40u", 2.0), ("half", "10u", 0.5), ("three times", "60u", 3.0))
    )
    yield Asked({"times": words})
    reports = combo(), combo("C14", farads)
    one, two = (float(each.rails[0].ripple_pp_v) for each in reports)
    outside = of_row(handbook("worked_examples", id="W16")[0], {"left": 100 / factor}, 8)
    dc = [float(each.node("B1").dc_v) for each in reports]
    wrong = {"inverse": 100 * factor, "square": 100 / factor**2, "same": 100.0}
    facts = {"one": one, "two": two, "dc": dc}
    yield Found({"left": 100 * two / one}, outside, facts, errors=wrong)


def chain(draw: Draw) -> Steps:
    """Ripple from one filter to the next."""
    hertz = draw.one_of((60.0, 50.0))
    first = "18.5 V p-p" if hertz == 60 else "22 V p-p"
    yield Asked({"hertz": hertz, "twice": 2 * hertz, "first": first})
    result, keys = chain_ripple(hertz), ("B2", "B3", "B4")
    passed = np.cumprod([result[0], *(1 / (2 * np.pi * 2 * hertz * r * c) for r, c in DROPPERS)])
    outside = textbook(dict(zip(keys, map(float, passed[1:]), strict=True)), 20)
    reactance = 1 / (4 * np.pi * hertz * 20e-6)
    true = dict(zip(keys, result[1:], strict=True))
    errors = {"early": dict(zip(keys, result, strict=False)), "late": {"B2": true["B3"], "B3": true["B4"]}}
    yield Found(true, outside, {"reactance": reactance}, errors=errors)


def second(draw: Draw) -> Steps:  # noqa: ARG001 - every question draws, this one only an order
    """Which capacitor to double."""
    yield Asked({})
    row = handbook("rectifier_ratings", tube="5Y3GT")[0]
    left = {name: float(combo(name, "40u").rails[1].ripple_pp_v) for name in ("C14", "C15")}
    key = "C15" if abs(left["C14"] / left["C15"] - 1) < 0.1 else min(left, key=lambda name: left[name])
    facts = {
        **left, "before": float(combo().rails[1].ripple_pp_v), "allowed": row.number("C_in_max_uF"),
        "rectifier": combo().rectifiers[0].types[0],
    }  # fmt: skip
    yield Found(key, of_row(row, "C15"), facts)


def bled(draw: Draw) -> Steps:
    """How long the filters hold."""
    ohms, words, farads = draw.one_of(
        ((220e3, "220k", 80e-6), (100e3, "100k", 80e-6), (470e3, "470k", 80e-6))
    )
    yield Asked({"ohms": ohms, "farads": farads})
    held = discharged(words)
    start = float(held.volts[0])
    log = float(np.log(start / LIMIT_V))
    facts = {
        "constant": ohms * farads, "start": start, "limit": LIMIT_V, "log": log, "measure": MEASURE,
        "standard": cite("iec-60204-1"),
    }  # fmt: skip
    true = float(held.to_limit_s)
    errors = {"one": ohms * farads, "five": 5 * ohms * farads, "one_cap": true / 4}
    yield Found({"time": true}, textbook({"time": ohms * farads * log}, 10), facts, errors=errors)


# ---- lesson 8


@cache
def on_tap(place: int, line: float) -> float:
    """Heater volts of the head with its selector on a contact."""
    amp = load_amp(SELECTOR).changed({"S3.position": place}, mains_rms=line)
    return float(analyze(amp).tube("V3").heater_rms_v)


def heater(draw: Draw) -> Steps:
    """Heaters follow the line voltage."""
    line = draw.one_of((123.0, 126.0, 120.0, 114.0, 110.0))
    yield Asked({"line": line})
    home, volts = (float(combo(line=each).tube("V3").heater_rms_v) for each in (DESIGN, line))
    row, scaled = handbook("standards", topic="ANSI C84.1")[0], RATED_HEATER * line / DESIGN
    facts = {"home": home, "volts": volts, "row": row, "scaled": scaled}
    errors = scaled_wrong(home, line) | {"base": RATED_HEATER * line / 120.0}
    yield Found({"heater": volts}, of_row(row, {"heater": scaled}, 2), facts, errors=errors)


def scaled_wrong(home: float, line: float) -> dict[str, float]:
    """What comes of a value at the design line voltage by the usual errors of scaling."""
    times = line / DESIGN
    return {"square": home * times**2, "none": home, "inverse": home / times}


def bounds(draw: Draw) -> Steps:
    """Whether that is still within what tubes are made for."""
    line = draw.one_of((125.0, 130.0, 119.0, 105.0))
    yield Asked({"line": line})
    row, volts = (
        handbook("practice", topic="heater tolerance")[0],
        float(combo(line=line).tube("V3").heater_rms_v),
    )
    off = 100 * (volts / RATED_HEATER - 1)
    outside = of_row(row, deviation(100 * (line / DESIGN - 1)))
    yield Found(deviation(off), outside, {"volts": volts, "off": off, "row": row})


def deviation(off: float) -> str:
    """Which sentence a deviation [%] belongs to."""
    if abs(off) <= 5:
        return "good"
    return "fair" if abs(off) <= 10 else "high" if off > 0 else "low"


def supply(draw: Draw) -> Steps:
    """B+ follows too."""
    line = draw.one_of((123.0, 126.0, 110.0, 130.0))
    yield Asked({"line": line})
    volts, home = (float(combo(line=each).node("B1").dc_v) for each in (line, DESIGN))
    errors = scaled_wrong(home, line) | {"peak": np.sqrt(2) * volts}
    outside = textbook({"volts": 333.0 * line / DESIGN}, 2)
    yield Found({"volts": volts}, outside, {"home": home}, errors=errors)


def heat(draw: Draw) -> Steps:
    """Heat rises twice as fast as volts."""
    line = draw.one_of((123.0, 126.0, 130.0, 120.0))
    yield Asked({"line": line, "rise": line / DESIGN - 1})
    now, home = (combo(line=each).tube("V3") for each in (line, DESIGN))
    square = 100 * ((line / DESIGN) ** 2 - 1)
    facts = {"square": square, "home": float(home.plate_share), "now": float(now.plate_share)}
    change = 100 * (float(now.plate_w) / float(home.plate_w) - 1)
    wrong = {"linear": 100 * (line / DESIGN - 1), "none": 0.0, "cube": 100 * ((line / DESIGN) ** 3 - 1)}
    yield Found({"change": change}, textbook({"change": square}, 15), facts, errors=wrong)


def tap(draw: Draw) -> Steps:
    """Which tap of the selector."""
    line = draw.one_of((230.0, 207.0, 215.0, 238.0))
    yield Asked({"line": line})
    taps = {"200": 1, "220": 2, "240": 3}
    volts = {name: on_tap(place, line) for name, place in taps.items()}
    row = handbook("standards", topic="IEC 60038")[0]
    nearest = min(taps, key=lambda name: (abs(float(name) - line), -float(name)))
    words = "; ".join(f"on a {name} V line: {each:.2f} V" for name, each in volts.items())
    best = min(volts, key=lambda name: abs(volts[name] - RATED_HEATER))
    of = {name: {"gets": each} for name, each in volts.items()}
    yield Found(best, of_row(row, nearest), {"taps": words, "row": row, "of": of})


# ---- lesson 9


@cache
def hum_of(amp: str, changes: Changes = ()) -> Hum:
    """The hum of an amp with some changes."""
    return hum(load_amp(amp).changed(dict(changes)))


@cache
def balance(share: float) -> HumBalance:
    """The hum balance turned from end to end, one tube off by a share."""
    off = {"V1": share} if share else 0.0
    return hum_balance(load_amp(BALANCED), unbalance=off, positions=np.linspace(0.0, 1.0, 41))


def from_node(hum: Hum, node: str) -> float:
    """Hum at the speaker from one node, all its ways together [V rms]."""
    return float(np.sqrt((np.abs(sum(s.volts for s in hum.sources if s.node == node)) ** 2).sum()))


def rate(draw: Draw) -> Steps:
    """The pitch of ripple."""
    name, words, node = draw.one_of(
        (
            ("teasel", "a 117 V, 60 Hz combo with a full-wave rectifier", "B1"),
            ("burdock", "a 240 V, 50 Hz head with a full-wave rectifier", "B0"),
            ("burdock", "the single-diode bias supply of a 240 V, 50 Hz head", "bias_1"),
        )
    )
    yield Asked({"supply": words})
    result = hum_of(name)
    volts = np.sum([np.abs(s.volts[0]) for s in result.sources if s.node == node], axis=0)
    times = 1 if node == "bias_1" else 2
    line = load_amp(name).mains_hz
    outside = textbook({"rate": times * line}, 1)
    wrong = {"once" if times == 2 else "twice": (3 - times) * line, "abroad": times * (110.0 - line)}
    hertz = float(result.frequencies_hz[int(np.argmax(volts))])
    facts = {"pulses": "1 pulse" if times == 1 else "2 pulses"}
    yield Found({"rate": hertz}, outside, facts, errors=wrong)


def largest(draw: Draw) -> Steps:
    """Which source is the largest in a whole amp."""
    words, changes = draw.one_of(STATES)
    yield Asked({"state": words})
    result = hum_of(AMP, changes)
    shares = {node: from_node(result, node) for node in ("B1", "B3", "B4")}
    shares["heaters"] = float(np.sqrt((np.abs(result.of_kind("heater")) ** 2).sum()))
    ranked = sorted(shares.items(), key=lambda pair: -pair[1])
    names = words_of("09")["question"]["largest"]["options"]
    text = "; ".join(f"{names[key]} {show(volts, 'V')}" for key, volts in ranked)
    facts = {
        "sources": text, "first": names[ranked[0][0]], "most": ranked[0][1],
        "of": {key: {"volts": volts} for key, volts in ranked},
    }  # fmt: skip
    yield Found(ranked[0][0], facts=facts)


def cancels(draw: Draw) -> Steps:
    """What a mismatch does to the canceling."""
    emission = draw.one_of((0.7, 0.85, 0.5))
    yield Asked({"emission": emission})
    matched, off = (from_node(hum_of(AMP, c), "B1") for c in ((), (("V4.emission", emission),)))
    alone = max(float(s.rms[0]) for s in hum_of(AMP).sources if s.node == "B1")
    errors = {"all_gone": alone / matched, "ratio": 1 / emission}
    facts = {"matched": matched, "off": off, "alone": alone}
    yield Found({"times": off / matched}, facts=facts, errors=errors)


def null(draw: Draw) -> Steps:
    """Where the hum balance has its null."""
    share, words = draw.one_of(
        (
            (0.0, "All tubes are matched"),
            (0.2, "V1 picks up 20 % more from one heater lead than from the other"),
            (-0.2, "V1 picks up 20 % less from one heater lead than from the other"),
        )
    )
    yield Asked({"state": words})
    result, at = balance(share), (0.0, 30.0, 70.0, 100.0)
    volts = np.interp(at, 100 * result.positions, result.heater_v)
    yield Found(
        {f"at{k:.0f}": float(v) for k, v in zip(at, volts, strict=True)},
        practice({}),
        {"null": result.null, "depth": result.depth_db},
        (100 * result.positions, result.heater_v),
    )


RECTIFIER_SWAP = Lesson("04", (loaded, unloaded, rise, follows, reservoir))
RIPPLE = Lesson("05", (sawtooth, twice, chain, second, bled))
LINE_VOLTAGE = Lesson("08", (heater, bounds, supply, heat, tap))
HUM = Lesson("09", (rate, largest, cancels, null, from_file("09", "pulled")))

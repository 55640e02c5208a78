"""Lessons 2, 6 and 7: the load line of a triode, the coupling capacitor behind it, three tone controls."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np

from tubekit.amp import load_amp
from tubekit.amp.parts.faults import LEAK, NO_LEAK, CircuitParameter
from tubekit.amp.settings import apply_settings
from tubekit.analyses.operating_point import operating_point
from tubekit.analyses.small_signal import frequency_response
from tubekit.circuit.parts import GROUND, Capacitor, Circuit, Resistor, VoltageSource
from tubekit.decisions.population import with_fault_ports
from tubekit.decisions.probe import Probe, meter_values
from tubekit.devices import tube
from tubekit.lessons.lesson import Asked, Draw, Found, Lesson, Steps, of_row, textbook
from tubekit.lessons.question import Outside, Prediction
from tubekit.lessons.score import Within
from tubekit.result_fields import Array
from tubekit.tables import Row, handbook
from tubekit.textbook import three_control
from tubekit.textbook.bias_stage import BiasStage, bias_stage
from tubekit.textbook.tone import THREE
from tubekit.units import show

TUBE, FIRST = "12AX7", (250.0, 0.1)
AMP, GRID_LEAK, BEFORE_V = "teasel", 220e3, 207.0
PLACES = (
    Probe("dc_v", ("g3", GROUND)),
    Probe("dc_v", ("p2b", GROUND)),
    Probe("dc_a", ("V3", "plate")),
    Probe("dc_a", ("V4", "plate")),
    Probe("dc_v", ("k34", GROUND)),
)
LEAKS = (50e3, 100e3, 300e3, 500e3, 1e6)
HERTZ = np.geomspace(20.0, 20e3, 181)
SKETCHED = (50, 200, 500, 2000, 10000)
PARTS = (
    "treble 100 kΩ, middle 10 kΩ, bass 400 kΩ; slope resistor 22.4 kΩ; treble cap 625 pF, bass and middle "
    "caps 50 nF"
)
CONTROLS = {"treble": "treble", "middle": "mid", "bass": "bass"}
HALF = dict.fromkeys(CONTROLS, 0.5)


# ---- lesson 2


def ecc83_rows() -> list[Row]:
    """ECC83 stages of a maker's table; the one to begin with first."""
    rows = handbook("rc_coupled", tube="ECC83")
    return sorted(rows, key=lambda r: (r["Ebb_V"], r["Rp_Mohm"]) != FIRST)


def plate_ohms(row: Row) -> float:
    """Plate resistor [Ω]."""
    return 1e6 * row.number("Rp_Mohm")


def ac_load(row: Row) -> float:
    """Plate resistor in parallel with the next grid leak [Ω]."""
    return 1.0 / (1.0 / plate_ohms(row) + 1e-6 / row.number("Rg_next_Mohm"))


def triode_stage(row: Row, load: float | None = None, cathode: float | None = None) -> BiasStage:
    """The stage solved."""
    return bias_stage(
        TUBE,
        supply=row.number("Ebb_V"),
        load=load or plate_ohms(row),
        cathode=cathode or row.number("Rk_ohm"),
        bypass_f=25e-6,
        next_grid=1e6 * row.number("Rg_next_Mohm"),
    )


def stage_facts(row: Row) -> dict[str, object]:
    """What is known of a stage."""
    return {
        "row": row, "plate_ohms": plate_ohms(row), "cathode": row.number("Rk_ohm"),
        "leak": 1e6 * row.number("Rg_next_Mohm"),
    }  # fmt: skip


def line(draw: Draw) -> Steps:
    """The two ends of the load line."""
    row = draw.one_of(ecc83_rows())
    ends = {"foot": row.number("Ebb_V"), "head": row.number("Ebb_V") / plate_ohms(row)}
    yield Asked(stage_facts(row))
    tube_ohms = handbook("tubes_characteristics", tube=TUBE)[0].number("rp_ohm")
    errors = {
        "ac_load": {"head": row.number("Ebb_V") / ac_load(row)},
        "tube": {"head": row.number("Ebb_V") / (plate_ohms(row) + tube_ohms)},
        "half": {key: end / 2 for key, end in ends.items()},
    }
    yield Found(ends, textbook(ends), errors=errors)


def idle(draw: Draw) -> Steps:
    """Where on the line the tube idles."""
    row = draw.one_of(ecc83_rows())
    supply, ohms = row.number("Ebb_V"), plate_ohms(row)
    head = supply / ohms
    yield Asked(
        {**stage_facts(row), "third": head / 3},
        handles={"idle": {"high": head, "step": head / 200}},
        picture={"amps": 1.05 * head, "supply": supply, "ohms": ohms + row.number("Rk_ohm")},
    )
    stage = triode_stage(row)
    yield Found(
        {"idle": stage.plate_a},
        of_row(row, {"idle": row.number("Ia_mA") / 1e3}, 7),
        {
            "amps": stage.plate_a, "bias": stage.bias_v, "plate": stage.plate_v,
            "height": (stage.plate_v + stage.bias_v) / supply,
        },
        errors={"middle": head / 2, "no_bias": triode_stage(row, cathode=1.0).plate_a},
    )  # fmt: skip


def gain(draw: Draw) -> Steps:
    """How much of mu is left."""
    row = draw.one_of(ecc83_rows())
    yield Asked(stage_facts(row))
    stage, mu = triode_stage(row), handbook("tubes_characteristics", tube=TUBE)[0].number("mu")
    result = stage.gain_bypassed
    far = abs(result / row.number("gain") - 1) > 0.1
    miss = "this row disagrees with its neighbors in the table (confidence 75 %)" if far else ""
    no_leak = mu / (1 + (mu / result - 1) * ac_load(row) / plate_ohms(row))
    errors = {"mu": mu, "no_leak": no_leak, "unbypassed": stage.gain_bare}
    outside = of_row(row, {"gain": row.number("gain")}, 10, miss)
    yield Found({"gain": result}, outside, errors=errors)


def without_bypass(draw: Draw) -> Steps:
    """What is left of the gain when the bypass dries out."""
    row = draw.one_of(ecc83_rows())
    yield Asked(stage_facts(row))
    stage, load = triode_stage(row), ac_load(row)
    volts = 250.0 if row.number("Ebb_V") > 240 else 100.0
    maker = handbook("tubes_characteristics", tube=TUBE, Va_V=volts)[0]
    ground = load + maker.number("rp_ohm")
    left = 100 * ground / (ground + (maker.number("mu") + 1) * row.number("Rk_ohm"))
    true = 100 * stage.gain_bare / stage.gain_bypassed
    once = 100 * ground / (ground + row.number("Rk_ohm"))
    yield Found(
        {"left": true},
        of_row(maker, {"left": left}, 15),
        {"maker": maker, "kilohms": maker.number("rp_ohm") / 1e3},
        errors={"lost": 100 - true, "no_mu": once, "all": 100.0},
    )


def larger_resistor(draw: Draw) -> Steps:
    """Which way the idle point goes; in the maker's rows, from one plate resistor to the next at one B+."""
    row = draw.one_of([each for each in ecc83_rows() if each.number("Rp_Mohm") < 0.2])
    other = 2.2 * plate_ohms(row)
    yield Asked({**stage_facts(row), "other": other})
    before, after = triode_stage(row), triode_stage(row, other)
    one_v, two_v = (each.plate_v + each.bias_v for each in (before, after))
    larger = next(
        each
        for each in handbook("rc_coupled", tube="ECC83")
        if each["Ebb_V"] == row["Ebb_V"] and each.number("Rp_Mohm") > row.number("Rp_Mohm")
    )
    milliamps = [each.number("Ia_mA") for each in (row, larger)]
    plates = [
        row.number("Ebb_V") - 1e-3 * amps * plate_ohms(each)
        for amps, each in zip(milliamps, (row, larger), strict=True)
    ]
    yield Found(
        f"{_way(before.plate_a, after.plate_a)}/{_way(one_v, two_v)}",
        of_row(row, f"{_way(*milliamps)}/{_way(*plates)}"),
        {
            "one": before.plate_a, "two": after.plate_a, "one_v": one_v, "two_v": two_v, "plates": plates,
            "milliamps": milliamps, "kilohms": [1e-3 * plate_ohms(each) for each in (row, larger)],
        },
    )  # fmt: skip


def _way(before: float, after: float) -> str:
    return "falls" if after < before else "rises"


# ---- lesson 6


@cache
def leaking(ohms: float) -> Array:
    """What the combo shows at PLACES as drawn and with C11 leaking, (2, M)."""
    amp = load_amp(AMP)
    leak = CircuitParameter("C11" + LEAK, "ohms")
    circuit = apply_settings(
        with_fault_ports(amp).circuit, {leak: (np.array([1.0, ohms / NO_LEAK]), np.zeros(2))}
    )
    return meter_values(amp, circuit, PLACES).values


def grid_volts(draw: Draw) -> Steps:
    """The divider of leak and grid leak."""
    ohms = draw.one_of((20e6, 40e6, 12e6))
    yield Asked({"ohms": ohms, "plate": BEFORE_V, "leak": GRID_LEAK})
    drawn, faulty = leaking(ohms)
    outside = textbook({"volts": BEFORE_V * GRID_LEAK / (GRID_LEAK + ohms)}, 6)
    errors = {"all": BEFORE_V, "across": BEFORE_V * ohms / (GRID_LEAK + ohms)}
    facts = {"before": faulty[1], "good": abs(drawn[0])}
    yield Found({"volts": float(faulty[0])}, outside, facts, errors=errors)


def partner(draw: Draw) -> Steps:
    """One tube of a pair runs hot, the other cold."""
    ohms = draw.one_of((15e6, 25e6, 30e6))
    yield Asked({"ohms": ohms, "grid": BEFORE_V * GRID_LEAK / (GRID_LEAK + ohms)})
    drawn, faulty = leaking(ohms)
    own, other = 100 * (faulty[2:4] / drawn[2:4] - 1)
    together = faulty[2:4].sum() / drawn[2:4].sum() - 1
    yield Found(
        {"own": float(own), "other": float(other)},
        facts={"before": drawn[4], "after": faulty[4], "together": together},
        errors={
            "alone": {"own": 100 * (grown(float(faulty[0])) - 1)}, "sign": {"other": float(own)},
            "none": {"other": 0.0},
        },
    )  # fmt: skip


def grown(volts: float) -> float:
    """How many times the current of a 6V6GT with volts at its grid and nothing that limits it."""
    type_, at = tube("6V6GT"), {"plate": 310.0, "screen": 274.0}
    return float(type_.at(**at, grid=-18.5 + volts).plate_a / type_.at(**at, grid=-18.5).plate_a)


def fixed(draw: Draw) -> Steps:
    """Who suffers more."""
    volts = draw.one_of((2.6, 3.5, 4.2))
    yield Asked({"volts": volts})
    bare = grown(volts)
    drawn, faulty = leaking(GRID_LEAK * (BEFORE_V / volts - 1.0))
    shared = faulty[2] / drawn[2]
    key = "fixed" if bare > shared else "cathode"
    yield Found(key, textbook("fixed"), {"bare": bare - 1, "shared": shared - 1})


def meter(draw: Draw) -> Steps:
    """A meter is a resistor too."""
    words, ohms = draw.one_of(
        (
            ("a meter of 10 MΩ", 10e6),
            ("a meter of 20 kΩ per volt on its 10 V range (200 kΩ)", 200e3),
            ("a meter of 1 MΩ", 1e6),
        )
    )
    yield Asked({"meter": words})
    leak, grid = 99e6, 1e6
    parts = (
        VoltageSource("E", "plate", GROUND, 200.0),
        Resistor("R1", "plate", "grid", leak),
        Resistor("R2", "grid", GROUND, grid),
        Resistor("R3", "grid", GROUND, ohms),
    )
    yield Found(
        {"shown": float(operating_point(Circuit(parts)).volts("grid"))},
        textbook({"shown": 2.0 * ohms / (ohms + 1e6)}, 2),
        {"parallel": 1 / (1 / grid + 1 / ohms)},
        errors={"none": 2.0},
    )


def largest_leak(draw: Draw) -> Steps:
    """What makers allow from grid to bias."""
    type_ = draw.one_of(("6V6GT", "EL34", "EL84", "6550"))
    yield Asked({"type": type_}, {f"{ohms:.0f}": show(ohms, "ohm") for ohms in LEAKS})
    row = next(r for r in handbook("tubes_max_ratings") if r.text("tube") == type_)
    limit, printed = float(tube(type_).ratings.grid_leak_fixed or 0.0), row.number("Rg_fixed_max_ohm")
    of = {f"{ohms:.0f}": {"side": "larger" if ohms > limit else "smaller"} for ohms in LEAKS}
    facts = {"limit": limit, "rise": 2e-6 * limit, "printed": printed, "of": of}
    yield Found(f"{limit:.0f}", of_row(row, f"{printed:.0f}"), facts)


def corner(draw: Draw) -> Steps:
    """Where the coupling takes 3 dB."""
    farads, ohms = draw.one_of(((22e-9, 220e3), (100e-9, 220e3), (2.2e-9, 1e6), (10e-9, 470e3)))
    yield Asked({"farads": farads, "ohms": ohms})
    parts = (Capacitor("C1", "in", "out", farads), Resistor("R1", "out", GROUND, ohms))
    hertz = np.geomspace(0.1, 1e4, 4001)
    level = np.abs(frequency_response(operating_point(Circuit(parts)), "in", ["out"], hertz).gain[0, :, 0])
    outside = textbook({"corner": 1 / (2 * np.pi * ohms * farads)}, 1)
    errors = {"omega": 1 / (ohms * farads), "doubled": 1 / (np.pi * ohms * farads)}
    yield Found({"corner": float(hertz[np.argmax(level >= np.sqrt(0.5))])}, outside, errors=errors)


# ---- lesson 7


def response(hertz: Array | Sequence[float], slope: float = THREE["slope"], **turns: float) -> Array:
    """Output over input [dB] at each frequency; turns are shares of the tracks."""
    circuit = three_control(**turns, parts={"slope": slope})
    level = frequency_response(operating_point(circuit), "in", ["out"], list(hertz)).gain[0, :, 0]
    return np.asarray(20 * np.log10(np.abs(level)))


def turns_of(row: Row) -> dict[str, float]:
    """Controls as a line of the handbook has them."""
    return {name: row.number(key) for name, key in CONTROLS.items()}


def turns_words(row: Row) -> str:
    """'treble full, middle half, bass half'."""
    words = {0.5: "half", 1.0: "full", 0.001: "zero"}
    return ", ".join(f"{name} {words[turn]}" for name, turn in turns_of(row).items())


def _network(row: Row, value: Prediction, source: str = "three_control_network") -> Outside:
    """What the handbook's transfer function says."""
    where = f"data/handbook: {source} ({row.where})"
    return Outside("", where, row.status, value, Within(absolute=0.05))


def sketch(draw: Draw) -> Steps:
    """The response by five points."""
    row = draw.one_of(handbook("three_control_network"))
    yield Asked({"turned": turns_words(row), "parts": PARTS})
    turns = turns_of(row)
    levels = response(SKETCHED, **turns)
    scaled = "three_control_network, worked example W19 scaled in impedance"
    yield Found(
        {f"at{f}": float(db) for f, db in zip(SKETCHED, levels, strict=True)},
        _network(row, {f"at{f}": row.number(f"dB_{f}Hz") for f in SKETCHED}, scaled),
        {"loss": -response((1000.0,), **turns)[0]},
        (HERTZ, response(HERTZ, **turns)),
        {
            "flat": dict.fromkeys((f"at{f}" for f in SKETCHED), 0.0),
            "noon": dict(zip((f"at{f}" for f in SKETCHED), response(SKETCHED, **HALF).tolist(), strict=True)),
        },
    )


def loss(draw: Draw) -> Steps:
    """What it costs at 1 kHz."""
    rows = handbook("three_control_network")
    row = draw.one_of((rows[3], rows[1], rows[4], rows[0]))
    yield Asked({"turned": turns_words(row), "parts": PARTS})
    level = float(response((1000.0,), **turns_of(row))[0])
    outside = _network(row, {"level": row.number("dB_1000Hz")})
    noon = float(response((1000.0,), **HALF)[0])
    errors = {"flat": 0.0, "noon": noon, "power": level / 2}
    facts = {"loss": -level, "factor": 10 ** (-level / 20)}
    yield Found({"level": level}, outside, facts, errors=errors)


def dip(draw: Draw) -> Steps:
    """Where the dip lies, and what moves it."""
    slope = draw.one_of((THREE["slope"], 39e3, 15e3))
    yield Asked({"slope": slope, "parts": PARTS.replace("22.4 kΩ", show(slope, "ohm"))})
    curve = response(HERTZ, slope, **HALF)
    inside = (HERTZ > 100) & (HERTZ < 5000)
    first = handbook("three_control_network")[0]
    columns = {f: first.number(f"dB_{f}Hz") for f in (200, 500, 1000, 2000)}
    lowest = min(columns, key=lambda f: columns[f])
    yield Found(
        {"dip": float(HERTZ[inside][np.argmin(curve[inside])])},
        of_row(handbook("worked_examples", id="W19")[0], {}),
        {"usual": THREE["slope"], "lowest": lowest, "least": columns[lowest], "at500": columns[500]},
        (HERTZ, curve),
    )


def middle(draw: Draw) -> Steps:
    """Which part of the range a control moves; the handbook has only the treble control alone at zero."""
    control = draw.one_of(("middle", "treble", "bass"))
    yield Asked({"control": control, "parts": PARTS})
    asked = (50.0, 500.0, 5000.0)
    moved = np.abs(response(asked, **HALF) - response(asked, **{**HALF, control: 0.001}))
    facts: dict[str, object] = {
        "moves": ", ".join(f"{f:g} Hz by {m:.1f} dB" for f, m in zip(asked, moved, strict=True)),
        "of": {f"{f:g}": {"least": m} for f, m in zip(asked, moved, strict=True)},
    }
    outside = None
    if control == "treble":
        rows = handbook("three_control_network")
        listed = [abs(rows[0].number(f"dB_{f:.0f}Hz") - rows[4].number(f"dB_{f:.0f}Hz")) for f in asked]
        facts["rows"] = ", ".join(f"{m:.1f} dB at {f:g} Hz" for f, m in zip(asked, listed, strict=True))
        outside = _network(rows[4], f"{asked[int(np.argmax(listed))]:g}")
    yield Found(f"{asked[int(np.argmax(moved))]:g}", outside, facts)


LOAD_LINE = Lesson("02", (line, idle, gain, without_bypass, larger_resistor))
COUPLING = Lesson("06", (grid_volts, partner, fixed, meter, largest_leak, corner))
TONE_CONTROLS = Lesson("07", (sketch, loss, dip, middle))

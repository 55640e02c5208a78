"""Lesson 6: the coupling capacitor and the grid leak behind it."""

from __future__ import annotations

from functools import cache

import numpy as np

from tubekit.amp import load_amp
from tubekit.amp.parts.variables import LEAK, NO_LEAK, Knob
from tubekit.analyses.operating_point import operating_point
from tubekit.analyses.small_signal import frequency_response
from tubekit.circuit.parts import GROUND, Capacitor, Circuit, Resistor, VoltageSource
from tubekit.decisions.instrument import instrumented, turned
from tubekit.decisions.probe import Probe, shown
from tubekit.devices import tube
from tubekit.panels.lessons.course import Lesson
from tubekit.panels.lessons.draw import Draw
from tubekit.panels.lessons.ohms_law import HAND
from tubekit.panels.lessons.outside import of_row, textbook
from tubekit.panels.lessons.question import Answer, Choice, Handle, Numbers, Question
from tubekit.panels.lessons.score import Within
from tubekit.tables import handbook
from tubekit.units import show

AMP = "teasel"
GRID_LEAK, BEFORE_V = 220e3, 207.0
PLACES = (
    Probe("dc_v", ("g3", GROUND)),
    Probe("dc_v", ("p2b", GROUND)),
    Probe("dc_a", ("V3", "plate")),
    Probe("dc_a", ("V4", "plate")),
    Probe("dc_v", ("k34", GROUND)),
)


@cache
def leaking(ohms: float) -> np.ndarray:
    """What the combo shows at PLACES as drawn and with C11 leaking, (2, M)."""
    amp = load_amp(AMP)
    leak = Knob("C11" + LEAK, "ohms")
    factor = np.array([1.0, ohms / NO_LEAK])
    circuit = turned(instrumented(amp).circuit, {leak: (factor, np.zeros(2))})
    return shown(amp, circuit, PLACES).values


def grid_volts(draw: Draw) -> Question:
    """The divider of leak and grid leak."""
    ohms = draw.one_of((20e6, 40e6, 12e6))

    def work() -> Answer:
        drawn, faulty = leaking(ohms)
        return Answer(
            {"volts": float(faulty[0])},
            (
                (
                    "The leakage and the grid leak form a divider from the previous plate: "
                    f"{faulty[1]:.0f} V × 220 kΩ divided by the sum of both. An ohmmeter tests at only "
                    f"a few volts, so it often misses a leak of {show(ohms, 'ohm')}."
                ),
                (
                    f"With a good capacitor the grid reads {abs(drawn[0]):.2f} V. Any steady DC voltage "
                    "there is a fault."
                ),
            ),
            textbook("a divider", {"volts": BEFORE_V * GRID_LEAK / (GRID_LEAK + ohms)}, Within(6)),
        )

    return Question(
        "grid_volts",
        (
            "The coupling cap between the phase inverter and a power tube's grid leaks: "
            f"{show(ohms, 'ohm')}. What is the grid voltage?"
        ),
        Numbers((Handle("volts", "grid to chassis", "V", 0.01, 200.0, Within(15)),)),
        (
            "The leaky capacitor and the grid leak carry the same current.",
            "They form a divider: what share of the voltage is across the grid leak?",
        ),
        work,
        {"plate ahead of the capacitor": f"{BEFORE_V:g} V", "grid leak": show(GRID_LEAK, "ohm")},
        caution=HAND,
    )


def partner(draw: Draw) -> Question:
    """One tube of a pair runs hot, the other cold."""
    ohms = draw.one_of((15e6, 25e6, 30e6))

    def work() -> Answer:
        drawn, faulty = leaking(ohms)
        change = 100 * (faulty[2:4] / drawn[2:4] - 1)
        return Answer(
            {"own": float(change[0]), "other": float(change[1])},
            (
                (
                    "Its grid rises, so V3 draws more. The common cathode rises with it, from "
                    f"{drawn[4]:.1f} to {faulty[4]:.1f} V, and that reduces the current in V4."
                ),
                (
                    f"Together they draw {100 * (faulty[2:4].sum() / drawn[2:4].sum() - 1):+.0f} %, so "
                    "the voltage at the shared cathode barely shows it. Measure each tube's current, "
                    "or the grids."
                ),
            ),
        )

    return Question(
        "partner",
        (
            "V3 and V4 share a cathode resistor. The coupling cap at V3's grid leaks, "
            f"{show(ohms, 'ohm')}, so V3's grid reads {BEFORE_V * GRID_LEAK / (GRID_LEAK + ohms):.1f} "
            "V. How much does each plate current change? Use a minus sign for a drop."
        ),
        Numbers(
            (
                Handle("own", "V3, the leaky side", "%", -60.0, 100.0, Within(absolute=9), step=1.0),
                Handle("other", "V4, the other tube", "%", -60.0, 100.0, Within(absolute=9), step=1.0),
            )
        ),
        (
            "Here a 6V6GT draws about 3 mA more for each volt at its grid.",
            "What happens at the shared resistor when V3 draws more?",
            "V4 loses about as much as V3 gains.",
        ),
        work,
        {"each at idle": "32.9 mA", "bias": "18.5 V", "tubes": "6V6GT"},
    )


def fixed(draw: Draw) -> Question:
    """Who suffers more."""
    volts = draw.one_of((2.6, 3.5, 4.2))

    def work() -> Answer:
        type_, at = tube("6V6GT"), {"plate": 310.0, "screen": 274.0}
        bare = type_.at(**at, grid=-18.5 + volts).plate_a / type_.at(**at, grid=-18.5).plate_a
        drawn, faulty = leaking(GRID_LEAK * (BEFORE_V / volts - 1.0))
        held = faulty[2] / drawn[2]
        return Answer(
            "fixed" if bare > held else "cathode",
            (
                (
                    f"{volts:g} V more at the grid: {100 * (bare - 1):+.0f} % in fixed bias, "
                    f"{100 * (held - 1):+.0f} % for the same tube in a pair with a shared cathode "
                    "resistor. Nothing limits the current of a fixed-bias tube: its plate can glow red."
                ),
            ),
            textbook("a cathode resistor gives DC feedback", "fixed"),
        )

    return Question(
        "fixed",
        (
            f"The same leak puts {volts:g} V on one grid, in an amp with fixed bias and in one with a "
            "shared cathode resistor. Which tube draws more?"
        ),
        Choice(
            draw.shuffled(
                {
                    "fixed": "the one in fixed bias",
                    "cathode": "the one in cathode bias",
                    "same": "both draw the same",
                }
            )
        ),
        ("What happens at the cathode when the current rises?",),
        work,
        {"tubes": "6V6GT at 310 V, 18.5 V of bias"},
    )


def meter(draw: Draw) -> Question:
    """A meter is a resistor too."""
    words, ohms = draw.one_of(
        (
            ("a meter of 10 MΩ", 10e6),
            ("a meter of 20 kΩ per volt on its 10 V range (200 kΩ)", 200e3),
            ("a meter of 1 MΩ", 1e6),
        )
    )

    def work() -> Answer:
        leak, grid = 99e6, 1e6
        parts = (
            VoltageSource("E", "plate", GROUND, 200.0),
            Resistor("R1", "plate", "grid", leak),
            Resistor("R2", "grid", GROUND, grid),
            Resistor("R3", "grid", GROUND, ohms),
        )
        volts = float(operating_point(Circuit(parts)).volts("grid"))
        return Answer(
            {"shown": volts},
            (
                (
                    "The meter is in parallel with the grid leak: "
                    f"{show(1 / (1 / grid + 1 / ohms), 'ohm')} for 1 MΩ. The leakage current hardly "
                    "changes, so it makes less voltage across the lower resistance."
                ),
                (
                    "Know your meter's input resistance before you measure at a grid. A reading that "
                    "is too low makes a leaky capacitor look good."
                ),
            ),
            textbook(
                "the source resistance and the meter form a divider",
                {"shown": 2.0 * ohms / (ohms + 1e6)},
                Within(2),
            ),
        )

    return Question(
        "meter",
        (
            f"A leaky coupling cap holds a grid at 2.00 V. You measure it with {words}. What does the "
            "meter show?"
        ),
        Numbers((Handle("shown", "meter reading", "V", 0.0, 3.0, Within(6), step=0.01),)),
        (
            "The meter is a resistor from grid to chassis, in parallel with the grid leak.",
            "How many ohms is that with 1 MΩ in parallel? The leakage current through them stays the same.",
        ),
        work,
        {"grid leak": "1 MΩ", "without a meter": "2.00 V"},
    )


def largest_leak(draw: Draw) -> Question:
    """What makers allow from grid to bias."""
    type_ = draw.one_of(("6V6GT", "EL34", "EL84", "6550"))
    row = next(r for r in handbook("tubes_max_ratings") if r.text("tube") == type_)
    values = (50e3, 100e3, 300e3, 500e3, 1e6)

    def work() -> Answer:
        limit = float(tube(type_).ratings.grid_leak_fixed or 0.0)
        return Answer(
            f"{limit:.0f}",
            (
                (
                    "A little gas in a power tube drives current out of its grid: 2 µA through "
                    f"{show(limit, 'ohm')} raises the grid by {2e-6 * limit:.1f} V. In fixed bias that "
                    "can run away. In cathode bias the maker allows more."
                ),
            ),
            of_row(
                row,
                f"{type_}: {show(row.number('Rg_fixed_max_ohm'), 'ohm')} in fixed bias",
                f"{row.number('Rg_fixed_max_ohm'):.0f}",
            ),
        )

    return Question(
        "largest_leak",
        (
            "A larger grid leak loads the previous stage less. What is the largest its maker allows "
            f"for a {type_} in fixed bias?"
        ),
        Choice({f"{ohms:.0f}": show(ohms, "ohm") for ohms in values}),
        (
            "It is smaller than for a small triode.",
            "A larger tube has more gas current, so its grid leak must be smaller.",
        ),
        work,
    )


def corner(draw: Draw) -> Question:
    """Where the coupling takes 3 dB."""
    farads, ohms = draw.one_of(((22e-9, 220e3), (100e-9, 220e3), (2.2e-9, 1e6), (10e-9, 470e3)))

    def work() -> Answer:
        parts = (Capacitor("C1", "in", "out", farads), Resistor("R1", "out", GROUND, ohms))
        hertz = np.geomspace(0.1, 1e4, 4001)
        gain = np.abs(frequency_response(operating_point(Circuit(parts)), "in", ["out"], hertz).gain[0, :, 0])
        return Answer(
            {"corner": float(hertz[np.argmax(gain >= np.sqrt(0.5))])},
            (
                (
                    "That is where the reactance of the capacitor equals the grid leak, "
                    f"{show(ohms, 'ohm')}. Below that, the level drops by 6 dB per octave. The lowest "
                    "note of a guitar is 82 Hz, of a bass guitar 41 Hz."
                ),
            ),
            textbook("1 / (2 π R C)", {"corner": 1 / (2 * np.pi * ohms * farads)}, Within(1)),
        )

    return Question(
        "corner",
        (
            f"A coupling cap of {show(farads, 'F')} feeds {show(ohms, 'ohm')}. At what frequency is it down "
            "3 dB?"
        ),
        Numbers((Handle("corner", "3 dB down at", "Hz", 0.5, 5000.0, Within(15)),)),
        ("At what frequency does the reactance of the capacitor equal the grid leak?", "1 / (2 π R C)."),
        work,
    )


LESSON = Lesson(
    "06",
    "What does a leaky coupling cap do to a power tube?",
    (
        "A combo with two 6V6GT and a shared cathode resistor. The coupling caps from the phase "
        "inverter are waxed paper."
    ),
    (grid_volts, partner, fixed, meter, largest_leak, corner),
)

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
                    f"Leak and grid leak are a divider from the plate before: {faulty[1]:.0f} V × "
                    f"220 kΩ over the sum of both. Of {show(ohms, 'ohm')} an ohmmeter with a few "
                    "volts often shows nothing at all."
                ),
                f"As drawn the grid stands at {abs(drawn[0]):.2f} V. Any steady voltage there is a finding.",
            ),
            textbook("a divider", {"volts": BEFORE_V * GRID_LEAK / (GRID_LEAK + ohms)}, Within(6)),
        )

    return Question(
        "grid_volts",
        (
            "A coupling capacitor between the inverter and a power tube's grid leaks: "
            f"{show(ohms, 'ohm')}. What does the grid stand at?"
        ),
        Numbers((Handle("volts", "grid to chassis", "V", 0.01, 200.0, Within(15)),)),
        (
            "The leak and the grid leak carry the same current.",
            "Both are a divider: what part falls across the grid leak?",
        ),
        work,
        {"plate before the capacitor": f"{BEFORE_V:g} V", "grid leak": show(GRID_LEAK, "ohm")},
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
                    f"{drawn[4]:.1f} to {faulty[4]:.1f} V, and that throttles V4."
                ),
                (
                    f"Together they draw {100 * (faulty[2:4].sum() / drawn[2:4].sum() - 1):+.0f} "
                    "%: the reading at the common cathode hardly tells. Only each tube by itself "
                    "does, or the grid."
                ),
            ),
        )

    return Question(
        "partner",
        (
            "V3 and V4 share a cathode resistor. The capacitor at V3's grid leaks with "
            f"{show(ohms, 'ohm')}, so that its grid stands at "
            f"{BEFORE_V * GRID_LEAK / (GRID_LEAK + ohms):.1f} V. By how much does the "
            "plate current of each change? Down is minus."
        ),
        Numbers(
            (
                Handle("own", "V3, whose grid it is", "%", -60.0, 100.0, Within(absolute=9), step=1.0),
                Handle("other", "V4, its partner", "%", -60.0, 100.0, Within(absolute=9), step=1.0),
            )
        ),
        (
            "A 6V6GT answers a volt at its grid with some 3 mA here.",
            "What does the common resistor do when V3 draws more?",
            "About what V3 gains V4 loses.",
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
                    f"{volts:g} V more at the grid: in fixed bias {100 * (bare - 1):+.0f} %, in "
                    f"the pair on a common resistor {100 * (held - 1):+.0f} % for the same tube. "
                    "Nothing holds a fixed-bias tube; its plate may glow."
                ),
            ),
            textbook("a cathode resistor feeds back on the direct current", "fixed"),
        )

    return Question(
        "fixed",
        (
            f"The same leak, {volts:g} V at one grid: once in an amp with fixed bias, "
            "once in one with a common cathode resistor. Whose tube draws more?"
        ),
        Choice(
            draw.shuffled(
                {
                    "fixed": "that in fixed bias",
                    "cathode": "that in cathode bias",
                    "same": "both the same",
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
                    "The meter lies beside the grid leak: "
                    f"{show(1 / (1 / grid + 1 / ohms), 'ohm')} for 1 MΩ. The leak of the "
                    "capacitor hardly notices, so its current now makes fewer volts."
                ),
                (
                    "At a grid the meter's own resistance is the first thing to know. A reading "
                    "that is too low looks like a good capacitor."
                ),
            ),
            textbook(
                "source resistance and meter are a divider", {"shown": 2.0 * ohms / (ohms + 1e6)}, Within(2)
            ),
        )

    return Question(
        "meter",
        (
            "Leak through a capacitor holds a grid at 2.00 V. You measure it with "
            f"{words}. What does the meter show?"
        ),
        Numbers((Handle("shown", "the meter shows", "V", 0.0, 3.0, Within(6), step=0.01),)),
        (
            "The meter is a resistor from grid to chassis, beside the grid leak.",
            "What is 1 MΩ beside it? The current through both is the leak's, and stays.",
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
                    "A little gas in a power tube sends current out of its grid: 2 µA across "
                    f"{show(limit, 'ohm')} lift the grid by {2e-6 * limit:.1f} V, and in fixed "
                    "bias that runs away. In cathode bias the maker allows more."
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
            "A larger grid leak would load the stage before less. What is the largest "
            f"that its maker allows a {type_} in fixed bias?"
        ),
        Choice({f"{ohms:.0f}": show(ohms, "ohm") for ohms in values}),
        (
            "It is less than for a small triode.",
            "The larger the tube, the more gas current, the smaller the leak.",
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
                    f"There the capacitor has as many ohms as the leak, {show(ohms, 'ohm')}. "
                    "Below, each octave loses up to 6 dB. The lowest note of a guitar is 82 Hz, "
                    "of a bass 41 Hz."
                ),
            ),
            textbook("1 / (2 π R C)", {"corner": 1 / (2 * np.pi * ohms * farads)}, Within(1)),
        )

    return Question(
        "corner",
        f"A coupling of {show(farads, 'F')} into {show(ohms, 'ohm')}. At which frequency has it taken 3 dB?",
        Numbers((Handle("corner", "3 dB down at", "Hz", 0.5, 5000.0, Within(15)),)),
        ("Where has the capacitor as many ohms as the grid leak?", "1 / (2 π R C)."),
        work,
    )


LESSON = Lesson(
    "06",
    "What does a leaky coupling capacitor do to a power tube?",
    (
        "A combo with two 6V6GT on a common cathode resistor; the capacitors from "
        "its inverter are of waxed paper."
    ),
    (grid_volts, partner, fixed, meter, largest_leak, corner),
)

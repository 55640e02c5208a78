"""Lesson 7: the network with treble, middle and bass."""

from __future__ import annotations

import numpy as np

from tubekit.analyses.operating_point import operating_point
from tubekit.analyses.small_signal import frequency_response
from tubekit.panels.lessons.course import Lesson
from tubekit.panels.lessons.draw import Draw
from tubekit.panels.lessons.outside import of_row
from tubekit.panels.lessons.question import Answer, Choice, Handle, Numbers, Outside, Picture, Question
from tubekit.panels.lessons.score import Within
from tubekit.tables import Row, handbook
from tubekit.textbook import three_control
from tubekit.textbook.tone import THREE
from tubekit.units import show

Array = np.ndarray
HERTZ = np.geomspace(20.0, 20e3, 181)
SKETCHED = (50.0, 200.0, 500.0, 2000.0, 10000.0)
PARTS = (
    "treble 100 kΩ, middle 10 kΩ, bass 400 kΩ; slope resistor 22.4 kΩ; treble cap 625 pF, bass and middle "
    "caps 50 nF"
)
KEYS = ("treble", "mid", "bass")


def response(hertz: Array | tuple[float, ...], slope: float = THREE["slope"], **turns: float) -> Array:
    """Output over input [dB] at each frequency; turns are shares of the tracks."""
    circuit = three_control(**turns, parts={"slope": slope})
    gain = frequency_response(operating_point(circuit), "in", ["out"], list(hertz)).gain[0, :, 0]
    return np.asarray(20 * np.log10(np.abs(gain)))


def turns_of(row: Row) -> dict[str, float]:
    """Controls as a line of the handbook has them."""
    return {name: row.number(key) for name, key in zip(("treble", "middle", "bass"), KEYS, strict=True)}


def said_of(row: Row) -> str:
    """'treble full, middle half, bass half'."""
    words = {0.5: "half", 1.0: "full", 0.001: "zero"}
    return ", ".join(f"{name} {words[turn]}" for name, turn in turns_of(row).items())


def printed(row: Row, hertz: tuple[float, ...]) -> dict[str, float]:
    """The handbook's decibels at some frequencies."""
    return {f"at{f:.0f}": row.number(f"dB_{f:.0f}Hz") for f in hertz}


def sketch(draw: Draw) -> Question:
    """The response by five points."""
    row = draw.one_of(handbook("three_control_network"))

    def work() -> Answer:
        turns = turns_of(row)
        found = response(SKETCHED, **turns)
        loss = response((1000.0,), **turns)[0]
        return Answer(
            {f"at{f:.0f}": float(db) for f, db in zip(SKETCHED, found, strict=True)},
            (
                (
                    "Lows pass through the slope resistor and the bass control, highs through the "
                    "small treble capacitor. In between, near 500 to 1000 Hz, neither path passes "
                    "much. That is the dip, and the middle control fills it."
                ),
                (f"The network is passive: it can only take away. At 1 kHz it loses {-loss:.1f} dB."),
            ),
            Outside(
                "transfer function solved symbolically, ideal source and no load",
                (
                    "data/handbook: three_control_network, worked example W19 scaled in impedance "
                    f"({row.where})"
                ),
                row.status,
                printed(row, SKETCHED),
                Within(absolute=0.05),
            ),
            curve=(HERTZ, response(HERTZ, **turns)),
        )

    return Question(
        "sketch",
        f"A treble, middle and bass network is set to {said_of(row)}. Sketch its response.",
        Numbers(
            tuple(
                Handle(f"at{f:.0f}", f"at {_hertz(f)}", "dB", -45.0, 5.0, Within(absolute=4), step=0.5, at=f)
                for f in SKETCHED
            )
        ),
        (
            "It is passive, so no point is above 0 dB.",
            (
                "With all controls half way there is a dip in the middle, about 12 dB down; both ends are "
                "higher."
            ),
            "Each control mostly moves its own end. Turned to zero, an end loses 10 to 30 dB.",
        ),
        work,
        {"settings": said_of(row), "parts": PARTS},
        Picture(
            "curve",
            {
                "x_log": True,
                "x_label": "Hz",
                "y_label": "Output relative to input, dB",
                "x_range": (20.0, 20e3),
            },
        ),
    )


def _hertz(value: float) -> str:
    return show(value, "Hz", 2 if value < 1e4 else 3).replace(".0", "")


def loss(draw: Draw) -> Question:
    """What it costs at 1 kHz."""
    rows = handbook("three_control_network")
    row = draw.one_of((rows[3], rows[1], rows[4], rows[0]))

    def work() -> Answer:
        found = float(response((1000.0,), **turns_of(row))[0])
        return Answer(
            {"level": found},
            (
                (
                    f"{-found:.1f} dB is a factor of {10 ** (-found / 20):.1f}. The next stage has to "
                    "make up for that loss."
                ),
            ),
            Outside(
                "transfer function solved symbolically",
                f"data/handbook: three_control_network ({row.where})",
                row.status,
                {"level": row.number("dB_1000Hz")},
                Within(absolute=0.05),
            ),
        )

    return Question(
        "loss",
        f"The same network is set to {said_of(row)}. What is its output at 1 kHz?",
        Numbers(
            (
                Handle(
                    "level",
                    "output relative to input at 1 kHz",
                    "dB",
                    -40.0,
                    6.0,
                    Within(absolute=2.5),
                    step=0.25,
                ),
            )
        ),
        (
            "1 kHz is in the dip.",
            "With all controls half way it is about 12 dB down. What does each control change?",
        ),
        work,
        {"parts": PARTS},
    )


def dip(draw: Draw) -> Question:
    """Where the dip lies, and what moves it."""
    slope = draw.one_of((THREE["slope"], 39e3, 15e3))

    def work() -> Answer:
        curve = response(HERTZ, slope, treble=0.5, middle=0.5, bass=0.5)
        inside = (HERTZ > 100) & (HERTZ < 5000)
        at = float(HERTZ[inside][np.argmin(curve[inside])])
        first = handbook("three_control_network")[0]
        columns = {f: first.number(f"dB_{f}Hz") for f in (200, 500, 1000, 2000)}
        lowest = min(columns, key=lambda f: columns[f])
        return Answer(
            {"dip": at},
            (
                (
                    "Below the dip the slope resistor passes the lows; above it the treble capacitor "
                    "passes the highs. A larger slope resistor rolls off the lows sooner, so the dip "
                    "moves down and gets deeper."
                ),
            ),
            of_row(
                handbook("worked_examples", id="W19")[0],
                (
                    f"with {show(THREE['slope'], 'ohm')} the lowest computed point is at {lowest} Hz "
                    f"({columns[lowest]:g} dB), and 500 Hz is close to it at {columns[500]:g} dB"
                ),
                {},
            ),
            curve=(HERTZ, curve),
        )

    return Question(
        "dip",
        (
            f"All controls are half way, and the slope resistor is {show(slope, 'ohm')}. At what "
            "frequency is the bottom of the dip?"
        ),
        Numbers((Handle("dip", "bottom of the dip", "Hz", 50.0, 10e3, Within(30)),)),
        (
            (
                "It is where neither the lows nor the highs get through: above the lowest strings, "
                "below the bite."
            ),
            "With 22.4 kΩ it is between 500 Hz and 1 kHz. A larger resistor moves it down.",
        ),
        work,
        {"parts": PARTS.replace("22.4 kΩ", show(slope, "ohm"))},
    )


def middle(draw: Draw) -> Question:
    """Which part of the range the middle control moves."""
    name, key = draw.one_of((("middle", "middle"), ("treble", "treble"), ("bass", "bass")))
    asked = (50.0, 500.0, 5000.0)

    def work() -> Answer:
        turns = {"treble": 0.5, "middle": 0.5, "bass": 0.5}
        low = response(asked, **{**turns, key: 0.001})
        moved = np.abs(response(asked, **turns) - low)
        told = ", ".join(f"{f:g} Hz by {m:.1f} dB" for f, m in zip(asked, moved, strict=True))
        return Answer(
            f"{asked[int(np.argmax(moved))]:g}",
            (
                (
                    f"From half to zero, the {name} control moves {told}. No control acts only on its "
                    "own range, because they share the parts below them."
                ),
            ),
            _moves_in_the_handbook(key, asked),
        )

    return Question(
        "middle",
        (
            f"All controls are half way. You turn the {name} control down to zero. Where does the output "
            "fall most?"
        ),
        Choice({f"{f:g}": f"at {f:g} Hz" for f in asked}),
        ("Do not go by the names alone: the middle control is below the bass control in the circuit.",),
        work,
        {"parts": PARTS},
    )


def _moves_in_the_handbook(key: str, asked: tuple[float, ...]) -> Outside | None:
    """Only the treble control stands alone at nil in the handbook's lines."""
    if key != "treble":
        return None
    rows = handbook("three_control_network")
    moved = [abs(rows[0].number(f"dB_{f:.0f}Hz") - rows[4].number(f"dB_{f:.0f}Hz")) for f in asked]
    words = "the rows for treble half and zero: " + ", ".join(
        f"{m:.1f} dB at {f:g} Hz" for f, m in zip(asked, moved, strict=True)
    )
    return Outside(
        words,
        f"data/handbook: three_control_network ({rows[4].where})",
        rows[4].status,
        f"{asked[int(np.argmax(moved))]:g}",
    )


LESSON = Lesson(
    "07",
    "How do three tone controls affect each other?",
    "A treble, middle and bass network, driven by an ideal source and feeding an open grid.",
    (sketch, loss, dip, middle),
)

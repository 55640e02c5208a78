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
from tubekit.units import show

Array = np.ndarray
HERTZ = np.geomspace(20.0, 20e3, 181)
SKETCHED = (50.0, 200.0, 500.0, 2000.0, 10000.0)
PARTS = "treble 250 kΩ, middle 25 kΩ, bass 1 MΩ; slope 56 kΩ; 250 pF, 20 nF, 20 nF"
KEYS = ("treble", "mid", "bass")


def response(hertz: Array | tuple[float, ...], slope: float = 56e3, **turns: float) -> Array:
    """Output over input [dB] at each frequency; turns are shares of the tracks."""
    circuit = three_control(**turns, parts={"slope": slope})
    gain = frequency_response(operating_point(circuit), "in", ["out"], list(hertz)).gain[0, :, 0]
    return np.asarray(20 * np.log10(np.abs(gain)))


def turns_of(row: Row) -> dict[str, float]:
    """Controls as a line of the handbook has them."""
    return {name: row.number(key) for name, key in zip(("treble", "middle", "bass"), KEYS, strict=True)}


def said_of(row: Row) -> str:
    """'treble full, middle half, bass half'."""
    words = {0.5: "half", 1.0: "full", 0.001: "nil"}
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
                    "Lows come through the slope resistor and the bass control, highs through "
                    "the small capacitor at the treble. Between them, near 500 to 1000 Hz, "
                    "neither does its work: there is the dip, and the middle control fills it."
                ),
                (
                    f"Nothing in it amplifies: at 1 kHz it loses {-loss:.1f} dB, and the next "
                    "stage makes up for that."
                ),
            ),
            Outside(
                "the network's formula worked out symbolically for an ideal source and no load",
                (f"data/handbook: three_control_network, parts of worked example W19 ({row.where})"),
                row.status,
                printed(row, SKETCHED),
                Within(absolute=0.05),
            ),
            curve=(HERTZ, response(HERTZ, **turns)),
        )

    return Question(
        "sketch",
        f"The usual three-control network of a guitar amp: {said_of(row)}. Sketch its response.",
        Numbers(
            tuple(
                Handle(f"at{f:.0f}", f"at {_hertz(f)}", "dB", -45.0, 5.0, Within(absolute=4), step=0.5, at=f)
                for f in SKETCHED
            )
        ),
        (
            "It is passive: no point lies above 0 dB.",
            "With all controls at half it has a dip in the middle, some 12 dB deep; the ends lie higher.",
            "Each control moves mostly its own end. Turned to nil an end loses 10 to 30 dB.",
        ),
        work,
        {"tracks, from their lower end": said_of(row), "parts": PARTS},
        Picture(
            "curve",
            {
                "x_log": True,
                "x_label": "Hz",
                "y_label": "Output over input, dB",
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
                    f"{-found:.1f} dB are a factor of {10 ** (-found / 20):.1f}: about the gain "
                    "of a whole triode stage goes into tone controls when they stand at half."
                ),
            ),
            Outside(
                "the network's formula worked out symbolically",
                f"data/handbook: three_control_network ({row.where})",
                row.status,
                {"level": row.number("dB_1000Hz")},
                Within(absolute=0.05),
            ),
        )

    return Question(
        "loss",
        f"The same network with {said_of(row)}: what does it give at 1 kHz?",
        Numbers(
            (
                Handle(
                    "level", "output over input at 1 kHz", "dB", -40.0, 6.0, Within(absolute=2.5), step=0.25
                ),
            )
        ),
        ("1 kHz lies in the dip.", "All at half it is about 12 dB down. What does each control do to that?"),
        work,
        {"parts": PARTS},
    )


def dip(draw: Draw) -> Question:
    """Where the dip lies, and what moves it."""
    slope = draw.one_of((56e3, 100e3, 33e3))

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
                    "Below the dip the slope resistor still leads the lows in, above it the "
                    "treble capacitor the highs. A larger slope resistor lets go of the lows "
                    "earlier: the dip moves down and gets deeper."
                ),
            ),
            of_row(
                handbook("worked_examples", id="W19")[0],
                (
                    f"with 56 kΩ the lowest of the computed points is the one at {lowest} Hz "
                    f"({columns[lowest]:g} dB), with {columns[500]:g} dB at 500 Hz close to it"
                ),
                {},
            ),
            curve=(HERTZ, curve),
        )

    return Question(
        "dip",
        (
            f"All controls at half, slope resistor {show(slope, 'ohm', 2)}: at which "
            "frequency lies the bottom of the dip?"
        ),
        Numbers((Handle("dip", "bottom of the dip", "Hz", 50.0, 10e3, Within(30)),)),
        (
            (
                "It lies where neither the lows nor the highs get through: above the lowest "
                "strings, below the bite."
            ),
            "With 56 kΩ it lies between 500 Hz and 1 kHz. A larger resistor moves it down.",
        ),
        work,
        {"parts": PARTS.replace("56 kΩ", show(slope, "ohm", 2))},
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
                    f"From half to nil the {name} control moves {told}. No control keeps quite to "
                    "its own: they share the parts below them."
                ),
            ),
            _moves_in_the_handbook(key, asked),
        )

    return Question(
        "middle",
        f"All controls at half. The {name} control is turned down to nil. Where does that take away most?",
        Choice({f"{f:g}": f"at {f:g} Hz" for f in asked}),
        ("Names are not always the whole truth: the middle control lies below the bass control.",),
        work,
        {"parts": PARTS},
    )


def _moves_in_the_handbook(key: str, asked: tuple[float, ...]) -> Outside | None:
    """Only the treble control stands alone at nil in the handbook's lines."""
    if key != "treble":
        return None
    rows = handbook("three_control_network")
    moved = [abs(rows[0].number(f"dB_{f:.0f}Hz") - rows[4].number(f"dB_{f:.0f}Hz")) for f in asked]
    words = "the lines for treble half and nil: " + ", ".join(
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
    "What do three tone controls do to each other?",
    "The treble, middle and bass network of guitar amps, fed without loss and working into an open grid.",
    (sketch, loss, dip, middle),
)

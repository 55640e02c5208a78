"""Lesson 2: the load line of a resistance-coupled triode."""

from __future__ import annotations

from tubekit.panels.lessons.course import Lesson
from tubekit.panels.lessons.draw import Draw
from tubekit.panels.lessons.outside import of_row, textbook
from tubekit.panels.lessons.question import Answer, Choice, Handle, Numbers, Outside, Picture, Question
from tubekit.panels.lessons.score import Within
from tubekit.tables import Row, handbook
from tubekit.textbook.bias_stage import BiasStage, bias_stage
from tubekit.units import show

TUBE = "12AX7"
FIRST = (250.0, 0.1)


def rows() -> tuple[Row, ...]:
    """ECC83 stages of a maker's table; the one to begin with first."""
    return tuple(
        sorted(handbook("rc_coupled", tube="ECC83"), key=lambda r: (r["Ebb_V"], r["Rp_Mohm"]) != FIRST)
    )


def given(row: Row) -> dict[str, str]:
    """What is known of a stage."""
    return {
        "tube": f"{TUBE} (ECC83), one section",
        "B+": f"{row['Ebb_V']:g} V",
        "plate resistor": show(plate_ohms(row), "ohm"),
        "cathode resistor": show(row.number("Rk_ohm"), "ohm"),
        "next grid leak": show(1e6 * row.number("Rg_next_Mohm"), "ohm"),
    }


def plate_ohms(row: Row) -> float:
    """Plate resistor [Ω]."""
    return 1e6 * row.number("Rp_Mohm")


def stage_of(row: Row, cathode: float | None = None, load: float | None = None) -> BiasStage:
    """The stage solved."""
    return bias_stage(
        TUBE,
        supply=row.number("Ebb_V"),
        load=load or plate_ohms(row),
        cathode=cathode or row.number("Rk_ohm"),
        bypass_f=25e-6,
        next_grid=1e6 * row.number("Rg_next_Mohm"),
    )


def line(draw: Draw) -> Question:
    """The two ends of the load line."""
    row = draw.one_of(rows())
    supply, ohms = row.number("Ebb_V"), plate_ohms(row)

    def work() -> Answer:
        return Answer(
            {"foot": supply, "head": supply / ohms},
            (
                (
                    "Without current nothing is lost in the resistor: the whole B+ stands at the "
                    "plate. That is the foot. With the plate pulled down to nothing all of B+ "
                    "stands across the resistor, and Ohm's law gives the head. Between them the "
                    "resistor allows only points on the straight line."
                ),
                "The cathode resistor is left out here; it makes the line flatter by one or two per cent.",
            ),
            textbook(
                (
                    "the DC load line runs from B+ on the axis of volts to B+ over the plate "
                    "resistor on the axis of current"
                ),
                {"foot": supply, "head": supply / ohms},
            ),
        )

    known = given(row)
    return Question(
        "line",
        (
            "Draw the load line of this stage: where does it stand on the axis of volts, "
            "and where on the axis of current?"
        ),
        Numbers(
            (
                Handle("foot", "foot, on the volts", "V", 0.0, 400.0, Within(5), step=5.0),
                Handle("head", "head, on the current", "A", 0.0, 8e-3, Within(5), step=2e-5),
            )
        ),
        (
            "What stands at the plate while the tube passes no current at all?",
            "And how much current can come through the resistor at most, if the plate were at 0 V?",
        ),
        work,
        {key: known[key] for key in ("tube", "B+", "plate resistor")},
        Picture("plate", {"tube": TUBE, "volts": 400.0, "amps": 8e-3, "step": 0.5}),
    )


def idle(draw: Draw) -> Question:
    """Where on the line the tube idles."""
    row = draw.one_of(rows())
    supply, ohms, cathode = row.number("Ebb_V"), plate_ohms(row), row.number("Rk_ohm")
    head = supply / ohms

    def work() -> Answer:
        stage = stage_of(row)
        return Answer(
            {"idle": stage.plate_a},
            (
                (
                    f"At {1e3 * stage.plate_a:.2f} mA the cathode resistor makes "
                    f"{stage.bias_v:.2f} V of bias, and the curve of that bias meets the line "
                    f"just there, at {stage.plate_v:.0f} V. More current would mean more bias, "
                    "which would throttle it again: the point holds itself."
                ),
                (
                    f"The plate stands at {100 * (stage.plate_v + stage.bias_v) / supply:.0f} % "
                    "of B+: a triode stage of this kind idles well above the middle of its line, "
                    "since the grid must not be driven positive."
                ),
            ),
            of_row(
                row,
                f"plate current in the maker's table {row['Ia_mA']:g} mA",
                {"idle": row.number("Ia_mA") / 1e3},
                Within(7),
            ),
        )

    return Question(
        "idle",
        "The load line stands. Move the point along it to where the tube idles.",
        Numbers((Handle("idle", "idle current", "A", 0.0, head, Within(12), step=head / 200),)),
        (
            "The bias is what the current makes across the cathode resistor.",
            (
                f"Guess a current, say a third of the line's head ({1e3 * head / 3:.2f} mA), "
                "and work out its bias."
            ),
            (
                "Does the curve of that bias cross the line at your current? Below it you "
                "guessed too much, above it too little."
            ),
        ),
        work,
        given(row),
        Picture(
            "plate",
            {
                "tube": TUBE,
                "volts": 400.0,
                "amps": 1.05 * head,
                "step": 0.5,
                "supply": supply,
                "ohms": ohms + cathode,
            },
        ),
    )


def gain(draw: Draw) -> Question:
    """How much of mu is left."""
    row = draw.one_of(rows())

    def work() -> Answer:
        stage = stage_of(row)
        far = abs(stage.gain_bypassed / row.number("gain") - 1) > 0.1
        return Answer(
            {"gain": stage.gain_bypassed},
            (
                (
                    "The tube amplifies by mu, about 100, but its own plate resistance lies in "
                    "series with what it works into: the plate resistor and the next grid leak "
                    "side by side. What is left is the divider of the two."
                ),
                (
                    "A larger plate resistor takes a larger share, but it also starves the tube: "
                    "its plate resistance grows."
                ),
            ),
            of_row(
                row,
                f"gain in the maker's table {row['gain']:g}",
                {"gain": row.number("gain")},
                Within(10),
                "this line is out of step with its neighbours (confidence 75 %)" if far else "",
            ),
        )

    return Question(
        "gain",
        "How many times does this stage amplify, its cathode resistor bypassed?",
        Numbers((Handle("gain", "gain", "×", 0.0, 120.0, Within(12), step=0.5),)),
        (
            "It is less than mu, which is 100 for this tube.",
            "gain = mu × R / (R + rp), with R the plate resistor beside the next grid leak.",
            "rp of a 12AX7 is 60 to 80 kΩ near 1 mA, and more at less current.",
        ),
        work,
        given(row),
    )


def without_bypass(draw: Draw) -> Question:
    """What is left of the gain when the bypass dries out."""
    row = draw.one_of(rows())
    load = 1.0 / (1.0 / plate_ohms(row) + 1e-6 / row.number("Rg_next_Mohm"))
    maker = handbook("tubes_characteristics", tube=TUBE, Va_V=250.0 if row.number("Ebb_V") > 240 else 100.0)[
        0
    ]

    def work() -> Answer:
        stage = stage_of(row)
        left = 100 * stage.gain_bare / stage.gain_bypassed
        ground = load + maker.number("rp_ohm")
        told = 100 * ground / (ground + (maker.number("mu") + 1) * row.number("Rk_ohm"))
        return Answer(
            {"left": left},
            (
                (
                    "Without the bypass the signal current also flows through the cathode "
                    "resistor, and what it makes there is taken off the grid's signal. Seen from "
                    "the plate, the resistor counts mu + 1 times."
                ),
                (
                    "Nothing else changes: the idle current is the same, so no DC reading shows "
                    "a dried-out bypass."
                ),
            ),
            of_row(
                maker,
                (
                    "(R + rp) / (R + rp + (mu + 1) Rk), any textbook, with the maker's mu "
                    f"{maker['mu']:g} and rp {maker.number('rp_ohm') / 1e3:g} kΩ"
                ),
                {"left": told},
                Within(15),
            ),
        )

    return Question(
        "without_bypass",
        "The bypass capacitor at the cathode has dried out. How much of the gain is left?",
        Numbers((Handle("left", "gain left", "%", 0.0, 100.0, Within(absolute=8), step=1.0),)),
        (
            "The current is the same in the plate resistor and in the cathode resistor.",
            "Seen from the plate the cathode resistor counts mu + 1 times, about a hundredfold.",
            "left = (R + rp) / (R + rp + (mu + 1) Rk), rp 60 to 80 kΩ.",
        ),
        work,
        given(row),
    )


def larger_resistor(draw: Draw) -> Question:
    """Which way the idle point goes."""
    row = draw.one_of([each for each in rows() if each.number("Rp_Mohm") < 0.2])
    other = 2.2 * plate_ohms(row)

    def work() -> Answer:
        before, after = stage_of(row), stage_of(row, load=other)
        return Answer(
            key_of(before, after),
            (
                (
                    "The line turns flatter about its foot. The current goes from "
                    f"{1e3 * before.plate_a:.2f} to {1e3 * after.plate_a:.2f} mA, the plate from "
                    f"{before.plate_v + before.bias_v:.0f} to {after.plate_v + after.bias_v:.0f} "
                    "V."
                ),
                (
                    "The current falls by less than the resistor grows, so the resistor eats "
                    "more volts than before."
                ),
            ),
            _way_in_the_table(row),
        )

    return Question(
        "larger_resistor",
        (
            f"Somebody fits {show(other, 'ohm')} for the plate resistor and leaves "
            "everything else. Which way does the idle point go?"
        ),
        Choice(
            draw.shuffled(
                {
                    "falls/falls": "current falls, plate voltage falls",
                    "falls/rises": "current falls, plate voltage rises",
                    "rises/falls": "current rises, plate voltage falls",
                    "rises/rises": "current rises, plate voltage rises",
                }
            )
        ),
        (
            "Draw the new line: foot where it was, head lower.",
            "The curve of the bias crosses it further left.",
        ),
        work,
        given(row),
    )


def key_of(before: BiasStage, after: BiasStage) -> str:
    """Which way current and plate voltage went."""
    volts = [each.plate_v + each.bias_v for each in (before, after)]
    words = (
        "falls" if after.plate_a < before.plate_a else "rises",
        "falls" if volts[1] < volts[0] else "rises",
    )
    return "/".join(words)


def _way_in_the_table(row: Row) -> Outside:
    """The maker's own lines go the same way: at one B+, from one plate resistor to the next."""
    same = [each for each in handbook("rc_coupled", tube="ECC83") if each["Ebb_V"] == row["Ebb_V"]]
    after = next(each for each in same if each.number("Rp_Mohm") > row.number("Rp_Mohm"))
    volts = [each.number("Ebb_V") - 1e-3 * each.number("Ia_mA") * plate_ohms(each) for each in (row, after)]
    words = (
        f"the maker's lines for {1e-3 * plate_ohms(row):g} kΩ and "
        f"{1e-3 * plate_ohms(after):g} kΩ: {row['Ia_mA']:g} and {after['Ia_mA']:g} mA, "
        f"so {volts[0]:.0f} and {volts[1]:.0f} V at the plate (with their own cathode "
        "resistors)"
    )
    currents = "falls" if after.number("Ia_mA") < row.number("Ia_mA") else "rises"
    return of_row(row, words, f"{currents}/{'falls' if volts[1] < volts[0] else 'rises'}")


LESSON = Lesson(
    "02",
    "Where does this stage idle, and how much does it amplify?",
    (
        "A 12AX7 on a plate resistor, as a maker's table lists it: draw its load "
        "line, find its rest, tell its gain."
    ),
    (line, idle, gain, without_bypass, larger_resistor),
)

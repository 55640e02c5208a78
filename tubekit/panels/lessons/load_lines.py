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
                    "With no plate current there is no drop in the resistor, so the plate is at full "
                    "B+. That is the B+ end of the line. With the plate at 0 V, all of B+ is across "
                    "the resistor, and Ohm's law gives the zero-volt end. Every other point is on the "
                    "straight line between them."
                ),
                "The cathode resistor is left out here; it makes the line 1 or 2 percent flatter.",
            ),
            textbook(
                (
                    "the DC load line runs from B+ on the voltage axis to B+ divided by the plate "
                    "resistor on the current axis"
                ),
                {"foot": supply, "head": supply / ohms},
            ),
        )

    known = given(row)
    return Question(
        "line",
        (
            "Draw the load line of this stage. Where does it meet the voltage axis, and where the "
            "current axis?"
        ),
        Numbers(
            (
                Handle("foot", "B+ end (voltage axis)", "V", 0.0, 400.0, Within(5), step=5.0),
                Handle("head", "zero-volt end (current axis)", "A", 0.0, 8e-3, Within(5), step=2e-5),
            )
        ),
        (
            "What is the plate voltage when the tube draws no current?",
            "How much current flows in the resistor if the plate is at 0 V?",
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
                    f"At {1e3 * stage.plate_a:.2f} mA the cathode resistor makes {stage.bias_v:.2f} V "
                    "of bias, and the curve for that bias crosses the line at that current, at "
                    f"{stage.plate_v:.0f} V. More current would mean more bias, which would bring the "
                    "current back down: the idle point is stable."
                ),
                (
                    f"The plate is at {100 * (stage.plate_v + stage.bias_v) / supply:.0f} % of B+. A "
                    "triode stage like this idles well above the middle of its line, because the grid "
                    "must not go positive."
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
        "The load line is drawn. Move the point along it to where the tube idles.",
        Numbers((Handle("idle", "idle current", "A", 0.0, head, Within(12), step=head / 200),)),
        (
            "The bias is the voltage the current makes across the cathode resistor.",
            (
                f"Guess a current, say a third of the zero-volt end ({1e3 * head / 3:.2f} mA), and "
                "calculate its bias."
            ),
            (
                "Does the curve for that bias cross the line at your current? If it crosses below, you "
                "guessed too high; above, too low."
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
                    "The tube amplifies by mu, about 100, but its own plate resistance is in series "
                    "with the load: the plate resistor in parallel with the next grid leak. The two "
                    "form a divider."
                ),
                (
                    "A larger plate resistor gets a larger share of the signal, but it also starves "
                    "the tube and so raises its plate resistance."
                ),
            ),
            of_row(
                row,
                f"gain in the maker's table {row['gain']:g}",
                {"gain": row.number("gain")},
                Within(10),
                "this row disagrees with its neighbors in the table (confidence 75 %)" if far else "",
            ),
        )

    return Question(
        "gain",
        "What is the gain of this stage with its cathode resistor bypassed?",
        Numbers((Handle("gain", "gain", "×", 0.0, 120.0, Within(12), step=0.5),)),
        (
            "It is less than mu, which is 100 for this tube.",
            "gain = mu × R / (R + rp), where R is the plate resistor in parallel with the next grid leak.",
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
                    "Without the bypass cap, the signal current also flows in the cathode resistor, "
                    "and the voltage there subtracts from the grid signal. Seen from the plate, the "
                    "resistor counts mu + 1 times."
                ),
                (
                    "Nothing else changes: the idle current is the same, so no DC reading shows "
                    "a dried-out bypass."
                ),
            ),
            of_row(
                maker,
                (
                    "(R + rp) / (R + rp + (mu + 1) Rk), any electronics textbook, with the maker's mu "
                    f"{maker['mu']:g} and rp {maker.number('rp_ohm') / 1e3:g} kΩ"
                ),
                {"left": told},
                Within(15),
            ),
        )

    return Question(
        "without_bypass",
        "The cathode bypass cap has dried out. How much of the gain is left?",
        Numbers((Handle("left", "gain left", "%", 0.0, 100.0, Within(absolute=8), step=1.0),)),
        (
            "The same current flows in the plate resistor and in the cathode resistor.",
            "Seen from the plate the cathode resistor counts mu + 1 times, about 100 times.",
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
                    "The line gets flatter; its B+ end stays put. The current goes from "
                    f"{1e3 * before.plate_a:.2f} to {1e3 * after.plate_a:.2f} mA, the plate from "
                    f"{before.plate_v + before.bias_v:.0f} to {after.plate_v + after.bias_v:.0f} V."
                ),
                (
                    "The current falls by less than the resistance rises, so the resistor drops more "
                    "volts than before."
                ),
            ),
            _way_in_the_table(row),
        )

    return Question(
        "larger_resistor",
        (
            f"Somebody fits a {show(other, 'ohm')} plate resistor and changes nothing more. Which way "
            "does the idle point go?"
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
            "Draw the new line: same B+ end, lower zero-volt end.",
            "The curve for the bias crosses it further left.",
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
        f"the maker's rows for {1e-3 * plate_ohms(row):g} kΩ and {1e-3 * plate_ohms(after):g} kΩ: "
        f"{row['Ia_mA']:g} and {after['Ia_mA']:g} mA, so {volts[0]:.0f} and {volts[1]:.0f} V at the "
        "plate (with their own cathode resistors)"
    )
    currents = "falls" if after.number("Ia_mA") < row.number("Ia_mA") else "rises"
    return of_row(row, words, f"{currents}/{'falls' if volts[1] < volts[0] else 'rises'}")


LESSON = Lesson(
    "02",
    "Where does this stage idle, and what is its gain?",
    (
        "A 12AX7 with a plate resistor, from a maker's table: draw its load line, find its idle point, "
        "predict its gain."
    ),
    (line, idle, gain, without_bypass, larger_resistor),
)

"""Lesson 1: the cathode resistor as an ammeter."""

from __future__ import annotations

from tubekit.panels.lessons.course import Lesson
from tubekit.panels.lessons.draw import Draw
from tubekit.panels.lessons.outside import of_row, practice
from tubekit.panels.lessons.question import Answer, Choice, Handle, Numbers, Question
from tubekit.panels.lessons.score import Within
from tubekit.tables import Row, handbook
from tubekit.textbook.bias_stage import BiasStage, bias_stage
from tubekit.units import show

HAND = (
    "Clip the meter on with the amp unplugged and the filter caps discharged; then "
    "switch on and only read. Measure before you touch anything. Follow local "
    "codes; leave licensed work to licensed people."
)


def cathode_rows() -> tuple[Row, ...]:
    """Output stages that the handbook lists with a cathode resistor."""
    return tuple(row for row in handbook("power_tube_operation") if isinstance(row["Rk_ohm"], float))


def tubes_of(row: Row) -> int:
    """One, or two for a pair."""
    return 1 if row["config"] == "SE" else 2


def stage_of(row: Row) -> BiasStage:
    """A handbook's output stage solved; plate and screen volts are to the cathode there."""
    lift = row.number("chk_Vk0_V")
    return bias_stage(
        row.text("tube"),
        supply=row.number("Va_V") + lift,
        screen=row.number("Vg2_V") + lift,
        load=5000.0,
        cathode=row.number("Rk_ohm"),
        stage="single" if tubes_of(row) == 1 else "pair",
    )


def said_of(row: Row) -> str:
    """'one 6L6', 'a pair of EL84'."""
    return f"one {row['tube']}" if tubes_of(row) == 1 else f"a pair of {row['tube']} on one resistor"


def cathode_current(draw: Draw) -> Question:
    """Volts over ohms."""
    row = draw.one_of([each for each in cathode_rows() if tubes_of(each) == 1])
    stage, ohms = stage_of(row), row.number("Rk_ohm")

    def work() -> Answer:
        printed = row.number("Ia0_mA") + row.number("Ig20_mA")
        return Answer(
            {"current": stage.bias_v / ohms},
            (
                (
                    f"Ohm's law: {stage.bias_v:.2f} V over {ohms:g} Ω. All that flows into the "
                    "tube at plate and screen leaves it at the cathode, so one reading tells the "
                    "sum of both."
                ),
                "It is told by the reading you can take with the least danger: a few volts, at chassis side.",
            ),
            of_row(
                row,
                (
                    f"the maker lists {row['Ia0_mA']:g} mA of plate and {row['Ig20_mA']:g} mA of "
                    "screen current, together"
                ),
                {"current": printed / 1e3},
                Within(6),
            ),
        )

    return Question(
        "cathode_current",
        f"An output stage with {said_of(row)} idles. What current flows in its cathode resistor?",
        Numbers((Handle("current", "current", "A", 1e-3, 1.0, Within(5)),)),
        (
            "What joins volts, ohms and amperes?",
            "Current is volts over ohms.",
            f"Divide {stage.bias_v:.2f} by {ohms:g}; a thousandth of an ampere is 1 mA.",
        ),
        work,
        {
            "cathode resistor, measured with the power off": f"{ohms:g} Ω",
            "volts across it, idle": f"{stage.bias_v:.2f} V",
        },
        caution=HAND,
    )


def plate_heat(draw: Draw) -> Question:
    """Plate to cathode, plate current alone."""
    row = draw.one_of([each for each in cathode_rows() if tubes_of(each) == 2])
    stage = stage_of(row)
    to_ground = stage.plate_v + stage.bias_v
    each = stage.bias_v / row.number("Rk_ohm") / tubes_of(row)

    def work() -> Answer:
        hasty = to_ground * each
        watts = stage.plate_v * stage.plate_a
        return Answer(
            {"heat": watts},
            (
                (
                    f"The plate works between itself and its cathode: {to_ground:.0f} V less "
                    f"{stage.bias_v:.1f} V. Of the {1e3 * each:.1f} mA at the cathode the screen "
                    f"takes {1e3 * stage.screen_a:.1f} mA."
                ),
                f"Who forgets both gets {hasty:.1f} W, {100 * (hasty / watts - 1):.0f} % too much.",
            ),
            of_row(
                row,
                "plate volts times plate current of the maker's line",
                {"heat": row.number("chk_Pa0_each_W")},
                Within(6),
            ),
        )

    return Question(
        "plate_heat",
        f"A pair of {row['tube']} idles. How much heat has the plate of each to get rid of?",
        Numbers((Handle("heat", "plate heat", "W", 0.0, 60.0, Within(5), step=0.1),)),
        (
            "Watts are volts times amperes. Which volts, and which amperes?",
            "The volts from plate to cathode, not to chassis.",
            "The plate's current is the cathode's less the screen's.",
        ),
        work,
        {
            "plate to chassis": f"{to_ground:.0f} V",
            "cathode to chassis": f"{stage.bias_v:.1f} V",
            "cathode current of one tube": f"{1e3 * each:.1f} mA",
            "screen current of it": f"{1e3 * stage.screen_a:.1f} mA",
        },
        caution=HAND,
    )


def one_ohm(draw: Draw) -> Question:
    """1 mV is 1 mA, of plate and screen together."""
    millivolts = draw.one_of((38, 42, 29, 55))
    row = handbook("practice", topic="1-ohm cathode resistor")[0]
    wrong = millivolts / 10
    return Question(
        "one_ohm",
        (
            "Somebody has put 1 Ω between a power tube's cathode and chassis. The meter "
            f"shows {millivolts} mV across it. What is that?"
        ),
        Choice(
            draw.shuffled(
                {
                    "both": f"{millivolts} mA, of plate and screen together",
                    "plate": f"{millivolts} mA, of the plate alone",
                    "screen": f"{millivolts} mA, of the screen alone",
                    "tenth": f"{wrong:g} mA, of plate and screen together",
                }
            )
        ),
        ("Ohm's law once more, with 1 Ω.", "What leaves a tube at its cathode has come in somewhere. Where?"),
        lambda: Answer(
            "both",
            (
                (
                    "1 mV over 1 Ω is 1 mA. All that comes in at plate and screen leaves at the "
                    "cathode; to get at the plate alone the screen's share is taken off, some 5 "
                    "to 15 % at idle."
                ),
            ),
            of_row(row, str(row["value"]), "both"),
        ),
        caution=HAND,
    )


def drifted(draw: Draw) -> Question:
    """A resistor that has drifted makes the current look larger."""
    marked, measured = draw.one_of(((270.0, 297.0), (250.0, 300.0), (130.0, 149.5), (470.0, 540.5)))
    volts = draw.one_of((18.5, 15.2, 21.0))
    drift = next(r for r in handbook("standards") if r["topic"] == "carbon composition")

    def work() -> Answer:
        over = 100 * (measured / marked - 1)
        true, hasty = volts / measured, volts / marked
        return Answer(
            {"over": over},
            (
                (
                    f"With the printed {marked:g} Ω it looks like {1e3 * hasty:.1f} mA; through "
                    f"the resistor as it is flow {1e3 * true:.1f} mA. Volts over ohms: what the "
                    "ohms are off, the current is off."
                ),
                "So the resistor is measured first, with the power off and the filters empty.",
            ),
            of_row(drift, f"old carbon composition: {drift['value']}", {}),
        )

    return Question(
        "drifted",
        (
            "A cathode resistor has drifted. You divide by what is printed on it. By how "
            "much is the current you get too large?"
        ),
        Numbers((Handle("over", "too large by", "%", 0.0, 50.0, Within(absolute=1.5), step=0.5),)),
        ("The volts are right. Only the ohms you divide by are wrong.", "Work it out both ways and compare."),
        work,
        {
            "printed on it": show(marked, "ohm"),
            "measured": show(measured, "ohm"),
            "volts across it": f"{volts:g} V",
        },
    )


def where_to_clip(draw: Draw) -> Question:
    """The reading with the least danger."""
    return Question(
        "where_to_clip",
        "You want the idle current of an output pair in cathode bias. How do you take it?",
        Choice(
            draw.shuffled(
                {
                    "cathode": (
                        "Black clip to chassis with the power off and the filters empty, red clip to "
                        "the cathode, switch on, read volts"
                    ),
                    "plate": "An ammeter in the lead to the plate",
                    "probe": "Power on, a probe in each hand, from plate to transformer tap",
                    "short": "The ammeter across the transformer's half, tip to tip, power on",
                }
            )
        ),
        (
            "Which of these places stands at several hundred volts?",
            "Which way needs no hand near it while the power is on?",
        ),
        lambda: Answer(
            "cathode",
            (
                (
                    "The cathode stands at some ten or twenty volts and the resistor is an "
                    "ammeter that is already there. The clips are on before the power comes, and "
                    "no hand is near while it is on."
                ),
                (
                    "At the plate there are several hundred volts, with signal more. That is no "
                    "place for a probe that may slip. This is no promise that a cathode is "
                    "harmless: a fault can put B+ there."
                ),
            ),
            practice("one hand, clips before power, the lowest voltage that tells it", "cathode"),
        ),
        caution=HAND,
    )


LESSON = Lesson(
    "01",
    "What does the cathode voltage tell of the idle current?",
    "An output stage in cathode bias, as makers list them; a meter, and what to clip it to.",
    (cathode_current, plate_heat, one_ohm, drifted, where_to_clip),
)

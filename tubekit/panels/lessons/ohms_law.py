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
    """Output stages with a screen that the handbook lists with a cathode resistor."""
    numbers = ("Rk_ohm", "Vg2_V")
    rows = handbook("power_tube_operation")
    return tuple(row for row in rows if all(isinstance(row[each], float) for each in numbers))


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
    return (
        f"one {row['tube']}"
        if tubes_of(row) == 1
        else f"a pair of {row['tube']} sharing one cathode resistor"
    )


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
                    f"Ohm's law: {stage.bias_v:.2f} V divided by {ohms:g} Ω. All the plate and screen "
                    "current leaves through the cathode, so one reading gives the sum of both."
                ),
                "This is the safest reading to take: a few volts to the chassis.",
            ),
            of_row(
                row,
                (
                    f"the maker lists {row['Ia0_mA']:g} mA of plate current plus {row['Ig20_mA']:g} mA "
                    "of screen current"
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
            "Which law connects volts, ohms and amps?",
            "Current is volts divided by ohms.",
            f"Divide {stage.bias_v:.2f} by {ohms:g}; 1 mA is a thousandth of an amp.",
        ),
        work,
        {
            "cathode resistor, measured with the amp unplugged": f"{ohms:g} Ω",
            "voltage across it at idle": f"{stage.bias_v:.2f} V",
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
                    f"Use plate-to-cathode volts: {to_ground:.0f} V minus {stage.bias_v:.1f} V. Of the "
                    f"{1e3 * each:.1f} mA cathode current the screen takes {1e3 * stage.screen_a:.1f} "
                    "mA."
                ),
                f"If you forget both you get {hasty:.1f} W, {100 * (hasty / watts - 1):.0f} % too high.",
            ),
            of_row(
                row,
                "plate volts times plate current from the maker's table",
                {"heat": row.number("chk_Pa0_each_W")},
                Within(6),
            ),
        )

    return Question(
        "plate_heat",
        f"A pair of {row['tube']} idles. What is the dissipation of each plate?",
        Numbers((Handle("heat", "plate dissipation", "W", 0.0, 60.0, Within(5), step=0.1),)),
        (
            "Watts are volts times amps. Which volts, and which amps?",
            "Use the volts from plate to cathode, not to chassis.",
            "Plate current is cathode current minus screen current.",
        ),
        work,
        {
            "plate to chassis": f"{to_ground:.0f} V",
            "cathode to chassis": f"{stage.bias_v:.1f} V",
            "cathode current of each tube": f"{1e3 * each:.1f} mA",
            "screen current of each tube": f"{1e3 * stage.screen_a:.1f} mA",
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
            "A 1 Ω resistor is fitted between a power tube's cathode and the chassis. The meter shows "
            f"{millivolts} mV across it. What does that mean?"
        ),
        Choice(
            draw.shuffled(
                {
                    "both": f"{millivolts} mA, plate plus screen current",
                    "plate": f"{millivolts} mA, plate current only",
                    "screen": f"{millivolts} mA, screen current only",
                    "tenth": f"{wrong:g} mA, plate plus screen current",
                }
            )
        ),
        ("Use Ohm's law again, with 1 Ω.", "Current leaves the tube at the cathode. Where does it enter?"),
        lambda: Answer(
            "both",
            (
                (
                    "1 mV across 1 Ω is 1 mA. Plate and screen current both leave at the cathode. To "
                    "get the plate current alone, subtract the screen's share, usually 5 to 15 % at "
                    "idle."
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
                    f"With the marked {marked:g} Ω you get {1e3 * hasty:.1f} mA; the real current is "
                    f"{1e3 * true:.1f} mA. If the resistance is off by some percentage, so is the "
                    "current."
                ),
                "So measure the resistor first, with the amp unplugged and the filter caps discharged.",
            ),
            of_row(drift, f"old carbon composition: {drift['value']}", {}),
        )

    return Question(
        "drifted",
        (
            "A cathode resistor has drifted high. You divide by the value marked on it. By how much is "
            "your current too high?"
        ),
        Numbers((Handle("over", "too high by", "%", 0.0, 50.0, Within(absolute=1.5), step=0.5),)),
        ("The volts are right. Only the ohms are wrong.", "Calculate it both ways and compare."),
        work,
        {
            "marked value": show(marked, "ohm"),
            "measured": show(measured, "ohm"),
            "voltage across it": f"{volts:g} V",
        },
    )


def where_to_clip(draw: Draw) -> Question:
    """The reading with the least danger."""
    return Question(
        "where_to_clip",
        "You want the idle current of an output pair in cathode bias. How do you measure it?",
        Choice(
            draw.shuffled(
                {
                    "cathode": (
                        "Amp off and discharged: clip black to chassis and red to the cathode. Switch "
                        "on, read volts"
                    ),
                    "plate": "Put an ammeter in the plate lead",
                    "probe": "Power on, one probe in each hand, from plate to transformer center tap",
                    "short": "Power on, put the ammeter across half of the transformer primary",
                }
            )
        ),
        (
            "Which of these places are at several hundred volts?",
            "Which way keeps your hands out of the amp while the power is on?",
        ),
        lambda: Answer(
            "cathode",
            (
                (
                    "The cathode is at ten or twenty volts, and its resistor is a built-in ammeter. "
                    "The clips go on before the power, and your hands stay out of the amp while it is "
                    "on."
                ),
                (
                    "The plate is at several hundred volts, more with signal, and a probe can short it. Do "
                    "not take the cathode for safe either: a fault can put B+ there."
                ),
            ),
            practice(
                "one hand only, clips on before power, and the lowest voltage that gives the answer",
                "cathode",
            ),
        ),
        caution=HAND,
    )


LESSON = Lesson(
    "01",
    "How do you get the idle current from the cathode voltage?",
    "Output stages in cathode bias from makers' tables, and where to clip the meter.",
    (cathode_current, plate_heat, one_ohm, drifted, where_to_clip),
)

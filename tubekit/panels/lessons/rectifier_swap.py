"""Lesson 4: another rectifier, and what it does to B+."""

from __future__ import annotations

from functools import cache

import numpy as np

from tubekit.amp import AmpReport, analyse, load_amp
from tubekit.devices import tube
from tubekit.panels.lessons.course import Lesson
from tubekit.panels.lessons.draw import Draw
from tubekit.panels.lessons.outside import of_row, textbook
from tubekit.panels.lessons.question import Answer, Choice, Handle, Numbers, Outside, Question
from tubekit.panels.lessons.score import Within
from tubekit.tables import Row, handbook
from tubekit.textbook import capacitor_input, worked
from tubekit.textbook.worked import Worked
from tubekit.units import show

SURE = 75.0
AMP = "teasel"
ALIVE = (
    "B+ is present as soon as the rectifier conducts, and it remains after switch-off. Measure before "
    "you touch anything. Follow local codes; leave licensed work to licensed people."
)
VOLTS = Handle("volts", "B+ at the reservoir", "V", 100.0, 900.0, Within(5), step=1.0)
SWAPS = ("5AR4", "5U4GB", "silicon", "5V4G")


def rows() -> list[Row]:
    """Makers' lines with a capacitor at the input, the surer ones; one to begin with first."""
    some = [
        row
        for row in handbook("rectifier_operation")
        if row["input"] == "C" and row.number("confidence_pct") >= SURE
    ]
    return sorted(some, key=lambda row: (row["tube"], row["Idc_mA"]) != ("5U4GB", 150.0))


def supply_of(row: Row, amps: float | None = None) -> Worked:
    """A maker's line solved."""
    return worked(
        capacitor_input(
            row.text("tube"),
            secondary_rms=row.number("Vac_rms_per_plate"),
            frequency_hz=row.number("f_Hz"),
            source_resistance=row.number("Rs_per_plate_ohm"),
            reservoir=1e-6 * row.number("C_uF_or_L_H"),
            load_current=amps or 1e-3 * row.number("Idc_mA"),
        )
    )


def given(row: Row) -> dict[str, str]:
    """What is known of a supply."""
    return {
        "rectifier": row.text("tube"),
        "winding, each half": f"{row['Vac_rms_per_plate']:g} V RMS",
        "source resistance per plate": f"{row['Rs_per_plate_ohm']:g} Ω",
        "reservoir": f"{row['C_uF_or_L_H']:g} µF",
        "mains": f"{row['f_Hz']:g} Hz",
    }


def loaded(draw: Draw) -> Question:
    """B+ under load."""
    row = draw.one_of(rows())

    def work() -> Answer:
        volts = float(supply_of(row).dc_v)
        peak = np.sqrt(2) * row.number("Vac_rms_per_plate")
        return Answer(
            {"volts": volts},
            (
                (
                    f"The winding's peak is {peak:.0f} V. The rectifier and the copper drop part of it, "
                    "and their drop follows the peak current, several times the average. Between peaks "
                    "the reservoir discharges."
                ),
                (f"B+ comes to {volts / row.number('Vac_rms_per_plate'):.2f} times the winding's RMS volts."),
            ),
            of_row(row, "the maker's table", {"volts": row.number("Vdc_out")}, Within(5)),
        )

    return Question(
        "loaded",
        f"A full-wave supply with a {row['tube']} delivers {row['Idc_mA']:g} mA. What is B+?",
        Numbers((VOLTS,)),
        (
            "The winding's peak is 1.41 times its RMS volts.",
            "A tube rectifier loses 10 to 25 % of that at its rated load.",
            "B+ is often close to the winding's RMS volts, a little above or below.",
        ),
        work,
        given(row) | {"load": f"{row['Idc_mA']:g} mA"},
        caution=ALIVE,
    )


def unloaded(draw: Draw) -> Question:
    """B+ before the tubes draw current."""
    row = draw.one_of(rows())

    def work() -> Answer:
        volts, peak = float(supply_of(row, 5e-4).dc_v), np.sqrt(2) * row.number("Vac_rms_per_plate")
        return Answer(
            {"volts": volts},
            (
                "Without load there is no voltage drop: the reservoir charges to the peak and stays there.",
                (
                    "The filter caps see this voltage at every switch-on while the tubes are cold, and "
                    "in standby. Their rating must cover it at the highest line voltage."
                ),
            ),
            textbook("the peak of a sine wave is √2 times its RMS volts", {"volts": float(peak)}, Within(4)),
        )

    return Question(
        "unloaded",
        ("In the same kind of supply the other tubes are still cold and draw nothing. What is B+?"),
        Numbers((Handle("volts", VOLTS.label, "V", VOLTS.low, VOLTS.high, Within(4), step=1.0),)),
        (
            "With no current, where can any voltage drop?",
            "The peak is 1.41 times the RMS volts of one half.",
        ),
        work,
        given(row) | {"load": "none"},
        caution=ALIVE,
    )


def rise(draw: Draw) -> Question:
    """B+ of a whole amp after a swap."""
    other = draw.one_of(SWAPS)

    def work() -> Answer:
        before, after = swapped(other)
        volts = after.node("B1").dc_v - before.node("B1").dc_v
        peaks = [1e3 * float(each.rectifiers[0].peak_a) for each in (before, after)]
        return Answer(
            {"rise": float(volts)},
            (
                (
                    f"From {before.node('B1').dc_v:.0f} to {after.node('B1').dc_v:.0f} V: the "
                    "difference in rectifier drop. But the tubes then draw more, and higher current "
                    "peaks drop more in the copper."
                ),
            ),
            _drops(other, peaks),
        )

    name = "a plug-in silicon replacement" if other == "silicon" else f"a {other}"
    return Question(
        "rise",
        (
            "A dance-band combo with two 6V6GT in cathode bias has a 5Y3GT and 333 V of B+ at a line "
            f"voltage of 117 V. You plug in {name}. How far does B+ rise?"
        ),
        Numbers((Handle("rise", "B+ rises by", "V", 0.0, 150.0, Within(25), step=1.0),)),
        (
            "Compare the two rated drops.",
            (
                "5Y3GT: 50 V at 125 mA a plate. 5U4GB: 50 V at 275 mA. 5V4G: 25 V at 175 mA. "
                "5AR4: 17 V at 225 mA. Silicon: about 1 V."
            ),
            "Use the peak current, here 250 to 450 mA per plate; the drop rises with it.",
        ),
        work,
        {"reservoir": "20 µF", "winding": "315 V RMS each half, no load", "B+ current": "73 mA"},
        caution=ALIVE,
    )


@cache
def swapped(other: str) -> tuple[AmpReport, AmpReport]:
    """The combo as it came and with another rectifier."""
    amp = load_amp(AMP)
    before = analyse(amp)
    return before, analyse(amp.changed({"V5": other}), near=before)


def _drops(other: str, peaks_ma: list[float]) -> Outside:
    """What the makers' rated drops say, carried to the peaks by the three-halves law."""
    old = handbook("rectifier_ratings", tube="5Y3GT")[0]
    new = next((row for row in handbook("rectifier_ratings") if row.text("tube").startswith(other)), None)
    drops = [
        0.0 if row is None else row.number("drop_V") * (peak / row.number("at_mA_per_plate")) ** (2 / 3)
        for row, peak in zip((old, new), peaks_ma, strict=True)
    ]
    words = (
        f"the rated drops, scaled to these peaks by the three-halves law:  {drops[0]:.0f} V at "
        f"{peaks_ma[0]:.0f} mA, {drops[1]:.0f} V at {peaks_ma[1]:.0f} mA; B+ cannot rise by more than "
        "the difference"
    )
    return of_row(old, words, {})


def follows(draw: Draw) -> Question:
    """What follows the B+ in an amp with cathode bias."""
    other = draw.one_of(SWAPS[:3])

    def work() -> Answer:
        before, after = swapped(other)
        pairs = {
            "b_plus": (before.node("B1").dc_v, after.node("B1").dc_v),
            "bias": (before.node("k34").dc_v, after.node("k34").dc_v),
            "heat": (before.tube("V3").plate_w, after.tube("V3").plate_w),
        }
        found = {key: 100 * (float(two) / float(one) - 1) for key, (one, two) in pairs.items()}
        used = 100 * float(after.tube("V3").plate_share)
        return Answer(
            found,
            (
                (
                    "In cathode bias the current follows B+ closely, so cathode voltage rises by about "
                    "the same percentage as B+. Dissipation is volts times amps: with both up, it "
                    "rises about twice as much."
                ),
                f"Each plate is then at {used:.0f} % of its rating."
                + (
                    (" That exceeds the rating: use a larger cathode resistor, or a different rectifier.")
                    if used > 100
                    else ""
                ),
            ),
            textbook(
                "(1 + x)² is about 1 + 2 x: what follows the square rises twice as much",
                {"heat": 100 * ((1 + found["b_plus"] / 100) * (1 + found["bias"] / 100) - 1)},
                Within(8),
            ),
        )

    rises = Within(absolute=6)
    name = "silicon" if other == "silicon" else other
    return Question(
        "follows",
        f"The same combo goes from 5Y3GT to {name}. By how much do these rise?",
        Numbers(
            (
                Handle("b_plus", "B+", "%", 0.0, 80.0, rises, step=0.5),
                Handle("bias", "cathode voltage of the pair", "%", 0.0, 80.0, rises, step=0.5),
                Handle("heat", "plate dissipation", "%", 0.0, 80.0, rises, step=0.5),
            )
        ),
        (
            "Start with B+: the new rectifier drops less than the 5Y3GT, or nothing.",
            "The pair's current follows B+ closely.",
            "Watts are volts times amps, and both rise.",
        ),
        work,
        {"before": "333 V of B+, 18.5 V at the cathodes, 10.2 W per plate", "plate rating": "12 W"},
        caution=ALIVE,
    )


def reservoir(draw: Draw) -> Question:
    """Which rectifier stands this reservoir."""
    farads, right, others = draw.one_of(
        (
            (40e-6, "5U4GB", ("5Y3GT", "5R4GY")),
            (60e-6, "5AR4", ("5U4GB", "5Y3GT", "6CA4")),
            (20e-6, "5Y3GT", ("5R4GY",)),
            (50e-6, "6CA4", ("5U4GB", "5Y3GT", "5R4GY")),
        )
    )
    row = next(row for row in handbook("rectifier_ratings") if right in row.text("tube"))

    def work() -> Answer:
        limits = {name: float(tube(name).ratings.reservoir_max_f or 0.0) for name in (right, *others)}
        fit = max(limits, key=lambda name: limits[name])
        told = ", ".join(f"{name} {1e6 * each:.0f} µF" for name, each in limits.items())
        return Answer(
            fit,
            (
                (
                    f"Their makers allow: {told}. A larger reservoir charges in shorter, higher pulses. "
                    "At switch-on it is a short circuit for a few cycles, and that wears the cathode."
                ),
                (
                    "Microfarads are not the only limit: the peak current matters too, and winding "
                    "resistance reduces it."
                ),
            ),
            of_row(row, f"{row['tube']}: {row['C_in_max_uF']:g} µF maximum", right),
        )

    return Question(
        "reservoir",
        (
            f"The reservoir (first filter cap) is {show(farads, 'F')}. Which of these rectifiers is "
            "rated for that?"
        ),
        Choice(draw.shuffled({name: name for name in (right, *others)})),
        (
            "The maker states a maximum reservoir for each type.",
            "A larger cathode can deliver a larger current pulse.",
        ),
        work,
    )


LESSON = Lesson(
    "04",
    "What does a different rectifier do to B+?",
    (
        "From makers' tables to a whole amp: B+ with and without load, what a swap raises, and how "
        "large the reservoir may be."
    ),
    (loaded, unloaded, rise, follows, reservoir),
)

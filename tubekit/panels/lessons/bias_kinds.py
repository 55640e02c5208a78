"""Lesson 3: fixed bias, cathode bias, and what the 70 % rule is for."""

from __future__ import annotations

from functools import partial

from tubekit.devices import tube
from tubekit.panels.lessons.course import Lesson
from tubekit.panels.lessons.draw import Draw
from tubekit.panels.lessons.ohms_law import HAND, cathode_rows, said_of, stage_of, tubes_of
from tubekit.panels.lessons.outside import of_row, practice
from tubekit.panels.lessons.question import Answer, Choice, Handle, Numbers, Outside, Question
from tubekit.panels.lessons.score import Within
from tubekit.tables import handbook
from tubekit.textbook.bias_stage import BiasStage, bias_stage
from tubekit.units import show

RULE = (("6L6GC", 450.0, 21.0), ("6V6GT", 350.0, 8.4), ("EL34", 430.0, 17.5), ("EL84", 320.0, 8.4))
"""Type, plate to cathode [V], 70 % of its rating as the table of practice prints it [W]."""
pair_of_6v6 = partial(bias_stage, "6V6GT", load=8000.0, bypass_f=25e-6, stage="pair")


def seventy(draw: Draw) -> Question:
    """The current at 70 % of the plate's rating."""
    type_, volts, watts = draw.one_of(RULE)
    rated = tube(type_).ratings.plate_w
    row = handbook("practice", topic="dissipation table W")[0]

    def work() -> Answer:
        amps = 0.7 * float(rated or 0.0) / volts
        return Answer(
            {"current": amps},
            (
                (
                    f"70 % of {rated:g} W is {0.7 * float(rated or 0):.1f} W. Divide by the plate volts "
                    "to get the plate current. The cathode carries the screen current as "
                    "well."
                ),
                (
                    "The 30 % headroom is for the signal. Under drive, a class AB pair in fixed bias "
                    "draws far more than at idle, and nothing limits its plate current."
                ),
            ),
            of_row(row, f"70 % of a {type_}: {watts:g} W", {"current": watts / volts}, Within(3)),
        )

    return Question(
        "seventy",
        (
            f"A pair of {type_} in fixed bias, class AB. What plate current puts each tube at "
            "the usual 70 % of its plate rating?"
        ),
        Numbers((Handle("current", "plate current of one tube", "A", 5e-3, 0.3, Within(5)),)),
        ("Start with the watts: 70 % of the rating.", "Watts divided by volts is amps."),
        work,
        {"plate to cathode": f"{volts:g} V", "plate rating": f"{rated:g} W"},
        caution=HAND,
    )


def share(draw: Draw) -> Question:
    """How hot makers run cathode bias."""
    rows = sorted(cathode_rows(), key=lambda r: (r["tube"], r["config"]) != ("6L6", "PP"))
    row = draw.one_of(rows)
    stage = stage_of(row)

    def work() -> Answer:
        printed = 100 * row.number("chk_Pa0_each_W") / float(stage.ratings.plate_w or 1.0)
        return Answer(
            {"share": 100 * stage.shares[0]},
            (
                (
                    f"{stage.plate_v * stage.plate_a:.1f} W of {stage.ratings.plate_w:g} W. Makers run "
                    "cathode-biased stages close to the plate rating, single tubes and pairs alike."
                ),
                (
                    "They can, because the resistor limits the current. Under drive the current rises "
                    "only a little, and the extra power goes to the speaker, not into the plates."
                ),
            ),
            of_row(row, "the maker's own figures", {"share": printed}, Within(7)),
        )

    return Question(
        "share",
        (
            f"From a maker's table: {said_of(row)}, cathode bias. What share of its plate rating does "
            f"{'the tube' if tubes_of(row) == 1 else 'each tube'} use at idle?"
        ),
        Numbers((Handle("share", "share of the rating", "%", 0.0, 150.0, Within(absolute=8), step=1.0),)),
        (
            "Cathode current is volts divided by ohms. In a pair, each tube carries half.",
            "Subtract about 7 % for the screen to get the plate current.",
            "Multiply by the plate-to-cathode volts, then divide by the rating.",
        ),
        work,
        {
            "plate to cathode": f"{row['Va_V']:g} V",
            "cathode resistor": f"{row['Rk_ohm']:g} Ω",
            "voltage across it": f"{stage.bias_v:.1f} V",
            "plate rating": f"{stage.ratings.plate_w:g} W",
        },
    )


def rule(draw: Draw) -> Question:
    """What to do with a cathode-biased pair at 93 %."""
    percent = draw.one_of((91, 88, 86))
    own = handbook("practice", topic="cathode-bias PP idle")[0]
    return Question(
        "rule",
        (
            f"This amp's output pair is in cathode bias. Going by the schematic, it idles at {percent} "
            "% of its plate rating. Somebody says: 'Bring it down to 70 %.' What do you do?"
        ),
        Choice(
            draw.shuffled(
                {
                    "leave": "Leave it, if no rating is exceeded at today's line voltage",
                    "raise": "Increase the cathode resistor until it idles at 70 %",
                    "lower": "Lower B+ until it idles at 70 %",
                    "fixed": "Change it to fixed bias, so that it can be set to 70 %",
                }
            )
        ),
        (
            "What is the 30 % headroom for?",
            ("Does the current of this pair rise under drive as much as in a fixed-bias pair?"),
        ),
        lambda: Answer(
            "leave",
            (
                (
                    "The 70 % rule is for class AB in fixed bias, where drive raises the current and "
                    "nothing limits it. In cathode bias the resistor limits it, and the amp was "
                    "designed for that. At 70 % it would only clip sooner."
                ),
                "Check against the full rating, at today's line voltage.",
            ),
            of_row(own, f"cathode-bias pairs: {own['value']}", "leave"),
        ),
    )


def worn(draw: Draw) -> Question:
    """Fixed bias follows the emission, cathode bias pulls against it."""
    emission = draw.one_of((0.67, 0.5, 0.8))

    def work() -> Answer:
        new, old = (
            pair_of_6v6(supply=270.0, screen=270.0, cathode=270.0, emission=e) for e in (1.0, emission)
        )
        still = {"plate": new.plate_v, "screen": new.screen_v, "grid": -new.bias_v}
        type_ = tube("6V6GT")
        fixed = float(type_.aged(emission=emission).at(**still).plate_a / type_.at(**still).plate_a)
        held = old.plate_a / new.plate_a
        return Answer(
            {"fixed": 100 * fixed, "held": 100 * held},
            (
                (
                    "In fixed bias the voltages at grid, screen and plate stay the same, so the "
                    "current drops by whatever emission is lost."
                ),
                (
                    f"In cathode bias, less current means less bias, from {new.bias_v:.1f} to "
                    f"{old.bias_v:.1f} V, so the tube conducts more again. That is why a tired pair "
                    "hides in such an amp. Compare its cathode voltage with the schematic."
                ),
            ),
            Outside(
                (
                    "emission is the share of current left at the same voltages, so fixed bias keeps "
                    "exactly that share"
                ),
                "by definition",
                "computed",
                {"fixed": 100 * emission},
                Within(3),
            ),
        )

    return Question(
        "worn",
        (
            "Two 6V6GT pairs idled at the same current, one in fixed bias and one with a cathode "
            f"resistor. Both wear down to {100 * emission:.0f} % emission. What share of its "
            "plate current does each have left?"
        ),
        Numbers(
            (
                Handle("fixed", "fixed bias", "%", 0.0, 120.0, Within(absolute=5), step=1.0),
                Handle("held", "cathode bias", "%", 0.0, 120.0, Within(absolute=5), step=1.0),
            )
        ),
        (
            "In which pair does the grid-to-cathode voltage change?",
            "Less current means less bias. The resistor makes up for much of the loss, but not all of it.",
        ),
        work,
        {"cathode resistor of the second pair": "270 Ω", "B+": "270 V, constant"},
    )


def next_value(draw: Draw) -> Question:
    """Twenty per cent more resistance, not twenty per cent less current."""
    before, after = draw.one_of(((270.0, 330.0), (250.0, 300.0), (270.0, 220.0), (330.0, 470.0)))

    def work() -> Answer:
        one, two = (_at(ohms) for ohms in (before, after))
        change = 100 * (two.plate_a / one.plate_a - 1)
        alone = 100 * (before / after - 1)
        return Answer(
            {"change": change},
            (
                (
                    f"{one.plate_a * 1e3:.1f} mA becomes {two.plate_a * 1e3:.1f} mA per tube; the bias "
                    f"goes from {one.bias_v:.1f} to {two.bias_v:.1f} V. At a constant cathode voltage "
                    f"the change would be {alone:+.0f} %, but the bias shift cancels about half of it."
                ),
            ),
        )

    return Question(
        "next_value",
        (
            f"You change the shared cathode resistor of a 6V6GT pair from {before:g} to {after:g} Ω. By "
            "how much does the plate current change? Use a minus sign for a drop."
        ),
        Numbers((Handle("change", "plate current", "%", -60.0, 60.0, Within(absolute=4), step=0.5),)),
        (
            "By Ohm's law alone, the current would go down by the ratio the resistor goes up.",
            "The bias also changes and works against it: about half the change is left.",
        ),
        work,
        {"B+": "285 V", "tubes": "6V6GT, new"},
    )


def four_ohms(draw: Draw) -> Question:
    """A resistor a little off is left alone."""
    extra = draw.one_of((4.0, 3.0, 5.0))

    def work() -> Answer:
        one, two = _at(250.0), _at(250.0 + extra)
        change = 100 * (two.plate_a / one.plate_a - 1)
        key = "little" if abs(change) < 2 else "some" if abs(change) < 8 else "much"
        return Answer(
            key,
            (
                (
                    f"{change:+.1f} %. Tubes from one box differ by more than that, and the line "
                    "voltage varies by more in an evening. Leave it."
                ),
            ),
            practice("a cathode resistor a few ohms above 250 is fine", "little"),
        )

    return Question(
        "four_ohms",
        (
            f"A cathode resistor of 250 Ω measures {show(250 + extra, 'ohm')}. How far off is the "
            "pair's current?"
        ),
        Choice(
            draw.shuffled(
                {
                    "little": "less than 2 %: leave it alone",
                    "some": "2 to 8 %: make a note of it",
                    "much": "more than 8 %: replace the resistor",
                }
            )
        ),
        ("How far off is the resistor, in percent?", "The current is off by less."),
        work,
        {"output tubes": "a pair of 6V6GT on 285 V"},
    )


def _at(ohms: float) -> BiasStage:
    return pair_of_6v6(supply=285.0, screen=285.0, cathode=ohms)


LESSON = Lesson(
    "03",
    "Does the 70 % rule apply to this amp?",
    "Fixed bias and cathode bias: what a worn tube or a different resistor does in each.",
    (seventy, share, rule, worn, next_value, four_ohms),
)

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
                    f"70 % of {rated:g} W are {0.7 * float(rated or 0):.1f} W; watts over volts "
                    "are amperes. That is the plate's current: at the cathode the screen's comes "
                    "on top."
                ),
                (
                    "The room above it is for the signal: a class AB pair in fixed bias draws "
                    "far more under drive than at rest, and nothing holds its plates back."
                ),
            ),
            of_row(row, f"70 % of a {type_}: {watts:g} W", {"current": watts / volts}, Within(3)),
        )

    return Question(
        "seventy",
        (
            f"A pair of {type_} in fixed bias, class AB. At which plate current does each "
            "tube idle at the usual 70 % of its plate rating?"
        ),
        Numbers((Handle("current", "plate current of one tube", "A", 5e-3, 0.3, Within(5)),)),
        ("First the watts: 70 % of the rating.", "Watts over volts are amperes."),
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
                    f"{stage.plate_v * stage.plate_a:.1f} W of {stage.ratings.plate_w:g} W. "
                    "Makers run stages in cathode bias close to the plate's rating, one tube as "
                    "well as a pair."
                ),
                (
                    "They may: the resistor holds the current. Under drive it rises little, and "
                    "what the pair takes from the supply leaves as sound, not as heat."
                ),
            ),
            of_row(row, "the maker's own line", {"share": printed}, Within(7)),
        )

    return Question(
        "share",
        (
            f"A maker's line: {said_of(row)}, cathode bias. How much of its plate rating "
            f"does {'the tube' if tubes_of(row) == 1 else 'each tube'} use at rest?"
        ),
        Numbers((Handle("share", "of the rating", "%", 0.0, 150.0, Within(absolute=8), step=1.0),)),
        (
            "The cathode current is volts over ohms; of a pair each tube has half.",
            "Take some 7 % off for the screen: that is the plate's.",
            "Times plate to cathode, over the rating.",
        ),
        work,
        {
            "plate to cathode": f"{row['Va_V']:g} V",
            "cathode resistor": f"{row['Rk_ohm']:g} Ω",
            "across it": f"{stage.bias_v:.1f} V",
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
            f"An amp with an output pair in cathode bias idles at {percent} % of its "
            "plate rating, as its drawing has it. 'Bring it down to 70 %', somebody "
            "says. What do you do?"
        ),
        Choice(
            draw.shuffled(
                {
                    "leave": "Leave it, once no rating is exceeded at today's mains",
                    "raise": "Raise the cathode resistor until 70 % is reached",
                    "lower": "Lower B+ until 70 % is reached",
                    "fixed": "Change it to fixed bias, so that it can be set to 70 %",
                }
            )
        ),
        (
            "What was the room above 70 % for?",
            ("Does the current of such a pair rise under drive as that of a fixed-bias pair does?"),
        ),
        lambda: Answer(
            "leave",
            (
                (
                    "The 70 % rule is for class AB in fixed bias, where drive raises the current "
                    "and nothing holds it. In cathode bias the resistor holds it, and the amp "
                    "was laid out for it: at 70 % it would only clip sooner."
                ),
                "What counts is the rating itself, at the mains of today.",
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
                    "In fixed bias grid, screen and plate stay where they are: what the cathode "
                    "cannot give is missing."
                ),
                (
                    f"In cathode bias less current makes less bias, from {new.bias_v:.1f} to "
                    f"{old.bias_v:.1f} V, and the tube opens again. That is why a tired pair "
                    "hides in such an amp, and why its cathode voltage is the reading to take."
                ),
            ),
            Outside(
                "emission is the current left at the same voltages: fixed bias keeps just that share",
                "by definition",
                "computed",
                {"fixed": 100 * emission},
                Within(3),
            ),
        )

    return Question(
        "worn",
        (
            "Two pairs of 6V6GT that idled alike, one in fixed bias, one on a cathode "
            f"resistor. Both wear down to {100 * emission:.0f} % of their emission. How "
            "much of its plate current has each left?"
        ),
        Numbers(
            (
                Handle("fixed", "fixed bias", "%", 0.0, 120.0, Within(absolute=5), step=1.0),
                Handle("held", "cathode bias", "%", 0.0, 120.0, Within(absolute=5), step=1.0),
            )
        ),
        (
            "In which of the two does anything change at the grid, seen from the cathode?",
            "Less current makes less bias: the resistor takes back a good part of the loss, but not all.",
        ),
        work,
        {"cathode resistor of the second": "270 Ω", "B+": "270 V, held"},
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
                    f"{one.plate_a * 1e3:.1f} mA become {two.plate_a * 1e3:.1f} mA a tube; the "
                    f"bias goes from {one.bias_v:.1f} to {two.bias_v:.1f} V. If the voltage "
                    f"stayed it would be {alone:+.0f} %, but the tube answers the bias and takes "
                    "back a good half of it."
                ),
            ),
        )

    return Question(
        "next_value",
        (
            f"The common cathode resistor of a 6V6GT pair is changed from {before:g} to "
            f"{after:g} Ω. By how much does the plate current change? Down is minus."
        ),
        Numbers((Handle("change", "plate current", "%", -60.0, 60.0, Within(absolute=4), step=0.5),)),
        (
            "By Ohm's law alone it would change as the resistor does, the other way round.",
            "The bias changes too, and works against it: about half is left.",
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
                    f"{change:+.1f} %: less than tubes of one box differ, less than the mains "
                    "does in an evening. Leave it."
                ),
            ),
            practice("a cathode resistor a few ohms above 250 is fine", "little"),
        )

    return Question(
        "four_ohms",
        (
            f"A cathode resistor of 250 Ω measures {show(250 + extra, 'ohm')}. By how "
            "much is the pair's current off?"
        ),
        Choice(
            draw.shuffled(
                {
                    "little": "less than 2 %: leave it",
                    "some": "2 to 8 %: worth a note",
                    "much": "more than 8 %: change it",
                }
            )
        ),
        ("How many per cent is the resistor off?", "The current is off by less than that."),
        work,
        {"output tubes": "a pair of 6V6GT on 285 V"},
    )


def _at(ohms: float) -> BiasStage:
    return pair_of_6v6(supply=285.0, screen=285.0, cathode=ohms)


LESSON = Lesson(
    "03",
    "Does the 70 % rule hold for this amp?",
    "Fixed bias and cathode bias, and how each answers a worn tube or another resistor.",
    (seventy, share, rule, worn, next_value, four_ohms),
)

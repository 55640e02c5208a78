"""Lesson 5: ripple, the reservoir, and why the second capacitor is not the first."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np

from tubekit.amp import AmpReport, analyse, load_amp
from tubekit.amp.discharge import LIMIT_V, MEASURE, HeldCharge, discharge
from tubekit.analyses.mains import mains_steady_state
from tubekit.panels.lessons.course import Lesson
from tubekit.panels.lessons.draw import Draw
from tubekit.panels.lessons.outside import of_row, textbook
from tubekit.panels.lessons.question import Answer, Choice, Handle, Numbers, Outside, Picture, Question
from tubekit.panels.lessons.score import Within
from tubekit.references import cite
from tubekit.tables import handbook
from tubekit.textbook import capacitor_input
from tubekit.units import show

AMP = "teasel"
DROPPERS = ((6.8e3, 20e-6), (10e3, 20e-6), (22e3, 20e-6))
"""Resistor and capacitor of each section behind the reservoir [Ω, F], as the demo amp has them."""


def sawtooth(draw: Draw) -> Question:
    """Ripple at the reservoir."""
    amps, farads, hertz = draw.one_of(((0.1, 40e-6, 60.0), (0.07, 20e-6, 60.0), (0.12, 60e-6, 50.0)))
    row = handbook("practice", topic="ripple at reservoir")[0]

    def work() -> Answer:
        circuit = capacitor_input(
            "5AR4",
            secondary_rms=325.0,
            source_resistance=160.0,
            reservoir=farads,
            load_current=amps,
            frequency_hz=hertz,
        )
        ripple = float(mains_steady_state(circuit, frequency_hz=hertz).ripple_pp("b_plus")[0])
        bound = amps / (2 * hertz * farads)
        return Answer(
            {"ripple": ripple},
            (
                (
                    "If the reservoir had to feed the load alone from crest to crest it would "
                    f"sink by I / (2 f C) = {bound:.1f} V. But with a tube and a winding in the "
                    "way the charging takes a good part of the time, so it sinks for less long: "
                    f"here to {100 * ripple / bound:.0f} % of that."
                ),
            ),
            of_row(
                row,
                (
                    f"I/(2 f C) is the upper bound ({bound:.1f} V here); with a tube rectifier 50 "
                    "to 65 % of it"
                ),
                {"ripple": 0.575 * bound},
                Within(18),
            ),
        )

    return Question(
        "sawtooth",
        "How large is the ripple at this reservoir, peak to peak?",
        Numbers((Handle("ripple", "ripple, peak to peak", "V", 0.0, 60.0, Within(25), step=0.25),)),
        (
            "Between two crests the load lives on the reservoir alone. How long is that, full wave?",
            "Charge is current times time; volts are charge over farads: I / (2 f C).",
            "That is the upper bound. Half to two thirds of it is usual with a tube rectifier.",
        ),
        work,
        {
            "rectifier": "5AR4, full wave",
            "reservoir": show(farads, "F"),
            "load": show(amps, "A"),
            "mains": f"{hertz:g} Hz",
        },
    )


def twice(draw: Draw) -> Question:
    """Ripple against capacitance."""
    word, farads, factor = draw.one_of(
        (("twice", "40u", 2.0), ("half", "10u", 0.5), ("three times", "60u", 3.0))
    )
    row = handbook("worked_examples", id="W16")[0]

    def work() -> Answer:
        before = report()
        after = changed("C14", farads)
        one, two = (float(each.rails[0].ripple_pp_v) for each in (before, after))
        dc = [float(each.node("B1").dc_v) for each in (before, after)]
        return Answer(
            {"left": 100 * two / one},
            (
                (
                    f"From {one:.1f} to {two:.1f} V: the same charge is taken between crests, and "
                    f"{word} the farads sink by so much less or more. B+ itself hardly moves: "
                    f"{dc[0]:.0f} and {dc[1]:.0f} V."
                ),
            ),
            of_row(row, "ripple goes with 1 / (C R)", {"left": 100 / factor}, Within(8)),
        )

    return Question(
        "twice",
        f"A reservoir of 20 µF is replaced by {word} that. What becomes of its ripple, against before?",
        Numbers((Handle("left", "ripple against before", "%", 0.0, 300.0, Within(12), step=1.0),)),
        ("The load takes the same charge as before.", "Volts are charge over farads."),
        work,
        {"rectifier": "5Y3GT, full wave", "load": "73 mA", "ripple with 20 µF": "18.5 V peak to peak"},
    )


def chain(draw: Draw) -> Question:
    """Ripple from one filter to the next."""
    hertz = draw.one_of((60.0, 50.0))

    def work() -> Answer:
        found = along(hertz)
        passed = np.cumprod([found[0], *(1 / (2 * np.pi * 2 * hertz * r * c) for r, c in DROPPERS)])
        keys = ("B2", "B3", "B4")
        return Answer(
            dict(zip(keys, found[1:], strict=True)),
            (
                (
                    f"At {2 * hertz:g} Hz 20 µF have {1 / (4 * np.pi * hertz * 20e-6):.0f} Ω. "
                    "With the resistor before them they are a divider: each section passes one "
                    "part in a hundred, or less."
                ),
                (
                    "A ripple that is volts at the output tubes is microvolts at the first: each "
                    "stage has as much filtering as the stages after it amplify."
                ),
            ),
            textbook(
                "a section of R and C passes 1 / (2 π f R C) of the ripple, f twice the mains",
                dict(zip(keys, map(float, passed[1:]), strict=True)),
                Within(20),
            ),
        )

    near = Within(factor=2.5)
    return Question(
        "chain",
        (
            "A chain of filters: the reservoir's node is B1, and three sections follow. "
            "Sketch the ripple along it."
        ),
        Numbers(
            tuple(
                Handle(
                    name,
                    f"{name}, behind {show(ohms, 'ohm', 2)}",
                    "V",
                    1e-6,
                    100.0,
                    near,
                    series="E12",
                    at=float(k),
                )
                for k, (name, (ohms, _)) in enumerate(zip(("B2", "B3", "B4"), DROPPERS, strict=True), 1)
            )
        ),
        (
            f"The ripple's frequency is twice the mains: {2 * hertz:g} Hz. How many ohms have 20 µF there?",
            "1 / (2 π f C): some 66 to 80 Ω. With 6.8 kΩ before it, what part is left?",
            "About a hundredth. The next sections pass still less, since their resistors are larger.",
        ),
        work,
        {
            "ripple at B1": "18.5 V peak to peak" if hertz == 60 else "22 V peak to peak",
            "each capacitor": "20 µF",
            "mains": f"{hertz:g} Hz",
        },
        Picture(
            "curve",
            {
                "y_label": "Ripple, peak to peak",
                "x_label": "node along the chain",
                "x_range": (0.6, 3.4),
                "names": ("B2", "B3", "B4"),
            },
        ),
    )


def second(draw: Draw) -> Question:
    """Which capacitor to double."""
    row = handbook("rectifier_ratings", tube="5Y3GT")[0]

    def work() -> Answer:
        before = report()
        left = {}
        for name in ("C14", "C15"):
            after = changed(name, "40u")
            left[name] = float(after.rails[1].ripple_pp_v)
        most = before.rectifiers[0]
        allowed = row.number("C_in_max_uF")
        key = "C15" if abs(left["C14"] / left["C15"] - 1) < 0.1 else min(left, key=lambda name: left[name])
        return Answer(
            key,
            (
                (
                    f"Both halve it: {1e3 * float(before.rails[1].ripple_pp_v):.0f} mV become "
                    f"{1e3 * left['C14']:.0f} mV with a larger C14, {1e3 * left['C15']:.0f} mV "
                    "with a larger C15. But C14 stands straight at the rectifier: a "
                    f"{most.types[0]} is made for {allowed:.0f} µF there."
                ),
                (
                    "Behind a dropper a capacitor fills slowly and asks no pulse of the cathode. "
                    "That is why the second capacitor is not the first."
                ),
            ),
            of_row(row, f"5Y3GT: {allowed:g} µF at its input at most", "C15"),
        )

    return Question(
        "second",
        (
            "The screens' rail of a combo hums, and its ripple is to be halved. C14 is "
            "the reservoir at the 5Y3GT, C15 stands behind the first dropper; both have "
            "20 µF. Which one do you double?"
        ),
        Choice(
            draw.shuffled(
                {
                    "C14": "C14, the reservoir",
                    "C15": "C15, behind the dropper",
                    "either": "either: nothing speaks for one of them",
                    "neither": "neither: it does not help",
                }
            )
        ),
        (
            "Work out what each does to the ripple behind the dropper.",
            "And who has to fill each of them at switch-on?",
        ),
        work,
    )


def bled(draw: Draw) -> Question:
    """How long the filters hold."""
    ohms, farads = draw.one_of((("220k", 80e-6), ("100k", 80e-6), ("470k", 80e-6)))
    number = {"220k": 220e3, "100k": 100e3, "470k": 470e3}[ohms]

    def work() -> Answer:
        first = emptied(ohms)
        start = float(first.volts[0])
        told = number * farads * float(np.log(start / LIMIT_V))
        return Answer(
            {"time": float(first.to_limit_s)},
            (
                (
                    f"R times C is {number * farads:.0f} s, and from {start:.0f} to {LIMIT_V:g} V "
                    f"it takes ln({start:.0f}/60) = {np.log(start / LIMIT_V):.2f} times that. "
                    "With warm tubes it goes faster, but nobody can count on that: in standby, "
                    "or with a tube pulled, the bleeder is alone."
                ),
                MEASURE,
            ),
            Outside(
                (
                    "R C ln(V / 60 V), any textbook; the standard speaks of 60 V within 5 s: "
                    f"{cite('iec-60204-1')}"
                ),
                "any textbook",
                "from memory",
                {"time": told},
                Within(10),
            ),
        )

    return Question(
        "bled",
        (
            "The amp is switched off with its tubes cold, all filters at 427 V. How long "
            "is that, by calculation, until they are down to 60 V?"
        ),
        Numbers((Handle("time", "time to 60 V", "s", 0.1, 1000.0, Within(25)),)),
        (
            "One time constant is R times C: all four filters hang on the one bleeder.",
            "After each of them 37 % are left.",
            "The time is R C times the natural logarithm of 427 / 60, about 2.",
        ),
        work,
        {"filters together": show(farads, "F"), "bleeder": show(number, "ohm")},
        caution=(
            "A calculation is not a measurement: a bleeder may be open. Discharge through "
            "a resistor and check with a meter before you touch anything. Follow local "
            "codes; leave licensed work to licensed people."
        ),
    )


@cache
def report() -> AmpReport:
    """The combo as it came."""
    return analyse(load_amp(AMP))


@cache
def changed(part: str, value: str) -> AmpReport:
    """The combo with one part changed."""
    return analyse(load_amp(AMP).changed({part: value}), near=report())


@cache
def emptied(bleeder: str) -> HeldCharge:
    """Its reservoir after switch-off, tubes cold."""
    return discharge(load_amp(AMP).changed({"R24": bleeder})).of("C14")


@cache
def along(hertz: float) -> tuple[float, ...]:
    """Ripple along its chain of filters, peak to peak [V]."""
    return tuple(float(each.ripple_pp_v) for each in analyse(replace(load_amp(AMP), mains_hz=hertz)).rails)


LESSON = Lesson(
    "05",
    "Why is the second capacitor not the first?",
    "Ripple at the reservoir and along the chain of filters, and how long it all holds its charge.",
    (sawtooth, twice, chain, second, bled),
)

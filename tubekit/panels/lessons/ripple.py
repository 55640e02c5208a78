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
                    "If the reservoir alone fed the load from peak to peak, it would drop by I / (2 f "
                    f"C) = {bound:.1f} V. With a tube rectifier and a real winding, charging takes a "
                    "good part of each cycle, so the reservoir discharges for less time: here the drop "
                    f"is {100 * ripple / bound:.0f} % of that."
                ),
            ),
            of_row(
                row,
                (f"I/(2 f C) is the maximum ({bound:.1f} V here); a tube rectifier gives 50 to 65 % of it"),
                {"ripple": 0.575 * bound},
                Within(18),
            ),
        )

    return Question(
        "sawtooth",
        "How large is the ripple at this reservoir, peak to peak?",
        Numbers((Handle("ripple", "ripple, peak to peak", "V", 0.0, 60.0, Within(25), step=0.25),)),
        (
            "Between peaks the reservoir alone feeds the load. How long is that in a full-wave supply?",
            "Charge is current times time; volts are charge divided by farads: I / (2 f C).",
            "That is the maximum. With a tube rectifier expect half to two thirds of it.",
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
                    f"From {one:.1f} to {two:.1f} V: the load takes the same charge between peaks, so "
                    "the drop is inversely proportional to the capacitance. B+ itself hardly moves: "
                    f"{dc[0]:.0f} and {dc[1]:.0f} V."
                ),
            ),
            of_row(row, "ripple is proportional to 1 / (C R)", {"left": 100 / factor}, Within(8)),
        )

    return Question(
        "twice",
        (
            f"A 20 µF reservoir is replaced by one {word} as large. What is the ripple now, in percent of "
            "before?"
        ),
        Numbers((Handle("left", "ripple, share of before", "%", 0.0, 300.0, Within(12), step=1.0),)),
        ("The load takes the same charge.", "Volts are charge divided by farads."),
        work,
        {"rectifier": "5Y3GT, full wave", "load": "73 mA", "ripple with 20 µF": "18.5 V p-p"},
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
                    f"At {2 * hertz:g} Hz 20 µF has a reactance of "
                    f"{1 / (4 * np.pi * hertz * 20e-6):.0f} Ω. With the resistor ahead of it, it forms "
                    "a divider: each section passes 1/100 or less."
                ),
                (
                    "Ripple of several volts at the output tubes is microvolts at the first tube. The "
                    "more gain follows a stage, the better its supply is filtered."
                ),
            ),
            textbook(
                "an RC section passes 1 / (2 π f R C) of the ripple, where f is twice the line frequency",
                dict(zip(keys, map(float, passed[1:]), strict=True)),
                Within(20),
            ),
        )

    near = Within(factor=2.5)
    return Question(
        "chain",
        (
            "A filter chain starts at the reservoir, B1, and has three more sections. Sketch the "
            "ripple along it."
        ),
        Numbers(
            tuple(
                Handle(
                    name,
                    f"{name}, after {show(ohms, 'ohm', 2)}",
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
            (
                f"Ripple frequency is twice the line frequency: {2 * hertz:g} Hz. What is the reactance of "
                "20 µF there?"
            ),
            "1 / (2 π f C) is 66 to 80 Ω. With 6.8 kΩ ahead of it, what share is left?",
            "About 1/100. The next sections have larger resistors and pass even less.",
        ),
        work,
        {
            "ripple at B1": "18.5 V p-p" if hertz == 60 else "22 V p-p",
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
                    f"Both halve it: {1e3 * float(before.rails[1].ripple_pp_v):.0f} mV becomes "
                    f"{1e3 * left['C14']:.0f} mV with a larger C14, {1e3 * left['C15']:.0f} mV with a "
                    f"larger C15. But C14 connects straight to the rectifier, and a {most.types[0]} is "
                    f"rated for only {allowed:.0f} µF there."
                ),
                (
                    "After a dropping resistor a capacitor charges slowly and takes no current pulse "
                    "from the rectifier's cathode. That is why the two are treated differently."
                ),
            ),
            of_row(row, f"5Y3GT: {allowed:g} µF maximum at its output", "C15"),
        )

    return Question(
        "second",
        (
            "The screen supply of a combo hums, and you want half the ripple. C14 is the reservoir at "
            "the 5Y3GT, C15 follows the first dropping resistor; both are 20 µF. Which one do you "
            "double?"
        ),
        Choice(
            draw.shuffled(
                {
                    "C14": "C14, the reservoir",
                    "C15": "C15, after the dropping resistor",
                    "either": "either one: no reason to prefer one",
                    "neither": "neither: it would not help",
                }
            )
        ),
        (
            "Calculate what each does to the ripple after the dropping resistor.",
            "Then ask: what charges each of them at switch-on?",
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
                    f"R times C is {number * farads:.0f} s, and going from {start:.0f} to {LIMIT_V:g} V "
                    f"takes ln({start:.0f}/60) = {np.log(start / LIMIT_V):.2f} times that. Warm tubes "
                    "discharge it faster, but do not count on them: in standby, or with a tube pulled, "
                    "only the bleeder is left."
                ),
                MEASURE,
            ),
            Outside(
                (
                    "R C ln(V / 60 V), any electronics textbook; the standard asks for 60 V within 5 "
                    f"s: {cite('iec-60204-1')}"
                ),
                "any electronics textbook",
                "from memory",
                {"time": told},
                Within(10),
            ),
        )

    return Question(
        "bled",
        (
            "The amp is switched off with its tubes cold and all filter caps at 427 V. How long, by "
            "calculation, until they are down to 60 V?"
        ),
        Numbers((Handle("time", "time to 60 V", "s", 0.1, 1000.0, Within(25)),)),
        (
            "One time constant is R times C: one bleeder discharges all four filter caps.",
            "After each time constant 37 % is left.",
            "The time is R C times the natural log of 427 / 60, about 2.",
        ),
        work,
        {"all filter caps together": show(farads, "F"), "bleeder": show(number, "ohm")},
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
    "Why are the first and second filter caps treated differently?",
    "Ripple at the reservoir and along the filter chain, and how long the caps hold their charge.",
    (sawtooth, twice, chain, second, bled),
)

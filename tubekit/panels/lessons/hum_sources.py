"""Lesson 9: where hum comes from."""

from __future__ import annotations

from functools import cache

import numpy as np

from tubekit.amp import load_amp
from tubekit.amp.hum import Hum, hum
from tubekit.amp.hum_balance import HumBalance, hum_balance
from tubekit.panels.lessons.course import Lesson
from tubekit.panels.lessons.draw import Draw
from tubekit.panels.lessons.outside import practice, textbook
from tubekit.panels.lessons.question import Answer, Choice, Handle, Numbers, Outside, Picture, Question
from tubekit.panels.lessons.score import Within
from tubekit.units import show

AMP, BALANCED = "teasel", "fescue"
STATES = (
    ("as it came", ()),
    ("its reservoir C14 dried out to 4 µF", (("C14", "4u"),)),
    ("one of the two resistors that centre its heaters open", (("R26", "open"),)),
    ("one of its output tubes worn to half its emission", (("V4.emission", 0.5),)),
)


@cache
def of(amp: str, changes: tuple[tuple[str, object], ...] = ()) -> Hum:
    """The hum of an amp with some changes."""
    return hum(load_amp(amp).changed(dict(changes)))


@cache
def balance(share: float) -> HumBalance:
    """The hum balance turned from end to end, one tube off by a share."""
    off = {"V1": share} if share else 0.0
    return hum_balance(load_amp(BALANCED), unbalance=off, positions=np.linspace(0.0, 1.0, 41))


def from_node(found: Hum, node: str) -> float:
    """Hum at the loudspeaker from one node, all its ways together [V rms]."""
    return float(np.sqrt((np.abs(sum(s.volts for s in found.sources if s.node == node)) ** 2).sum()))


def rate(draw: Draw) -> Question:
    """The pitch of ripple."""
    name, words, node = draw.one_of(
        (
            ("teasel", "a combo for 117 V, 60 Hz with a full-wave rectifier", "B1"),
            ("burdock", "a head for 240 V, 50 Hz with a full-wave rectifier", "B0"),
            ("burdock", "the bias supply of a head for 240 V, 50 Hz, from one diode", "bias_1"),
        )
    )

    def work() -> Answer:
        found = of(name)
        volts = np.sum([np.abs(s.volts[0]) for s in found.sources if s.node == node], axis=0)
        hertz = float(found.frequencies_hz[int(np.argmax(volts))])
        mains = load_amp(name).mains_hz
        times = 1 if node == "bias_1" else 2
        return Answer(
            {"rate": hertz},
            (
                (
                    "A full-wave rectifier fills the reservoir twice in each cycle, a single "
                    "diode once. Hum at the mains' own frequency has come in before the "
                    "rectifier: from heaters, or through an open lead."
                ),
                "So the first thing to ask of a hum is its pitch.",
            ),
            textbook(
                f"{times} pulse{'s' if times == 2 else ''} in each cycle", {"rate": times * mains}, Within(1)
            ),
        )

    return Question(
        "rate",
        f"At which frequency does the ripple of {words} hum?",
        Numbers(
            (Handle("rate", "lowest tone of its ripple", "Hz", 20.0, 500.0, Within(absolute=4), step=5.0),)
        ),
        ("How often in each cycle of the mains does a pulse fill the capacitor?",),
        work,
    )


def largest(draw: Draw) -> Question:
    """Which source is the largest in a whole amp."""
    words, changes = draw.one_of(STATES)
    options = {
        "heaters": "the heaters",
        "B1": "B1, the reservoir",
        "B3": "B3, the inverter's rail",
        "B4": "B4, the first tube's rail",
    }

    def work() -> Answer:
        found = of(AMP, changes)
        shares = {node: from_node(found, node) for node in ("B1", "B3", "B4")}
        shares["heaters"] = float(np.sqrt((np.abs(found.of_kind("heater")) ** 2).sum()))
        told = "; ".join(
            f"{options[key]} {show(volts, 'V')}" for key, volts in sorted(shares.items(), key=lambda p: -p[1])
        )
        return Answer(
            max(shares, key=lambda key: shares[key]),
            (
                f"At the loudspeaker: {told}.",
                (
                    "B1 has by far the largest ripple, but it meets both halves of the output "
                    "transformer alike and cancels. What enters at the first tube is small, and "
                    "is amplified by everything."
                ),
            ),
        )

    return Question(
        "largest",
        (
            f"A two-stage combo with a push-pull output, {words}. Which source of hum is "
            "the largest at the loudspeaker?"
        ),
        Choice(draw.shuffled(options)),
        (
            "How much ripple has each rail, and how much is amplified behind it?",
            ("What does a push-pull pair do with ripple that comes to both its plates alike?"),
        ),
        work,
        {"controls": "at half", "inputs": "one open, shunted by its own jack"},
    )


def cancels(draw: Draw) -> Question:
    """What a mismatch does to the cancelling."""
    emission = draw.one_of((0.7, 0.85, 0.5))

    def work() -> Answer:
        matched, off = (from_node(of(AMP, c), "B1") for c in ((), (("V4.emission", emission),)))
        alone = max(float(s.rms[0]) for s in of(AMP).sources if s.node == "B1")
        return Answer(
            {"times": off / matched},
            (
                (
                    f"Matched, {show(matched, 'V')} come from B1; with one tube worn "
                    f"{show(off, 'V')}. By one half alone it would be {show(alone, 'V')}: the "
                    "pair lives by cancelling."
                ),
                "So a hum that came slowly asks first whether the pair still matches.",
            ),
        )

    return Question(
        "cancels",
        (
            "Hum from the reservoir cancels in the output pair while its tubes match. "
            f"One of them wears down to {100 * emission:.0f} % of its emission. How many "
            "times more hum comes from B1?"
        ),
        Numbers((Handle("times", "times more", "×", 1.0, 100.0, Within(factor=1.8), series="E24"),)),
        (
            "The halves are two large equal shares. What is left of them is the difference.",
            "A few per cent of a share that is some eighty times larger.",
        ),
        work,
        {"one half alone": "about 80 times the rest of the matched pair"},
    )


def null(draw: Draw) -> Question:
    """Where the hum balance has its null."""
    share, words = draw.one_of(
        (
            (0.0, "All tubes match"),
            (0.2, "V1 takes 20 % more from one heater lead than from the other"),
            (-0.2, "V1 takes 20 % less from one heater lead than from the other"),
        )
    )
    at = (0.0, 30.0, 70.0, 100.0)

    def work() -> Answer:
        found = balance(share)
        volts = np.interp(at, 100 * found.positions, found.heater_v)
        return Answer(
            {f"at{k:.0f}": float(v) for k, v in zip(at, volts, strict=True)},
            (
                (
                    "The heaters' two ends swing against each other; the wiper says which point "
                    "between them is at rest. To both sides of the null the hum grows with the "
                    "distance from it, so on this scale it falls into a notch."
                ),
                (
                    f"The null lies at {100 * found.null:.0f} % of the travel, "
                    f"{found.depth_db:.0f} dB below the worse end. What the control cannot take "
                    "out is left there."
                ),
            ),
            Outside(
                (
                    "with matched tubes the null lies near the middle; near the end of the "
                    "travel one tube leaks, or a heater lead runs close to a grid"
                ),
                "common practice, no source",
                "common practice",
            ),
            curve=(100 * found.positions, found.heater_v),
        )

    near = Within(factor=2)
    return Question(
        "null",
        (
            f"{words}. The hum balance is a potentiometer across the heaters. Sketch the "
            "heater hum at the loudspeaker against its position."
        ),
        Numbers(
            tuple(
                Handle(f"at{k:.0f}", f"at {k:.0f} %", "V", 1e-5, 1e-2, near, series="E12", at=k) for k in at
            )
        ),
        (
            "At one end all of the heater voltage stands against ground on one side.",
            "From the end to the null it goes down in a straight line: half the way, half the hum.",
            (
                "30 % is three fifths of the way from the end to the middle. Where is the "
                "null, if one tube is off?"
            ),
        ),
        work,
        {"at either end, tubes matched": "1.3 mV"},
        Picture(
            "curve",
            {
                "y_label": "Heater hum at the loudspeaker",
                "x_label": "position of the control, %",
                "x_range": (-3.0, 103.0),
            },
        ),
    )


def pulled(draw: Draw) -> Question:
    """Finding the stage by pulling tubes."""
    stays, goes, right = draw.one_of(
        (("V1", "V2", "V2"), ("V2", "V3", "V3"), ("the plug in the input", "V1", "V1"))
    )
    options = {
        "V1": "at the first tube, its grid or its rail",
        "V2": "between the first tube and the inverter, or at their rail",
        "V3": "behind the inverter: output pair, its bias or its supply",
        "input": "before the amp: the cord, the instrument",
    }
    return Question(
        "pulled",
        (
            "An amp hums. "
            f"{'With V1 pulled' if stays == 'V1' else f'With {stays} pulled'} it hums as "
            f"before; with {goes} pulled it is quiet. Where does the hum come in?"
        ),
        Choice(options),
        ("What is in front of a tube that is not there cannot be heard.",),
        lambda: Answer(
            right,
            (
                (
                    "Whatever comes in before a pulled tube is gone with it. It stays while an "
                    "earlier one is pulled, and goes with this one: so it comes in at this one, "
                    "or at what feeds it."
                ),
                (
                    "In cathode bias with a common resistor, or heaters in series, a pulled tube "
                    "upsets the others: look at the drawing first. Tubes are pulled with the "
                    "power off."
                ),
            ),
            practice("tubes are pulled one by one, from the input on", right),
        ),
        caution=(
            "With a tube pulled B+ rises. Unplug and discharge the filter caps before you "
            "reach in, and check with a meter. Follow local codes; leave licensed work to "
            "licensed people."
        ),
    )


LESSON = Lesson(
    "09",
    "Where does this hum come from?",
    "Ripple, heaters, and a pair that cancels: a combo, and an amp with a hum balance.",
    (rate, largest, cancels, null, pulled),
)

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
    ("in good order", ()),
    ("with its reservoir C14 dried out to 4 µF", (("C14", "4u"),)),
    ("with one of the two heater-center-tap resistors open", (("R26", "open"),)),
    ("with one output tube worn to 50 % emission", (("V4.emission", 0.5),)),
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
            ("teasel", "a 117 V, 60 Hz combo with a full-wave rectifier", "B1"),
            ("burdock", "a 240 V, 50 Hz head with a full-wave rectifier", "B0"),
            ("burdock", "the single-diode bias supply of a 240 V, 50 Hz head", "bias_1"),
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
                    "A full-wave rectifier charges the reservoir twice per cycle, a single diode once. "
                    "Hum at the line frequency itself comes from ahead of the rectifier: from heaters, "
                    "or picked up by an open lead."
                ),
                "So listen to the pitch of the hum first.",
            ),
            textbook(
                f"{times} pulse{'s' if times == 2 else ''} per cycle", {"rate": times * mains}, Within(1)
            ),
        )

    return Question(
        "rate",
        f"What is the ripple frequency of {words}?",
        Numbers(
            (Handle("rate", "lowest ripple frequency", "Hz", 20.0, 500.0, Within(absolute=4), step=5.0),)
        ),
        ("How many times per line cycle is the capacitor charged?",),
        work,
    )


def largest(draw: Draw) -> Question:
    """Which source is the largest in a whole amp."""
    words, changes = draw.one_of(STATES)
    options = {
        "heaters": "the heaters",
        "B1": "B1, the reservoir",
        "B3": "B3, supply of the phase inverter",
        "B4": "B4, supply of the first tube",
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
                f"At the speaker: {told}.",
                (
                    "B1 has by far the largest ripple, but it reaches both halves of the output "
                    "transformer equally and cancels. What enters at the first tube is small, but "
                    "every stage amplifies it."
                ),
            ),
        )

    return Question(
        "largest",
        (
            f"A two-stage combo with a push-pull output, {words}. Which source makes the most hum at "
            "the speaker?"
        ),
        Choice(draw.shuffled(options)),
        (
            "How much ripple is on each supply node, and how much gain follows it?",
            ("What does a push-pull pair do with ripple that is equal at both plates?"),
        ),
        work,
        {"controls": "half way", "inputs": "nothing plugged in, shorted by the jack"},
    )


def cancels(draw: Draw) -> Question:
    """What a mismatch does to the canceling."""
    emission = draw.one_of((0.7, 0.85, 0.5))

    def work() -> Answer:
        matched, off = (from_node(of(AMP, c), "B1") for c in ((), (("V4.emission", emission),)))
        alone = max(float(s.rms[0]) for s in of(AMP).sources if s.node == "B1")
        return Answer(
            {"times": off / matched},
            (
                (
                    f"With matched tubes, B1 makes {show(matched, 'V')}; with one tube worn, "
                    f"{show(off, 'V')}. One half alone would make {show(alone, 'V')}: the pair relies "
                    "on cancellation."
                ),
                "If hum came on slowly, first check whether the pair still matches.",
            ),
        )

    return Question(
        "cancels",
        (
            "Reservoir hum cancels in the output pair while its tubes match. One of them wears down to "
            f"{100 * emission:.0f} % emission. How many times larger is the hum from B1?"
        ),
        Numbers((Handle("times", "times larger", "×", 1.0, 100.0, Within(factor=1.8), series="E24"),)),
        (
            "Two large, nearly equal hum currents subtract. Only the difference is left.",
            "The difference is a few percent of a current about 80 times larger.",
        ),
        work,
        {"one half by itself": "about 80 times what is left in a matched pair"},
    )


def null(draw: Draw) -> Question:
    """Where the hum balance has its null."""
    share, words = draw.one_of(
        (
            (0.0, "All tubes are matched"),
            (0.2, "V1 picks up 20 % more from one heater lead than from the other"),
            (-0.2, "V1 picks up 20 % less from one heater lead than from the other"),
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
                    "The two ends of the heater winding swing in opposite phase, and the wiper picks "
                    "the point that stays still. Hum grows with the distance from the null on both "
                    "sides, so this scale shows a notch."
                ),
                (
                    f"The null is at {100 * found.null:.0f} % of the travel, {found.depth_db:.0f} dB "
                    "below the worse end. The rest is hum this control cannot cancel."
                ),
            ),
            Outside(
                (
                    "with matched tubes the null is near the middle; a null near one end means one "
                    "tube leaks, or a heater lead runs close to a grid"
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
            f"{words}. The hum balance is a pot across the heaters. Sketch the heater hum at the "
            "speaker against its position."
        ),
        Numbers(
            tuple(
                Handle(f"at{k:.0f}", f"at {k:.0f} %", "V", 1e-5, 1e-2, near, series="E12", at=k) for k in at
            )
        ),
        (
            "At either end of the control, the whole heater voltage is on one side of ground.",
            "Hum falls in a straight line from the end to the null: half the distance, half the hum.",
            (
                "30 % is three fifths of the way from the end to the middle. Where is the null if one "
                "tube is off?"
            ),
        ),
        work,
        {"at either end, with matched tubes": "1.3 mV"},
        Picture(
            "curve",
            {
                "y_label": "Heater hum at the speaker",
                "x_label": "position of the control, %",
                "x_range": (-3.0, 103.0),
            },
        ),
    )


def pulled(draw: Draw) -> Question:
    """Finding the stage by pulling tubes."""
    stays, goes, right = draw.one_of(
        (("V1", "V2", "V2"), ("V2", "V3", "V3"), ("plug in the input", "V1", "V1"))
    )
    options = {
        "V1": "at the first tube: its grid or its supply",
        "V2": "between the first tube and the phase inverter, or on their supply",
        "V3": "after the phase inverter: output pair, its bias or its supply",
        "input": "ahead of the amp: the cord or the instrument",
    }
    return Question(
        "pulled",
        (
            f"An amp hums. {'With V1 pulled' if stays == 'V1' else f'With {stays} pulled'} the hum is "
            f"still there; with {goes} pulled it stops. Where does the hum get in?"
        ),
        Choice(options),
        ("Nothing ahead of a pulled tube can be heard.",),
        lambda: Answer(
            right,
            (
                (
                    "Pulling a tube stops all hum that enters ahead of it. This hum stays with the "
                    "earlier tube pulled and stops with this one, so it gets in at this tube or its "
                    "supply."
                ),
                (
                    "Check the schematic first: with a shared cathode resistor, or heaters in series, "
                    "a pulled tube upsets the others. Pull tubes only with the power off."
                ),
            ),
            practice("pull the tubes one at a time, starting at the input", right),
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
    "Ripple, heaters, and cancellation in a push-pull pair: a combo, and an amp with a hum balance.",
    (rate, largest, cancels, null, pulled),
)

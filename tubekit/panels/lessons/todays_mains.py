"""Lesson 8: an amp of yesterday on the mains of today."""

from __future__ import annotations

from functools import cache

from tubekit.amp import AmpReport, analyse, load_amp
from tubekit.panels.lessons.course import Lesson
from tubekit.panels.lessons.draw import Draw
from tubekit.panels.lessons.outside import of_row, textbook
from tubekit.panels.lessons.question import Answer, Choice, Handle, Numbers, Question
from tubekit.panels.lessons.score import Within
from tubekit.tables import handbook

AMP, SELECTOR = "teasel", "burdock"
DESIGN = 117.0
RATED_HEATER = 6.3
PLUG = (
    "Do not experiment on the line side: not on the cord, the selector, or a transformer ahead of the amp. "
    "Measure before you touch anything. Follow local codes; leave licensed work to licensed people."
)


@cache
def on(mains: float) -> AmpReport:
    """The combo on other mains."""
    return analyse(load_amp(AMP).changed({}, mains_rms=mains))


@cache
def on_tap(place: int, mains: float) -> float:
    """Heater volts of the head with its selector on a contact."""
    amp = load_amp(SELECTOR).changed({"S3.position": place}, mains_rms=mains)
    return float(analyse(amp).tube("V3").heater_rms_v)


def heater(draw: Draw) -> Question:
    """Heaters follow the mains."""
    mains = draw.one_of((123.0, 126.0, 120.0, 114.0, 110.0))
    own = handbook("standards", topic="ANSI C84.1")[0]

    def work() -> Answer:
        volts = float(on(mains).tube("V3").heater_rms_v)
        at_home = float(on(DESIGN).tube("V3").heater_rms_v)
        return Answer(
            {"heater": volts},
            (
                (
                    f"Heater voltage follows line voltage by the turns ratio alone: {at_home:.2f} V at "
                    f"{DESIGN:g} V, so {volts:.2f} V at {mains:g} V. The heaters' own resistance "
                    "changes it only slightly."
                ),
            ),
            of_row(
                own,
                (
                    f"{own['value']}; {RATED_HEATER} V scaled in proportion: "
                    f"{RATED_HEATER * mains / DESIGN:.2f} V"
                ),
                {"heater": RATED_HEATER * mains / DESIGN},
                Within(2),
            ),
        )

    return Question(
        "heater",
        (
            f"A combo designed for {DESIGN:g} V runs on a line voltage of {mains:g} V. What do its 6.3 V "
            "heaters get?"
        ),
        Numbers((Handle("heater", "heater", "V", 4.0, 9.0, Within(2), step=0.05),)),
        (
            "Every transformer voltage follows the line voltage in proportion.",
            f"{RATED_HEATER} V times {mains:g} divided by {DESIGN:g}.",
        ),
        work,
        {"heaters at 117 V": "6.3 V RMS"},
        caution=PLUG,
    )


def bounds(draw: Draw) -> Question:
    """Whether that is still within what tubes are made for."""
    mains = draw.one_of((125.0, 130.0, 119.0, 105.0))
    own = handbook("practice", topic="heater tolerance")[0]

    def work() -> Answer:
        off = 100 * (float(on(mains).tube("V3").heater_rms_v) / RATED_HEATER - 1)
        return Answer(
            side(off),
            (
                (
                    f"{on(mains).tube('V3').heater_rms_v:.2f} V is {off:+.1f} %. Run too hot, a cathode "
                    "evaporates; run too cool, it is poisoned. Both shorten its life."
                ),
            ),
            of_row(own, str(own["value"]), side(100 * (mains / DESIGN - 1))),
        )

    return Question(
        "bounds",
        f"The same combo runs on {mains:g} V. Are its heaters in tolerance?",
        Choice(
            {
                "good": "within 5 %: good for long life",
                "fair": "5 to 10 % off: still within the usual tolerance",
                "high": "more than 10 % high",
                "low": "more than 10 % low",
            }
        ),
        (f"How far is {mains:g} V from {DESIGN:g} V, in percent?",),
        work,
        {"heaters at 117 V": "6.3 V RMS"},
    )


def side(off: float) -> str:
    """Which sentence a deviation [%] belongs to."""
    if abs(off) <= 5:
        return "good"
    return "fair" if abs(off) <= 10 else "high" if off > 0 else "low"


def supply(draw: Draw) -> Question:
    """B+ follows too."""
    mains = draw.one_of((123.0, 126.0, 110.0, 130.0))

    def work() -> Answer:
        volts, home = (float(on(each).node("B1").dc_v) for each in (mains, DESIGN))
        return Answer(
            {"volts": volts},
            (
                (
                    f"{home:.0f} V times {mains:g} divided by {DESIGN:g}. It is nearly in proportion, "
                    "because the tube currents and the rectifier's drop rise as well."
                ),
                "The filter caps see more than that at switch-on, before the tubes draw current.",
            ),
            textbook("in proportion", {"volts": 333.0 * mains / DESIGN}, Within(2)),
        )

    return Question(
        "supply",
        f"Its B+ is 333 V at {DESIGN:g} V. What is it at {mains:g} V?",
        Numbers((Handle("volts", "B+", "V", 200.0, 500.0, Within(2), step=1.0),)),
        ("How does B+ follow the line voltage?", "It is nearly in proportion."),
        work,
        {"rectifier": "5Y3GT", "output pair": "cathode bias"},
        caution=PLUG,
    )


def heat(draw: Draw) -> Question:
    """Heat rises twice as fast as volts."""
    mains = draw.one_of((123.0, 126.0, 130.0, 120.0))

    def work() -> Answer:
        now, home = (on(each).tube("V3") for each in (mains, DESIGN))
        change = 100 * (float(now.plate_w) / float(home.plate_w) - 1)
        square = 100 * ((mains / DESIGN) ** 2 - 1)
        return Answer(
            {"change": change},
            (
                (
                    f"Volts and current rise together: {square:.0f} % by the square law alone, and a "
                    "little more because tube current rises faster than the voltage."
                ),
                (
                    f"Each plate goes from {100 * float(home.plate_share):.0f} to "
                    f"{100 * float(now.plate_share):.0f} % of its rating."
                ),
            ),
            textbook("watts rise at least with the square of the volts", {"change": square}, Within(15)),
        )

    return Question(
        "heat",
        (
            f"The line voltage goes from {DESIGN:g} to {mains:g} V. How far does the plate dissipation "
            "of the output pair rise?"
        ),
        Numbers(
            (Handle("change", "plate dissipation rises by", "%", 0.0, 60.0, Within(absolute=3), step=0.5),)
        ),
        (
            f"The volts rise by {100 * (mains / DESIGN - 1):.0f} %.",
            "In cathode bias the current rises too. Watts are volts times amps.",
        ),
        work,
        {"at 117 V": "10.2 W per plate, rated 12 W"},
    )


def tap(draw: Draw) -> Question:
    """Which tap of the selector."""
    mains = draw.one_of((230.0, 207.0, 215.0, 238.0))
    own = handbook("standards", topic="IEC 60038")[0]

    def work() -> Answer:
        taps = {"200": 1, "220": 2, "240": 3}
        volts = {name: on_tap(place, mains) for name, place in taps.items()}
        best = min(volts, key=lambda name: abs(volts[name] - RATED_HEATER))
        told = "; ".join(f"on {name} V: {each:.2f} V" for name, each in volts.items())
        return Answer(
            best,
            (
                (
                    f"Heaters {told}. The tap closest to the line voltage brings them closest to 6.3 V. "
                    "When in doubt, use the higher tap: everything in the amp then runs a little "
                    "cooler."
                ),
            ),
            of_row(
                own,
                (f"{own['value']}; nearest of 200, 220 and 240, the higher one in a tie (common practice)"),
                min(taps, key=lambda name: (abs(float(name) - mains), -float(name))),
            ),
        )

    return Question(
        "tap",
        (
            f"A head has a voltage selector for 200, 220 and 240 V. Line voltage is {mains:g} V. Which "
            "tap brings its heaters closest to 6.3 V?"
        ),
        Choice({"200": "200 V", "220": "220 V", "240": "240 V"}),
        ("On a tap marked higher than the line voltage, the heaters get less.",),
        work,
        caution=PLUG,
    )


LESSON = Lesson(
    "08",
    "What does today's line voltage do to an old amp?",
    "A combo designed for 117 V and a head with a voltage selector, on today's line voltage.",
    (heater, bounds, supply, heat, tap),
)

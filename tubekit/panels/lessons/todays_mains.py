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
    "Do not experiment on the line side. A cord, a selector or a transformer ahead "
    "of the amp is work that local codes may leave to licensed people. Measure "
    "before you touch anything."
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
                    f"Heaters hang on the mains by the turns alone: {at_home:.2f} V at {DESIGN:g} "
                    f"V, so {volts:.2f} V at {mains:g} V. Their hot resistance gives a little, no "
                    "more."
                ),
            ),
            of_row(
                own,
                f"{own['value']}; {RATED_HEATER} V in proportion: {RATED_HEATER * mains / DESIGN:.2f} V",
                {"heater": RATED_HEATER * mains / DESIGN},
                Within(2),
            ),
        )

    return Question(
        "heater",
        f"A combo drawn for {DESIGN:g} V stands on {mains:g} V. What do its 6.3 V heaters get?",
        Numbers((Handle("heater", "heater", "V", 4.0, 9.0, Within(2), step=0.05),)),
        (
            "A transformer passes the mains on in proportion.",
            f"{RATED_HEATER} V times {mains:g} over {DESIGN:g}.",
        ),
        work,
        {"heaters at 117 V": "6.3 V rms"},
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
                    f"{on(mains).tube('V3').heater_rms_v:.2f} V are {off:+.1f} %. Too hot a "
                    "cathode boils itself away, too cold a one is poisoned under load: both cost "
                    "life."
                ),
            ),
            of_row(own, str(own["value"]), side(100 * (mains / DESIGN - 1))),
        )

    return Question(
        "bounds",
        f"The same combo on {mains:g} V: how do its heaters stand?",
        Choice(
            {
                "good": "within 5 %: good for a long life",
                "fair": "between 5 and 10 %: still within the old tolerance",
                "high": "more than 10 % too hot",
                "low": "more than 10 % too cold",
            }
        ),
        (f"How many per cent is {mains:g} V off {DESIGN:g} V?",),
        work,
        {"heaters at 117 V": "6.3 V rms"},
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
                    f"{home:.0f} V times {mains:g} over {DESIGN:g}: nearly in proportion, since "
                    "the tubes draw more too and the rectifier takes its drop from both."
                ),
                "Capacitors see more than that at switch-on, while nothing is drawn yet.",
            ),
            textbook("in proportion", {"volts": 333.0 * mains / DESIGN}, Within(2)),
        )

    return Question(
        "supply",
        f"Its B+ is 333 V at {DESIGN:g} V. What is it at {mains:g} V?",
        Numbers((Handle("volts", "B+", "V", 200.0, 500.0, Within(2), step=1.0),)),
        ("In what does B+ follow the mains?", "Nearly in proportion."),
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
                    f"Volts and current rise together: {square:.0f} % by the square alone, a "
                    "little more because a tube's current goes faster than its volts."
                ),
                (
                    f"Each plate goes from {100 * float(home.plate_share):.0f} to "
                    f"{100 * float(now.plate_share):.0f} % of its rating."
                ),
            ),
            textbook("watts go with the square of the volts, at least", {"change": square}, Within(15)),
        )

    return Question(
        "heat",
        (
            f"And the heat in the plates of its output pair, from {DESIGN:g} to {mains:g} "
            "V: by how much does it rise?"
        ),
        Numbers((Handle("change", "plate heat rises by", "%", 0.0, 60.0, Within(absolute=3), step=0.5),)),
        (
            f"The volts rise by {100 * (mains / DESIGN - 1):.0f} %.",
            "In cathode bias the current rises with them. Watts are both.",
        ),
        work,
        {"at 117 V": "10.2 W a plate, of 12 W"},
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
                    f"Heaters {told}. The tap whose number lies nearest the mains brings them "
                    "nearest to 6.3 V. When in doubt the higher number: everything in the amp "
                    "then runs a little cooler."
                ),
            ),
            of_row(
                own,
                (
                    f"{own['value']}; nearest of 200, 220 and 240, the higher one where two are "
                    "as near (common practice)"
                ),
                min(taps, key=lambda name: (abs(float(name) - mains), -float(name))),
            ),
        )

    return Question(
        "tap",
        (
            f"A head has a selector for 200, 220 and 240 V. The mains is {mains:g} V. On "
            "which tap do its heaters come nearest to 6.3 V?"
        ),
        Choice({"200": "200 V", "220": "220 V", "240": "240 V"}),
        ("On a tap for more volts than there are, the heaters get less.",),
        work,
        caution=PLUG,
    )


LESSON = Lesson(
    "08",
    "What do today's mains do to yesterday's amp?",
    "A combo drawn for 117 V and a head with a voltage selector, on the mains they meet today.",
    (heater, bounds, supply, heat, tap),
)

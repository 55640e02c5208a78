"""One step at the bench: what to measure, what to expect by when, when to stop; and what a value means."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

import numpy as np

from tubekit.amp import Amp
from tubekit.amp.amp import MAINS_KEY
from tubekit.bench.reading_rows import text_of
from tubekit.bench.recordings import recording
from tubekit.decisions.probe import QUANTITIES
from tubekit.errors import InputError, ReadingError
from tubekit.jobs.job import STOP
from tubekit.text import Printed, Table, headed, quantity
from tubekit.units import parse, show

GO, LOOK, DONE = "GO ON", "GO ON, BUT LOOK", "DONE"
HALT = "STOP. Switch off, unplug, discharge each filter capacitor through a resistor, check with a meter"
THOUSANDS = re.compile(r"(?<![\d.])[1-9]\d{0,2},\d{3}(?!\d)")
"""1,200 V is 1200 V to one reader and 1.2 V to another: nobody should guess with a meter on B+."""
AS_SHOWN = re.compile(r"(?<=[vVaA])\s*(?:dc|ac|rms|~|=)+$", re.IGNORECASE)
"""What a meter shows after the unit."""
YES, NO = ("ok", "yes", "y", "done"), ("no", "n", "bad", "fail")
"""What is typed for a step without a number."""
BEYOND = "This amp was beyond the stop limit when it was read: find the cause first."
LAST_PART = 0.1
"""Share of a recording whose mean is its settled value (common practice)."""


@dataclass(frozen=True)
class Step:
    """One step of a sheet.

    `place` is where a meter goes, as a list of readings writes it ('' where one looks or listens), `reading`
    its quantity. A value between `low` and `high` is that of a good amp, one at or beyond a stop limit ends
    the step with the power off; `above` and `below` say what a value too high or too low usually comes from;
    `clip` says that the meter is clipped on before the power is on.
    """

    number: int
    do: str
    place: str = ""
    reading: str = ""
    unit: str = ""
    expect: float | None = quantity("", "", "what a good amp shows", default=None)
    low: float | None = quantity("", "", "least of good amps", default=None)
    high: float | None = quantity("", "", "most of good amps", default=None)
    stop_low: float | None = quantity("", "", "stop at this or less", default=None)
    stop_high: float | None = quantity("", "", "stop at this or more", default=None)
    by_s: float | None = quantity("s", "t", "time until the value is reached", default=None)
    caution: str = ""
    above: str = ""
    below: str = ""
    clip: bool = False

    @property
    def measures(self) -> bool:
        """Whether a number is to be entered."""
        return self.expect is not None

    def said(self, value: float | None) -> str:
        """A value of this step with its unit."""
        return "" if value is None else show(value, self.unit)

    @property
    def limits(self) -> str:
        """When to stop."""
        ends = (("≥", self.stop_high), ("≤", self.stop_low))
        return " or ".join(f"{sign} {self.said(end)}" for sign, end in ends if end is not None)

    @property
    def expected(self) -> str:
        """Reading of a good amp, in words."""
        return self.said(self.expect)

    @property
    def within(self) -> str:
        """The time it may take."""
        return "" if self.by_s is None else f"{self.by_s:.0f} s"

    @property
    def good(self) -> str:
        """The range of good amps."""
        return (
            ""
            if self.low is None or self.high is None
            else f"{self.said(self.low)} to {self.said(self.high)}"
        )

    def usual(self, value: float) -> str:
        """Usual cause of a value that is off."""
        return self.above if self.expect is not None and value > self.expect else self.below

    def sentence(self) -> str:
        """The step as it is read aloud at the bench."""
        if not self.measures:
            return f"{self.caution} {self.do}.".strip()
        by = f" within {self.within}" if self.by_s is not None else ""
        ends = (
            (self.stop_high, "more", "closer to 0 V"), (self.stop_low, "less", "more negative"),
        )  # fmt: skip
        limits = " and at ".join(
            f"{self.said(end)} or {words if end >= 0.0 else below}"
            for end, words, below in ends if end is not None
        )  # fmt: skip
        stop = f"; stop at {limits}" if limits else ""
        clip = ", clipped on with the amp off" if self.clip else ""
        return f"{self.caution} {self.do}{clip}: {self.said(self.expect)}{by}{stop}.".strip()

    def to_table(self) -> dict[str, Any]:
        """The step as an entry keeps it."""
        result = {each.name: getattr(self, each.name) for each in fields(self)}
        return {name: value for name, value in result.items() if value is not None and value != ""}


def look(do: str, caution: str = "") -> Step:
    """A step without a number."""
    return Step(0, do, caution=caution)


def measure(
    do: str,
    place: str,
    value: float,
    good: tuple[float, float],
    stop: tuple[float | None, float | None] = (None, None),
    by_s: float | None = None,
    *,
    reading: str = QUANTITIES["dc_v"].words,
    unit: str = "V",
    above: str = "",
    below: str = "",
    caution: str = "",
    clip: bool = False,
) -> Step:
    """A step with a number: what to expect, what good amps show, when to stop, and what a miss comes from."""
    return Step(0, do, place, reading, unit, value, *good, *stop, by_s, caution, above, below, clip)


def within(value: float, share: float) -> tuple[float, float]:
    """From a share below a value to the same above it.

    Examples
    --------
    >>> within(-50.0, 0.1)
    (-55.0, -45.0)
    """
    low, high = sorted((value * (1.0 - share), value * (1.0 + share)))
    return low, high


@dataclass(frozen=True, eq=False, repr=False)
class Sheet(Printed):
    """Steps with their expected values, worked through in order; `entry` is its number in the job."""

    amp: Amp
    name: str
    before: tuple[str, ...]
    steps: tuple[Step, ...]
    line_v: float = quantity("V RMS", "V", "line voltage that the values are for", default=0.0)
    note: str = ""
    entry: int = 0

    json_keys = ("amp=amp.title", "sheet=name", "line_v", "before", "steps", "note", "entry")

    def headline(self) -> str:
        """Name of the sheet, and its line voltage."""
        names = [name for name in self.amp.changes if name != MAINS_KEY]
        changed = f", {', '.join(names)} as changed" if names else ""
        return f"{self.amp.title}: {TITLES[self.name]} at {self.line_v:.0f} V line{changed}."

    def tables(self) -> list[Table]:
        """Preparations, then the steps."""
        first = [(str(number), text) for number, text in enumerate(self.before, 1)]
        steps = Table.of(
            "Steps", self.steps, "step=number", "do", "expect=expected", "within", "good amps=good",
            "stop=limits", note=self.note, key="steps",
        )  # fmt: skip
        steps = replace(steps, columns=[replace(c, align="left") for c in steps.columns])
        return [Table("BEFORE YOU START", headed("", ""), first), steps]

    def step(self, number: int) -> Step:
        """One step; KeyError where there is none."""
        return {each.number: each for each in self.steps}[number]


TITLES: Mapping[str, str] = {
    "up": "first power-up on a variable transformer", "lamp": "first power-up through a light-bulb limiter",
    "idle": "readings at idle",
    "drive": "output tubes under drive", "hum": "hum and its null", "hand-back": "check before pickup",
}  # fmt: skip
"""The sheets of a job, in the order they are worked through."""
POWER_UP = ("up", "lamp")
"""Two ways to the same end: one of them is done, the first where nothing is said."""


def held(step: Step, usual: float) -> Step:
    """A step with stop limits no wider than those of a good amp, whose value is `usual` times this one's: an
    amp that is beyond them was dangerous when it was read, and is now.

    Examples
    --------
    >>> hot = Step(1, "Meter on the V3 cathode", unit="V", expect=25.0, low=24.0, high=26.0, stop_high=28.75)
    >>> held(hot, 18.0 / 25.0).sentence()
    'This amp was beyond the stop limit when it was read: find the cause first. Meter on the V3 cathode: \
25.0 V; stop at 20.7 V or more.'
    """
    high, low = (
        None if end is None else tighter(end, end * usual)
        for end, tighter in ((step.stop_high, min), (step.stop_low, max))
    )
    if (high, low) == (step.stop_high, step.stop_low) or step.expect is None:
        return step
    stopped = replace(step, stop_high=high, stop_low=low)
    if outcome(stopped, step.expect).go == STOP:
        return replace(stopped, caution=f"{step.caution} {BEYOND}".strip(), low=None, high=None)
    half = [None if end is None else 0.5 * (step.expect + end) for end in (low, high)]
    least = max((end for end in (step.low, half[0]) if end is not None), default=None)
    most = min((end for end in (step.high, half[1]) if end is not None), default=None)
    return replace(stopped, low=least, high=most)


def numbered(steps: Iterator[Step] | Sequence[Step]) -> tuple[Step, ...]:
    """Steps with their numbers."""
    return tuple(replace(step, number=number) for number, step in enumerate(steps, 1))


@dataclass(frozen=True)
class Outcome:
    """What a value of a step means: go on, look, or stop, and why."""

    go: str
    why: str = ""
    value: float | None = None


def outcome(step: Step, value: float) -> Outcome:
    """A value against the range and the stop limits of its step.

    Examples
    --------
    >>> step = Step(1, "Meter on the V3 cathode", unit="V", expect=5.7, low=5.2, high=6.2, stop_high=6.5)
    >>> [outcome(step, volts).go for volts in (5.8, 6.3, 6.5)]
    ['GO ON', 'GO ON, BUT LOOK', 'STOP']
    """
    above, below = step.stop_high, step.stop_low
    if (above is not None and value >= above) or (below is not None and value <= below):
        limit = above if above is not None and value >= above else below
        return Outcome(STOP, f"{step.said(value)}, limit {step.said(limit)}", value)
    if step.low is not None and step.high is not None and not step.low <= value <= step.high:
        side = "high" if value > step.high else "low"
        return Outcome(LOOK, f"{step.said(value)} is on the {side} side ({step.good})", value)
    return Outcome(GO, f"{step.said(value)}, expected {step.said(step.expect)}", value)


def typed(step: Step, word: str) -> Outcome:
    """Read what was typed for a step: a number with or without its unit, or ok and no where one looks.

    Raises
    ------
    ReadingError : neither.
    """
    plain, _, reason = word.strip().partition(" ")
    plain = plain.strip(",.:;!").lower()
    like = f"Type the reading, like {step.said(step.expect)}"

    def refused(problem: str, fix: str = like) -> ReadingError:
        return ReadingError(problem, part=f"step {step.number}", fix=fix)

    if plain in NO:
        return Outcome(STOP, f"{step.do} ({reason.strip()})" if reason else step.do)
    if not step.measures:
        if plain in YES:
            return Outcome(DONE, step.do)
        raise refused(f"'{word}' does not answer this step", "Type ok, or no and why")
    if plain in YES:
        raise refused("this step needs a number")
    if THOUSANDS.search(word):
        fix = "Type a decimal point, or no comma for thousands"
        raise refused(f"'{word}' can be read in two ways", fix)
    base, shown = step.unit.split(" ")[0], AS_SHOWN.sub("", word.strip()).replace(",", ".")
    try:
        value = parse(shown, base) if base else float(shown)
    except (InputError, ValueError) as error:
        raise refused(f"'{word}' is not a value for this step") from error
    if step.expect is not None and value * step.expect < 0.0 and outcome(step, -value).go != STOP:
        fix = f"Check the leads (black to ground). If only the sign is missing, type {step.said(-value)}"
        raise refused(f"{step.said(value)} where {step.said(step.expect)} is expected", fix)
    return outcome(step, value)


def recorded(step: Step, path: str) -> Outcome:
    """Read a meter's recording over time, two columns (seconds, value): its worst moment, then where it ends.

    Raises
    ------
    ReadingError : no such two columns.
    """
    time, values = recording(path, step.unit.split(" ")[0])
    worst = max(values, key=abs) if step.stop_high is not None and step.stop_high > 0 else min(values)
    result = outcome(step, float(worst))
    if result.go == STOP and step.stop_high is not None and worst >= step.stop_high:
        at = float(time[int(np.argmax(values >= step.stop_high))])
        return replace(result, why=f"{result.why}, passed after {at:.0f} s")
    settled = float(np.mean(values[time >= time[-1] - LAST_PART * (time[-1] - time[0])]))
    result = outcome(step, settled)
    late = step.by_s is not None and time[-1] < step.by_s and result.go != GO
    if late:
        return Outcome(
            LOOK,
            f"the recording ends after {time[-1]:.0f} s at {step.said(settled)}: wait {step.within}",
            settled,
        )
    return result


def is_list(path: str) -> bool:
    """Whether a file is a list of readings, and no recording of one meter over time."""
    return path.lower().endswith(".toml") or "place" in text_of(Path(path)).lower().partition("value")[0]

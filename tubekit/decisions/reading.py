"""What was measured: readings with their meters, the line and the test tone at the time."""

from __future__ import annotations

from dataclasses import dataclass, field

from tubekit.amp import Amp
from tubekit.decisions.probe import QUANTITIES, Probe, Tone, plugged
from tubekit.errors import Note
from tubekit.text import Printed, Table, headed, quantity


@dataclass(frozen=True)
class Meter:
    """A meter: accuracy as a fraction of the reading, and the input resistance that loads the circuit.

    The defaults are those of a usual digital meter (common practice, no source).
    """

    accuracy: float = quantity("", "", "accuracy as a fraction of the reading", default=0.01)
    input_ohms: float = quantity("ohm", "R", "input resistance for volts", default=10e6)


@dataclass(frozen=True)
class Reading:
    """One reading: where and what, the value as the meter showed it (SI), with what meter.

    `line` is where it stood in its file (0 where it came from a program).
    """

    probe: Probe
    value: float
    meter: Meter = Meter()
    note: str = ""
    line: int = 0

    @property
    def uncertainty(self) -> float:
        """Half width of what the meter leaves open, in the unit of the reading."""
        return self.meter.accuracy * abs(self.value) + QUANTITIES[self.probe.quantity].least

    def describe(self) -> str:
        """The value with its unit."""
        return self.probe.format(self.value)


@dataclass(frozen=True)
class PartValue:
    """A part measured by itself, a lead lifted: field of the part, value (SI), accuracy as a fraction."""

    part: str
    field: str
    value: float
    accuracy: float
    line: int = 0


@dataclass(frozen=True, eq=False, repr=False)
class Readings(Printed):
    """Everything measured on one amp at one time; partial lists are normal.

    `amp` is the amp they were taken on, with the line at the time, the generator plugged in and the
    measured part values in place of the drawn ones; `drawn` is the amp before that.
    """

    drawn: Amp
    amp: Amp
    readings: tuple[Reading, ...]
    parts: tuple[PartValue, ...] = ()
    mains_accuracy: float | None = None
    tone: Tone | None = None
    source: str = ""
    notes: tuple[Note, ...] = field(default=())

    json_keys = ("amp=drawn.title", "mains_rms=amp.mains_rms", "mains_accuracy", "readings", "parts")

    @property
    def measured(self) -> dict[str, float]:
        """Relative accuracy of each part that was measured by itself."""
        return {one.part: one.accuracy for one in self.parts}

    def headline(self) -> str:
        """Number of readings, and the line voltage."""
        where = f" from {self.source}" if self.source else ""
        mains = "" if self.mains_accuracy is None else f" at {float(self.amp.mains_rms):.1f} V line"
        return f"{self.drawn.title}: {len(self.readings)} readings{where}{mains}."

    def tables(self) -> list[Table]:
        """The readings, then the parts measured by themselves."""
        heads = headed("reading", "shows [] >", "meter", "note")
        rows = [(r.probe.words(self.drawn), r.describe(), _meter(r.meter), r.note) for r in self.readings]
        tables = [Table("Readings", heads, rows, note=" ".join(map(str, self.notes)))]
        if self.parts:
            parts = [(p.part, p.field, (p.value, UNITS[p.field]), 100 * p.accuracy) for p in self.parts]
            heads = headed("part", "measured", "value", "within [%] .2g")
            tables.append(Table("Parts measured by themselves", heads, parts))
        return tables


UNITS = {"ohms": "ohm", "farads": "F", "emission": ""}


def _meter(meter: Meter) -> str:
    return f"{100 * meter.accuracy:g} %, {meter.input_ohms / 1e6:g} MΩ"


def taken(
    amp: Amp,
    readings: tuple[Reading, ...] | list[Reading],
    *,
    parts: tuple[PartValue, ...] | list[PartValue] = (),
    mains_rms: float | None = None,
    mains_accuracy: float = 0.005,
    tone: Tone | None = None,
    source: str = "",
) -> Readings:
    """Readings put together with the amp as it stood when they were taken.

    Raises
    ------
    ChangeError : a part value or line voltage that cannot be.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> result = taken(load_amp("teasel"), [Reading(Probe("dc_v", ("k34", "ground")), 18.2)], mains_rms=121)
    >>> float(result.amp.mains_rms)
    121.0
    """
    changes: dict[str, object] = {}
    for one in parts:
        changes[f"{one.part}.emission" if one.field == "emission" else one.part] = one.value
    stood = plugged(amp, tone).changed(changes, mains_rms=mains_rms)
    return Readings(
        amp, stood, tuple(readings), tuple(parts), None if mains_rms is None else mains_accuracy, tone, source
    )

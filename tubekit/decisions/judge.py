"""A verdict on every reading, in words: fine, within meter accuracy, on the high or low side, wrong."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tubekit.amp import Amp, AmpReport, analyze, parts as drawn
from tubekit.amp.parts.faults import Age
from tubekit.amp.signal_order import outputs
from tubekit.analyses.small_signal import frequency_response
from tubekit.decisions.population import Population, with_fault_ports
from tubekit.decisions.power_tubes import PowerVerdict, power_table, power_verdicts, too_hot
from tubekit.decisions.probe import Tone, meter_values, tip_of
from tubekit.decisions.reading import PartValue, Reading, Readings
from tubekit.decisions.sensitivity import RailShortfall, rail_shortfall
from tubekit.decisions.spread import SIZE, Spread, spread
from tubekit.result_fields import Array
from tubekit.text import Printed, Table, headed, quantity
from tubekit.units import show

LEAVE_CURRENT, LEAVE_VOLTS = 0.05, 0.05
"""Changes of a tube's current, or of a node, up to this fraction are left (common practice, no source)."""
LEAVE_DB = 1.0
"""Changes of level between 80 Hz and 5 kHz up to this are not heard in use (common practice, no source)."""
LEAVE_RIPPLE = 0.25
"""A rail's ripple may rise by this fraction (common practice, no source)."""
NOTHING = 0.05
"""Below this share of what would be left anyway a change is not told."""
HEARD_HZ = (80.0, 400.0, 5000.0)


@dataclass(frozen=True)
class Drift:
    """One measured part: how far off, within tolerance or not, what it changes, and what to do."""

    part: str
    off: float = quantity("", "", "how far the part is off its schematic value")
    tolerance: float = quantity("", "", "tolerance, as a fraction")
    effect: str = ""
    verdict: str = ""

    def sentence(self) -> str:
        """In one line, as 'R14 is 4 % high. It changes the current of V3 by 0.6 mA: leave it'."""
        percent = 100 * abs(self.off)
        way = "high" if self.off >= 0 else "low"
        within = "within its tolerance" if abs(self.off) <= self.tolerance else "outside its tolerance"
        amount = "on its value" if percent < 0.5 else f"{percent:.0f} % {way}, {within}"
        return f"{self.part} is {amount}. It {self.effect}: {self.verdict}"


def drift(amp: Amp, value: PartValue, before: AmpReport | None = None) -> Drift:
    """Find what a part's measured value does to an amp that is otherwise as drawn.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> print(drift(load_amp("teasel"), PartValue("R14", "ohms", 274.0, 0.005)).sentence())
    R14 is 1 % high, within its tolerance. It changes the current of V3 by 0.3 mA: leave it
    """
    part = amp.parts[value.part]
    nominal = float(np.max(getattr(part, value.field)))
    key = f"{value.part}.emission" if value.field == "emission" else value.part
    changed = amp.changed({key: value.value})
    before = before or analyze(amp)
    after = analyze(changed, near=before)
    effect, grave = _effect(before, after)
    off, tolerance = value.value / nominal - 1.0, part.tolerance
    return Drift(value.part, off, tolerance, effect, _drift_verdict(off, tolerance, grave, value.field))


def _drift_verdict(off: float, tolerance: float, grave: bool, field: str) -> str:
    if not grave:
        return "leave it"
    if field == "emission":
        return "worn: keep a spare" if off > -0.5 else "replace it"
    return "far more than normal variation: replace it" if abs(off) > tolerance else "watch it"


def _effect(before: AmpReport, after: AmpReport) -> tuple[str, bool]:
    """The change that matters most, in words, and whether it matters."""
    amps = [(float(a.cathode_a), float(b.cathode_a), a.section)
            for a, b in zip(before.tubes, after.tubes, strict=True)]  # fmt: skip
    currents = [(abs(b / a - 1.0), b - a, section) for a, b, section in amps if a > 1e-6]
    share, moved, section = max(currents, default=(0.0, 0.0, ""))
    ripple, rail = max(
        ((float(b.ripple_pp_v) / float(a.ripple_pp_v) - 1.0, a.node)
         for a, b in zip(before.rails, after.rails, strict=True) if float(a.ripple_pp_v) > 0.01),
        default=(0.0, ""),
    )  # fmt: skip
    level, where = _level(before, after)
    if max(share / LEAVE_CURRENT, abs(ripple) / LEAVE_RIPPLE, abs(level) / LEAVE_DB) < NOTHING:
        return "changes no reading", False
    if share / LEAVE_CURRENT >= max(abs(ripple) / LEAVE_RIPPLE, abs(level) / LEAVE_DB, 1e-3):
        return f"changes the current of {section} by {_amps(moved)}", share > LEAVE_CURRENT
    if abs(ripple) / LEAVE_RIPPLE > abs(level) / LEAVE_DB:
        return f"changes the ripple at {rail} by {100 * ripple:+.0f} %", ripple > LEAVE_RIPPLE
    return f"changes the level by {level:+.1f} dB at {show(where, 'Hz')}", abs(level) > LEAVE_DB


def _amps(moved: float) -> str:
    return f"{abs(moved) * 1e3:.1f} mA" if abs(moved) >= 5e-5 else f"{abs(moved) * 1e6:.0f} µA"


def _level(before: AmpReport, after: AmpReport) -> tuple[float, float]:
    """Largest change of level from an input to the output [dB], and its frequency."""
    inputs = [jack.designator for jack in drawn.input_jacks(before.amp.parts) if jack.plugged]
    out = outputs(before.amp.parts)
    if not inputs or not out:
        return 0.0, 0.0
    tip = tip_of(before.amp, Tone(inputs[0]))
    gains = [
        frequency_response(r.solved.state.operating_point, tip, [out[0].a, out[0].b], HEARD_HZ).gain[0]
        for r in (before, after)
    ]
    levels = [20 * np.log10(np.abs(g[:, 0] - g[:, 1]) + 1e-12) for g in gains]
    moved = levels[1] - levels[0]
    k = int(np.argmax(np.abs(moved)))
    return float(moved[k]), HEARD_HZ[k]


WRONG_FROM, WRONG_BY_CHANCE = 1.6, 1e-3
"""Half widths of the band from its middle beyond which a reading is called wrong, and the share of good amps
that read further out; between one and this a reading is on the high or low side (common practice)."""


@dataclass(frozen=True)
class Verdict:
    """One reading against the band of good amps."""

    reading: Reading
    low: float = quantity("", "", "2.5 % of good amps read lower")
    high: float = quantity("", "", "2.5 % of good amps read higher")
    typical: float = quantity("", "", "half of all good amps read lower")
    unloaded: float = quantity("", "", "the reading with the meter's loading removed")
    word: str = ""
    beyond: float = quantity("", "", "distance from the middle of the normal range, 1 = its end", default=0.0)

    def sentence(self) -> str:
        """In one line, as 'DC volts at k34 18.2 V: fine (16.6 V to 20.4 V)'."""
        probe, free = self.reading.probe, _corrected(self)
        shown = (
            (f"{self.reading.describe()}, {free} with the meter's loading removed")
            if free
            else self.reading.describe()
        )
        return f"{probe} {shown}: {self.word} ({probe.format(self.low)} to {probe.format(self.high)})"


@dataclass(frozen=True, eq=False, repr=False)
class Judgement(Printed):
    """Verdicts on readings, on the output tubes, and on parts measured by themselves."""

    readings: Readings
    verdicts: tuple[Verdict, ...]
    power: tuple[PowerVerdict, ...]
    drifts: tuple[Drift, ...]
    bands: Spread
    shares: RailShortfall | None = None

    json_keys = (
        "amp=readings.drawn.title", "fine", "verdicts", "output_tubes=power", "parts=drifts",
        "shared_out=shares", "notes=readings.notes",
    )  # fmt: skip

    @property
    def fine(self) -> bool:
        """True where nothing is called wrong or too hot."""
        return not any(v.word == WRONG for v in self.verdicts) and not any(
            p.verdict in ("too hot", "not matched") for p in self.power
        )

    def headline(self) -> str:
        """Number of readings that are fine."""
        count = {word: sum(v.word == word for v in self.verdicts) for word in _WORDS}
        text = ", ".join(f"{n} {word}" for word, n in count.items() if n)
        text = f"{self.readings.drawn.title}, {len(self.verdicts)} readings: {text or 'none'}."
        return " ".join(filter(None, (text, too_hot(self.power))))

    def tables(self) -> list[Table]:
        """Readings, the worst first, then output tubes, then parts."""
        order = sorted(self.verdicts, key=lambda v: _WORDS.index(v.word))
        heads = headed(
            "reading",
            "you read [] >",
            "with the meter's loading removed [] >",
            "verdict",
            "normal low [] >",
            "typical [] >",
            "normal high [] >",
        )
        rows = [
            (v.reading.probe.words(self.readings.drawn), v.reading.describe(), _corrected(v), v.word,
             *(v.reading.probe.format(x) for x in (v.low, v.typical, v.high)))
            for v in order
        ]  # fmt: skip
        bands = f"95 % of good amps with {self.bands.age} parts fall in the normal ranges."
        tables = [Table("Readings", heads, rows, note=" ".join([bands, *map(str, self.readings.notes)]))]
        if self.power:
            tables.append(power_table(self.power))
        if self.shares:
            tables.append(self.shares.table())
        if self.drifts:
            rows_d = [(d.sentence(),) for d in self.drifts]
            tables.append(Table("Parts measured", headed("finding"), rows_d))
        return tables

    def short(self) -> list[Table]:
        """Readings that are not fine, then output tubes and parts."""
        readings, *rest = self.tables()
        rest = [
            replace(each, rows=[(*row[:-1], str(row[-1]).partition(" [")[0]) for row in each.rows])
            if each.title == "Output tubes" else each for each in rest
        ]  # fmt: skip
        rows = [row for row in readings.rows if row[3] not in _WORDS[-2:]]
        heads = ("reading", "you read", "verdict", "normal low", "typical", "normal high")
        return [replace(readings, title="Readings out of the normal range", rows=rows).only(*heads), *rest]


LOADS = 0.005
"""A meter that takes less than this fraction off a reading is not told of."""


def _corrected(verdict: Verdict) -> str:
    """The reading without the meter's load, where that matters."""
    loaded = _is_loaded(verdict.unloaded, verdict.reading.value)
    return verdict.reading.probe.format(verdict.unloaded) if loaded else ""


def _is_loaded(unloaded: float, shown: float) -> bool:
    return abs(unloaded - shown) > LOADS * abs(shown)


WRONG, METER = "out of range", "within meter accuracy"
"""A reading outside its band by no more than its meter may be off."""
SIDES = ("on the high side", "on the low side")
_WORDS = (WRONG, *SIDES, METER, "fine")


def judge(
    readings: Readings, *, age: Age = "vintage", size: int = SIZE, seed: int = 1, bands: Spread | None = None
) -> Judgement:
    """Hold readings against the band of good amps.

    Parameters
    ----------
    readings
        From `load_readings` or `taken`; measured parts and the line at the time are in their amp.
    age
        'vintage' or 'modern' parts, as for `spread`.
    size
        Amps to simulate.
    seed
        Of the random numbers, so that the answer repeats.
    bands
        Found before for the same amp, mains, measured parts and tone, with these readings among its probes,
        to save time.

    Returns
    -------
    Judgement
        A verdict on every reading.

    Raises
    ------
    SolveError
        The amp has no idle state.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> from tubekit.decisions.probe import Probe
    >>> from tubekit.decisions.reading import taken
    >>> result = judge(taken(load_amp("teasel"), [Reading(Probe("dc_v", ("k34", "ground")), 29.0)]), size=500)
    >>> result.verdicts[0].word
    'out of range'
    """
    bands = bands or good_bands(readings, age=age, size=size, seed=seed)
    report = analyze(readings.amp)
    result = verdicts(readings, bands)
    before = analyze(readings.drawn) if readings.parts else None
    drifts = tuple(drift(readings.drawn, value, before) for value in readings.parts)
    power = tuple(power_verdicts(readings, report))
    return Judgement(readings, result, power, drifts, bands, shares_of(readings, bands, result))


def good_bands(
    readings: Readings,
    *,
    age: Age = "vintage",
    size: int = SIZE,
    seed: int = 1,
    ready: Population | None = None,
) -> Spread:
    """Bands of good amps for these readings, as for `spread`; `ready` is the amp's fleet, to save time."""
    return spread(
        readings.amp, tuple(r.probe for r in readings.readings), age=age, tone=readings.tone,
        measured=readings.measured, mains_known=readings.mains_accuracy, size=size, with_effects=False,
        seed=seed, ready=ready,
    )  # fmt: skip


def verdicts(readings: Readings, bands: Spread) -> tuple[Verdict, ...]:
    """Each reading against its band, the meter's load taken off."""
    loads = loading(readings)
    at = {probe: k for k, probe in enumerate(bands.probes)}
    return tuple(_verdict(r, bands, at[r.probe], float(loads[k])) for k, r in enumerate(readings.readings))


def shares_of(readings: Readings, bands: Spread, verdicts: tuple[Verdict, ...]) -> RailShortfall | None:
    """The rail that is farthest off, shared out among good parts; None where a reading says they are not."""
    if any(verdict.word == WRONG for verdict in verdicts):
        return None
    free = {v.reading.probe: v.unloaded for v in verdicts}
    return rail_shortfall(readings, bands, np.array([free[r.probe] for r in readings.readings]))


def loading(readings: Readings) -> Array:
    """Share of the undisturbed volts that each meter leaves, (M,): its input resistance against the circuit.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> from tubekit.decisions.probe import Probe
    >>> from tubekit.decisions.reading import Meter, taken
    >>> plate = Reading(Probe("dc_v", ("p1a", "ground")), 120.0, Meter(input_ohms=200e3))
    >>> loading(taken(load_amp("teasel"), [plate])).round(2).tolist()
    [0.71]
    """
    probes = [r.probe for r in readings.readings]
    result = meter_values(readings.amp, with_fault_ports(readings.amp).circuit, probes, readings.tone)
    meters = np.array([r.meter.input_ohms for r in readings.readings])
    return np.asarray(np.abs(meters / (meters + result.source[0])))


def wrong_beyond(low: float, typical: float, high: float) -> tuple[float, float]:
    """The values below and above which a reading is called wrong.

    Examples
    --------
    >>> wrong_beyond(16.0, 18.0, 20.0)
    (14.8, 21.2)
    """
    return typical - WRONG_FROM * (typical - low), typical + WRONG_FROM * (high - typical)


def _verdict(reading: Reading, bands: Spread, k: int, load: float) -> Verdict:
    low, typical, high = (float(side[k]) for side in (bands.low, bands.median, bands.high))
    slack, value = reading.uncertainty / load, reading.value / load
    seen = value if _is_loaded(value, reading.value) else reading.value
    above = value > typical
    half = max((high - typical) if above else (typical - low), 1e-12)
    beyond = max(abs(value - typical) - slack, 0.0) / half
    if low <= seen <= high:
        word = "fine"
    elif low - slack <= seen <= high + slack:
        word = METER
    else:
        word = WRONG if beyond > WRONG_FROM else f"on the {'high' if above else 'low'} side"
    return Verdict(reading, low, high, float(np.nan_to_num(typical)), value, word, beyond)

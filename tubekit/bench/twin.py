"""The amp on the bench, fitted to what was read on it: line voltage, tubes, parts, leaks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

import numpy as np

from tubekit.amp import Amp, parts as drawn
from tubekit.amp.parts.faults import LEAK, NO_LEAK, Age, Variable
from tubekit.amp.parts.switches import MAINS
from tubekit.amp.settings import combine_settings
from tubekit.bench.amp_fit import LEAST, WIDTHS, Fit, fit
from tubekit.bench.fault_table import FaultSolver, law_error, scale
from tubekit.bench.grid_currents import GridCurrent, grid_currents, rare_spread
from tubekit.bench.likelihood import meter_sd
from tubekit.bench.next_reading import METER, candidate_probes
from tubekit.decisions.population import dc_population, variables
from tubekit.decisions.probe import QUANTITIES, Probe
from tubekit.decisions.reading import UNITS, Meter, Reading, Readings
from tubekit.errors import ReadingError, near_matches
from tubekit.text import Printed, Table, headed, quantity
from tubekit.units import show

Array = np.ndarray

NINETY = 1.645
"""Standard deviations to either side that hold 90 % of a normal curve."""
NINETY_FIVE = 1.96
KNOWN_LINE = 0.005
"""Relative accuracy of a line voltage that was measured (common practice)."""
MOVED = 0.8
"""An estimate is shown where readings narrow it to less than this share of what it was."""
EMISSION = ("emission", "plate 1", "plate 2")
"""What names of the variables of a cathode end with."""
AGES = ("gas", "leak")
STEADY = 0.2
"""Between two visits what does not age differs by this share of its spread (common practice, no source)."""
SHOWN = 3
LINE = "line voltage"
WORTH = 0.05
"""A reading that narrows less for its effort is not named."""


@dataclass(frozen=True)
class Estimate:
    """One quantity of this amp, with its 90 % interval."""

    part: str
    words: str
    value: float = quantity("", "", "best estimate, in `unit`")
    low: float = quantity("", "", "lower end of the 90 % interval")
    high: float = quantity("", "", "upper end of the 90 % interval")
    drawn: float = quantity("", "", "as drawn")
    unit: str = ""
    moved: bool = True

    @property
    def text(self) -> str:
        """The estimate and its interval."""
        one, low, high = (
            show(x, self.unit, 4 if self.unit == "V" else 3) for x in (self.value, self.low, self.high)
        )
        return f"{self.words} {one} ({low} to {high})"


@dataclass(frozen=True)
class Misfit:
    """A reading that the others contradict."""

    reading: Reading
    place: str
    expected: float = quantity("", "", "what the others make of it, in the unit of the reading")

    @property
    def text(self) -> str:
        """What was read, and what was to be expected."""
        probe = self.reading.probe
        return f"{self.place} ({self.reading.describe()} read, {probe.format(self.expected)} expected)"


@dataclass(frozen=True)
class Narrowing:
    """A reading that would narrow an estimate."""

    probe: Probe
    place: str
    about: str
    now: float = quantity("%", "", "half of the 90 % interval now", label="interval now ±", format=".2g")
    then: float = quantity("%", "", "half of it after that reading", label="after it ±", format=".2g")


@dataclass(frozen=True, eq=False, repr=False)
class Twin(Printed):
    """An amp as its readings have it: `amp` is what every other answer can be asked about."""

    readings: Readings
    amp: Amp
    estimates: tuple[Estimate, ...]
    misfits: tuple[Misfit, ...] = ()
    following: tuple[Narrowing, ...] = ()
    width: float = quantity("", "", "how many times their usual spread the parts differ", default=1.0)
    solver: FaultSolver | None = field(default=None, repr=False)
    result: Fit | None = field(default=None, repr=False)
    age: Age = "vintage"
    grids: tuple[GridCurrent, ...] = ()

    json_keys = ("amp=amp.title", "estimates", "grids", "misfits", "next=following", "width")

    @property
    def moved(self) -> tuple[Estimate, ...]:
        """The estimates that the readings narrow, the farthest from the schematic first."""
        return tuple(each for each in self.estimates if each.moved)

    def ranges(self, amp: Amp, probes: Sequence[Probe]) -> tuple[Array, Array, Array]:
        """Low end, middle and high end of what 95 of 100 amps that fit the readings show at some probes of
        direct voltages, (M,) each [V]. `amp` is that of the readings with all that was changed since: such
        parts are as good ones are.

        Raises
        ------
        SolveError
            The amp has no idle state.
        """
        assert self.solver is not None
        assert self.result is not None
        measured = {name: one for name, one in self.readings.measured.items() if name in amp.parts}
        varied = variables(amp, self.age, measured=measured, mains_known=KNOWN_LINE)
        meters = np.full(len(probes), Meter().input_ohms)
        solver = FaultSolver(dc_population(amp), tuple(probes), None, varied, meters, None)
        names = {v.name: k for k, v in enumerate(self.solver.varied)}
        then = self.readings.amp.parts
        may = {each.words: each.capacitors for each in self.grids}
        same = [
            names[v.name]
            if v.name in names
            and all(amp.parts.get(one) is then.get(one) for one in (v.part, *may.get(v.name, ())))
            else -1
            for v in varied
        ]
        kept = np.array(same) >= 0
        mean = np.where(kept, self.result.mean[0][same], 0.0)
        covariance = np.where(np.outer(kept, kept), self.result.covariance[0][np.ix_(same, same)], 0.0)
        covariance += np.diag(np.where(kept, 0.0, 1.0))
        middle, effects = solver.readings_at((solver.means + solver.deviation * mean)[None])
        laws = np.array([law_error(p, middle[:, k])[0] for k, p in enumerate(probes)])
        variance = np.einsum("mv,vw,mw->m", effects[0], covariance, effects[0]) + np.square(laws)
        half = NINETY_FIVE * np.sqrt(variance)
        return middle[0] - half, middle[0], middle[0] + half

    def without_currents(self, amp: Amp, changed: Sequence[str]) -> Amp:
        """An amp without the currents into grids that one of these parts may have made."""
        gone = {one.words for one in self.grids if {one.tube, *one.capacitors} & set(changed)}
        parts = {v.turns[0].parameter for v in self.solver.varied if v.name in gone} if self.solver else set()
        return replace(amp, trim={key: value for key, value in amp.trim.items() if key not in parts})

    def headline(self) -> str:
        """What the readings say, and which of them do not fit."""
        line = [each for each in self.estimates if each.words == LINE]
        fed = [each.words for each in self.grids]
        others = [each for each in self.moved if each.words not in (LINE, *fed)]
        # what the others are made to bear of a reading that does not fit is not theirs
        first = "; ".join(each.text for each in (*line, *others[: 0 if self.misfits else SHOWN]))
        listed = "; ".join(each.text for each in self.misfits)
        again = "Repeat the reading. If it stays, a part is bad: see suspects."
        wrong = f" Left out because they do not fit: {listed}. {again}" if listed else ""
        leaks = "".join(f" {each.text}" for each in self.grids)
        return f"{self.amp.title}: {first}.{leaks}{wrong}"

    def tables(self) -> list[Table]:
        """Estimates, then what to measure next."""
        heads = headed("part", "estimate [] >", "90 % from [] >", "to [] >", "per schematic [] >")
        rows = [
            (each.words, *((x, each.unit) for x in (each.value, each.low, each.high, each.drawn)))
            for each in self.moved
        ]  # fmt: skip
        rest = len(self.estimates) - len(rows)
        note = f"These readings do not narrow {rest} other values: each is assumed typical."
        if self.width > WIDTHS[1]:
            note += f" The parts of this amp vary {self.width:.1f} times as much as usual."
        result = [Table("This amp", heads, rows, note=note, key="estimates")]
        if self.following:
            about = self.following[0].about
            result.append(
                Table.of(f"To know {about} better", self.following, "measure next=place", "now", "then")
            )
        return result


def twin(readings: Readings, *, about: str = "", age: Age = "vintage", when: str = "") -> Twin:
    """The amp that readings were taken on, as they have it.

    Parameters
    ----------
    readings
        From `load_readings` or `taken`.
    about
        Designator of the part that the next reading is to narrow; a tube when not given.
    age
        'vintage' or 'modern' parts.
    when
        Day of the readings, as the fitted amp's title has it.

    Returns
    -------
    Twin
        The fitted amp, its estimates, and what to measure next.

    Raises
    ------
    ReadingError
        Fewer readings than three, or no part of that name.
    SolveError
        The drawn amp has no idle state.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> from tubekit.bench.readings import readings_from_text
    >>> taken = readings_from_text('''place,quantity,value
    ... B1,DC volts,334
    ... B2,DC volts,293
    ... p3,DC volts,330
    ... k34,DC volts,16.4''', load_amp("teasel"))
    >>> result = twin(taken)
    >>> bool(result.amp.mains_rms < 120), len(result.misfits)
    (True, 0)
    """
    solver = _solver(readings, age)
    own, variance = _compared(readings)
    result = fit(solver, own, variance, rare=rare_spread(solver))
    return replace(_told(readings, solver, result, about, when), age=age)


def change_since(then: Twin, readings: Readings) -> tuple[Estimate, ...]:
    """What has changed since an earlier fit, by readings of the same places: tubes and leaks may have aged,
    other parts hardly. The laws' own errors are the same both times and drop out.

    Parameters
    ----------
    then
        The fit of the last visit.
    readings
        Taken now on the same amp.

    Returns
    -------
    tuple[Estimate, ...]
        The parts that have changed beyond their interval, in % of then, the farthest first.

    Raises
    ------
    SolveError
        The amp has no idle state.
    """
    assert then.solver is not None
    assert then.result is not None
    at = {reading.probe: k for k, reading in enumerate(then.readings.readings) if then.result.kept[0, k]}
    both = tuple(one for one in readings.readings if one.probe in at)
    if len(both) < LEAST:
        return ()
    now, names = replace(readings, readings=both), {v.name: k for k, v in enumerate(then.solver.varied)}
    solver = _solver(now, "vintage", candidates=False)
    begin = np.array([then.result.mean[0, names[v.name]] if v.name in names else 0.0 for v in solver.varied])
    share = np.array([1.0 if v.name.endswith((*EMISSION, *AGES)) else STEADY for v in solver.varied])
    share[[v.name == MAINS for v in solver.varied]] = np.sqrt(2.0)
    places = [at[one.probe] for one in both]
    missed = _compared(then.readings)[0][0, places] - then.result.seen[0, places]
    meters = np.square(meter_sd(both)) + np.square(meter_sd([then.readings.readings[k] for k in places]))
    result = fit(solver, _compared(now)[0] - missed, meters[None], share, begin)
    moved = _estimates(now.amp, solver, replace(result, mean=result.mean - begin), share)
    sure = [each for each in moved if each.unit == "%" or each.drawn]
    return tuple(_relative(each) for each in sure if each.moved and not each.low < each.drawn < each.high)


def _relative(one: Estimate) -> Estimate:
    """The same in % of then."""
    value, low, high = (100.0 * x / one.drawn for x in (one.value, one.low, one.high))
    return Estimate(one.part, one.words, value, low, high, 100.0, "%")


def _solver(readings: Readings, age: Age, candidates: bool = True) -> FaultSolver:
    """What amps of this drawing show where readings were taken and, after these, where they could be."""
    asked = {r.probe: r.meter.input_ohms for r in readings.readings}
    if len(asked) < LEAST:
        raise ReadingError(
            f"{len(asked)} readings are not enough", where=readings.source,
            fix=f"Take at least {LEAST}, ideally a voltage at every tube",
        )  # fmt: skip
    others = candidate_probes(readings.amp, readings.tone) if candidates else ()
    probes = (*asked, *(p for p in others if p not in asked))
    varied = variables(readings.amp, age, measured=readings.measured, mains_known=readings.mains_accuracy)
    meters = np.array([asked.get(p, Meter().input_ohms) for p in probes])
    return FaultSolver(dc_population(readings.amp), probes, readings.tone, varied, meters, None)


def _compared(readings: Readings) -> tuple[Array, Array]:
    """Readings as they are compared and their variance, meter and laws together, (1, M) each."""
    asked = [r.probe for r in readings.readings]
    values = np.array([[r.value for r in readings.readings]])
    laws = np.concatenate([law_error(p, values[:, k]) for k, p in enumerate(asked)])
    return scale(values, asked), (np.square(meter_sd(readings.readings)) + np.square(laws))[None]


def _told(readings: Readings, solver: FaultSolver, result: Fit, about: str, when: str) -> Twin:
    usual = np.full(len(solver.varied), float(result.width[0]))
    estimates = tuple(_estimates(readings.amp, solver, result, usual, solver.means))
    # a capacitor that the readings do not narrow keeps the value that is printed on it
    unknown = {
        one.words for one in estimates
        if not one.moved and isinstance(readings.amp.parts.get(one.part), drawn.Capacitor) and one.unit == "F"
    }  # fmt: skip
    own = np.array([v.name not in unknown for v in solver.varied])
    x = np.where(own, solver.means + solver.deviation * result.mean[0], 0.0)
    amp = fitted_amp(readings.amp, solver.varied, x)
    day = f" on {when}" if when else f" of {readings.source}" if readings.source else ""
    count = int(result.kept[0].sum())
    amp = replace(amp, title=f"{amp.title}, this amp (matched to {count} readings{day})")
    seen = result.seen[0]
    misfits = tuple(
        Misfit(one, one.probe.words(amp), _unscaled(one.probe, float(seen[k]), one.value))
        for k, one in enumerate(readings.readings) if not result.kept[0, k]
    )  # fmt: skip
    following = _following(readings, solver, result, estimates, about)
    grids = tuple(grid_currents(readings.amp, solver, result))
    return Twin(
        readings, amp, estimates, misfits, following, float(result.width[0]), solver, result, grids=grids
    )


def _unscaled(probe: Probe, value: float, like: float) -> float:
    kind = QUANTITIES[probe.quantity]
    return float(np.copysign(np.exp(value) - kind.least, like)) if kind.ratio else value


def fitted_amp(amp: Amp, varied: Sequence[Variable], x: Array) -> Amp:
    """An amp with its variables at x (V,): line, resistors, capacitors as values, the rest as `Amp.trim`."""
    turned = combine_settings([(v.turns, x[j : j + 1]) for j, v in enumerate(varied)], 1)
    parts, trim, line = dict(amp.parts), dict(amp.trim), float(amp.mains_rms)
    for parameter, (factors, addends) in turned.items():
        name, key = parameter.part, parameter.field
        factor, addend = float(factors[0]), float(addends[0])
        part: Any = parts.get(name)
        if isinstance(part, drawn.MainsPlug):
            line = _rounded(line * factor)
        elif isinstance(part, drawn.Resistor | drawn.Capacitor) and hasattr(part, key):
            new: dict[str, Any] = {key: _rounded(getattr(part, key) * factor + addend)}
            parts[name] = replace(part, **new) if (factor, addend) != (1.0, 0.0) else part
        else:
            old, more = trim.get(parameter, (1.0, 0.0))
            trim[parameter] = (old * factor, more * factor + addend)  # type: ignore[assignment]
    return replace(amp, parts=MappingProxyType(parts), trim=trim, mains_rms=line, origin=amp.drawn)


def _rounded(value: float) -> float:
    """To the digits that a value has where it is read: 268.6 Ω, no 268.613."""
    return float(f"{value:.4g}")


def _estimates(
    amp: Amp, solver: FaultSolver, result: Fit, usual: Array, typical: Array | float = 0.0
) -> list[Estimate]:
    """Every quantity in which good amps differ, variables that turn the same together; the most unusual
    first. `typical` (V,) is what a variable is at its mean, `usual` (V,) its spread.
    """
    groups: dict[tuple[Any, ...], list[int]] = {}
    for j, variable in enumerate(solver.varied):
        if not variable.name.endswith("position"):
            groups.setdefault(tuple((t.parameter, t.gain) for t in variable.turns), []).append(j)
    rows, mean, typical = [], result.mean[0], np.broadcast_to(typical, len(solver.varied))
    for own in groups.values():
        step = solver.deviation[own]
        off = float(step @ mean[own])
        sd = float(np.sqrt(step @ result.covariance[0][np.ix_(own, own)] @ step))
        wide = float(np.linalg.norm(step * usual[own]))
        one = _estimate(amp, solver.varied[own[0]], off + float(typical[own].sum()), sd)
        found = bool(result.rare[0][own].any())
        rows.append((abs(off) / wide, replace(one, moved=found or sd < MOVED * wide)))
    return [each for _, each in sorted(rows, key=lambda row: -row[0])]


def _estimate(amp: Amp, variable: Variable, x: float, sd: float) -> Estimate:
    """A variable in the unit that it is measured in; what is measured in none, in % of the schematic's."""
    turn = variable.turns[0]
    parameter, part = turn.parameter, amp.parts.get(variable.part)
    ends = np.array([x, x - NINETY * sd, x + NINETY * sd])
    words, drawn_value, unit = variable.name, 100.0, "%"
    if variable.name == MAINS:
        words, drawn_value, unit = LINE, float(amp.mains_rms), "V"
    elif turn.adds:
        value, low, high = (float(each) for each in np.maximum(turn.gain * ends, 0.0))
        return Estimate(variable.part, words, value, low, high, 0.0, "A")
    elif parameter.part.endswith(LEAK):
        drawn_value, unit = NO_LEAK, "ohm"
    elif isinstance(part, drawn.Resistor | drawn.Capacitor):
        drawn_value, unit = float(getattr(part, parameter.field)), UNITS[parameter.field]
    value, low, high = (float(each) for each in drawn_value * np.exp(ends))
    return Estimate(variable.part, words, value, low, high, drawn_value, unit)


def _following(
    readings: Readings, solver: FaultSolver, result: Fit, estimates: Sequence[Estimate], about: str
) -> tuple[Narrowing, ...]:
    """The readings that would narrow an estimate most for their effort."""
    one = _asked(readings, estimates, about)
    own = [j for j, v in enumerate(solver.varied) if one.words in (v.name, LINE * (v.name == MAINS))]
    own = own or [j for j, v in enumerate(solver.varied) if v.part == one.part][:1]
    question = np.zeros(len(solver.varied))
    question[own] = solver.deviation[own]
    covariance, taken = result.covariance[0], len(readings.readings)
    now = float(question @ covariance @ question)
    rows = []
    for m, probe in enumerate(solver.probes[taken:], taken):
        kind, slope, seen = QUANTITIES[probe.quantity], result.effects[0, m], float(result.seen[0, m])
        meter = METER if kind.ratio else METER * abs(seen) + kind.least
        value = np.array([_unscaled(probe, seen, 1.0)])
        noise = meter**2 + float(law_error(probe, value)[0]) ** 2
        gain = float(question @ covariance @ slope) ** 2 / (float(slope @ covariance @ slope) + noise)
        left = max(1.0 - gain / now, 1e-6)
        rows.append((-np.log(left) / kind.effort, probe, np.sqrt(left)))
    half = 100.0 * NINETY * np.sqrt(now)
    best = sorted(rows, key=lambda row: -row[0])[:SHOWN]
    return tuple(
        Narrowing(p, p.words(readings.drawn), one.words, half, half * left)
        for worth, p, left in best
        if worth > WORTH
    )


def _asked(readings: Readings, estimates: Sequence[Estimate], about: str) -> Estimate:
    """The estimate that the next reading is to narrow: of the part asked for, else the tube known least."""
    own = [each for each in estimates if about in (each.part, each.words) and each.unit != "A"]
    if about and not own:
        names = [each.part for each in estimates]
        raise ReadingError("nothing about this part is estimated", where=readings.source, part=about,
                           fix=f"Choose one of {', '.join(dict.fromkeys(names))}",
                           near=near_matches(about, names))  # fmt: skip
    among = own if about else estimates
    tubes = [each for each in among if each.words.endswith(EMISSION)]
    return max(tubes or among, key=lambda each: each.high / max(each.low, 1e-300))

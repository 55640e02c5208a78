"""What every fault of an amp would make the meter show: solved once, then held against any readings."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from tubekit.amp import Amp
from tubekit.amp.parts.faults import LEAK, Age, Change, CircuitParameter, Fault, Variable
from tubekit.amp.settings import Settings, apply_settings, combine_settings
from tubekit.analyses.mains import MainsState
from tubekit.bench.dc_faults import TubePinSwap, pin_swap, with_pins_swapped
from tubekit.bench.faults import fuses_of, shown_with_fuses, single_faults, with_fault
from tubekit.circuit.parts import Circuit
from tubekit.decisions.population import Population, dc_population, variables, with_fault_ports
from tubekit.decisions.probe import OPEN_OHMS, QUANTITIES, Probe, Tone, meter_values, resistance
from tubekit.decisions.sensitivity import sensitivity
from tubekit.decisions.spread import neighbors
from tubekit.errors import BatchWarning, TubekitError
from tubekit.result_fields import Array

Progress = Callable[[int, int], None]

CHUNK = 128
DEAD = 1e-9
"""Below this nothing is there [V]: what is without power."""
MISFIT = {"dc_v": 0.004, "dc_a": 0.02, "ohms": 0.01}
MISFIT_RATIO = {"ripple_pp_v": 0.03, "ripple_rms_v": 0.03, "signal_rms_v": 0.03, "ac_rms_v": 0.03}
"""How far the tube laws and the drawing itself may be off at a good amp, as a fraction of the reading (the
accuracy of the fits, see the README). Readings of a ratio add it to their logarithm."""


@dataclass(frozen=True, eq=False)
class FaultTable:
    """Predictions for the typical good amp (row 0) and every grade of every fault, at M probes.

    `seen` (S, M) are readings as the meters show them, `scaled` (S, M) the same as compared (volts, or
    logarithms for ratios), `drift` (S, m, V) what a standard deviation of each variable moves of the `direct`
    readings, `ratio` (M - m, V) of the others, in every row; `owner` (S,) the fault each row belongs to (-1
    for the drawn amp), `grade` (S,) its severity, `blown` (S,) where it opens a fuse. `lost` names the faults
    without a state, which are in no row, and `unknown` the variables of which `ratio` is not known and 0.
    """

    amp: Amp
    probes: tuple[Probe, ...]
    faults: tuple[Fault, ...]
    seen: Array
    scaled: Array
    direct: tuple[int, ...]
    drift: Array
    ratio: Array
    owner: Array
    grade: Array
    blown: Array
    population: Population
    varied: tuple[Variable, ...]
    source_ohms: Array
    lost: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()

    def effects(self, rows: Array, columns: Sequence[int]) -> Array:
        """Effect of a standard deviation of each variable on some readings as compared, (rows, m, V)."""
        at = {m: k for k, m in enumerate(self.direct)}
        others = [m for m in range(len(self.probes)) if m not in at]
        result = np.empty((len(rows), len(columns), len(self.varied)))
        for j, m in enumerate(columns):
            result[:, j] = self.drift[rows, at[m]] if m in at else self.ratio[others.index(m)]
        return result

    def misfit(self, rows: Array, columns: Sequence[int]) -> Array:
        """Variance of readings as compared by which the tube laws and the drawing may be off, (rows, m)."""
        result = [law_error(self.probes[m], self.seen[rows, m]) for m in columns]
        return np.asarray(np.maximum(np.square(np.stack(result, axis=1)), 1e-18))

    def covariance(self, columns: Sequence[int]) -> Array:
        """Covariance that good parts and the laws leave in some readings, (S, m, m)."""
        every, at = np.arange(len(self.owner)), np.arange(len(columns))
        moved = self.effects(every, columns)
        result = np.matmul(moved, moved.transpose(0, 2, 1))
        result[:, at, at] += self.misfit(every, columns)
        return np.asarray(result)

    def change(self, row: int) -> Change:
        """Change that a row makes; nothing for the drawn amp and for rewired faults."""
        grades = self.faults[self.owner[row]].grades if self.owner[row] >= 0 else ()
        return grades[self.grade[row]] if grades else {}

    def grade_words(self, row: int, form: str = "{}") -> str:
        """The severity of a row in words, nothing where its fault has no grades."""
        words = self.faults[self.owner[row]].grade_words if self.owner[row] >= 0 else ()
        return form.format(words[self.grade[row]]) if words else ""


def fault_settings(
    varied: Sequence[Variable], changes: Sequence[Change]
) -> dict[CircuitParameter, tuple[Array, Array]]:
    """Settings of typical good amps (every variable at its mean: old parts have drifted), one per change."""
    size = len(changes)
    settings = combine_settings([(v.turns, np.full(size, v.mean)) for v in varied], size)
    for r, change in enumerate(changes):
        for parameter, (factor, addend) in change.items():
            both = settings.setdefault(parameter, (np.ones(size), np.zeros(size)))
            both[0][r] = factor * (1.0 if parameter.part.endswith(LEAK) else both[0][r])
            both[1][r] = addend
    return settings


def scale(values: Array, probes: Sequence[Probe]) -> Array:
    """Readings as they are compared: volts and amperes as they are, ratios by their logarithm."""
    result = np.array(values, float)
    for m, probe in enumerate(probes):
        kind = QUANTITIES[probe.quantity]
        if probe.quantity == "ohms":  # beyond what a meter tells, open is open
            result[..., m] = np.minimum(result[..., m], OPEN_OHMS)
        if kind.ratio:
            result[..., m] = np.log(np.abs(result[..., m]) + kind.least)
    return result


def fault_table(
    amp: Amp,
    probes: Sequence[Probe],
    *,
    tone: Tone | None = None,
    age: Age = "vintage",
    measured: dict[str, float] | None = None,
    mains_known: float | None = 0.005,
    meter_ohms: Array | float = 10e6,
    progress: Progress | None = None,
) -> FaultTable:
    """Solve every single fault of an amp.

    Parameters
    ----------
    probes : where readings were or could be taken.
    meter_ohms : input resistance of the meter at each probe [Ω].
    measured, mains_known, age : as for `spread`. The line is taken as measured unless told otherwise.

    Raises
    ------
    SolveError : the drawn amp has no idle state.
    """
    ready = dc_population(amp)
    varied = variables(amp, age, measured=measured, mains_known=mains_known)
    faults = tuple(f for f in single_faults(amp) if f.part not in (measured or {}))
    meters = np.broadcast_to(np.asarray(meter_ohms, float), (len(probes),))
    work = FaultSolver(ready, tuple(probes), tone, varied, meters, progress)
    for k, fault in enumerate(faults):
        for g, grade in enumerate(fault.grades):
            work.rows.append((k, grade))
            work.grades.append(g)
    with warnings.catch_warnings():  # a grade without a state is left out of the book
        warnings.simplefilter("ignore", BatchWarning)
        return work.book(faults)


class FaultSolver:
    """What amps of one drawing show at some probes: good ones, and each single fault of them."""

    def __init__(
        self,
        ready: Population,
        probes: tuple[Probe, ...],
        tone: Tone | None,
        varied: tuple[Variable, ...],
        meters: Array,
        progress: Progress | None,
    ) -> None:
        self.ready, self.probes, self.tone, self.varied, self.meters = ready, probes, tone, varied, meters
        self.progress = progress
        self.rows: list[tuple[int, Change]] = [(-1, {})]
        self.grades = [0]
        self.direct = [m for m, p in enumerate(probes) if p.quantity in ("dc_v", "dc_a")]
        self.others = [m for m in range(len(probes)) if m not in self.direct]
        self.deviation = np.sqrt([v.variance for v in varied])
        self.means = np.array([v.mean for v in varied])
        self.typical = self._typical()

    def _typical(self) -> MainsState:
        """The typical good amp: most faults move the supply so little that they need one round from there."""
        circuit = apply_settings(self.ready.built.circuit, fault_settings(self.varied, [{}]))
        return meter_values(self.ready.amp, circuit, (), near=self.ready.lines.nominal).state

    def book(self, faults: tuple[Fault, ...]) -> FaultTable:
        """Every grade of every fault, solved."""
        pieces, total = [], -(-len(self.rows) // CHUNK)
        for j in range(total):
            pieces.append(self._chunk(self.rows[j * CHUNK : (j + 1) * CHUNK]))
            if self.progress:
                self.progress(j + 1, total + 1)
        owner = [k for k, _ in self.rows]
        swaps = {k: swap for k, f in enumerate(faults) if (swap := pin_swap(self.ready.amp, f))}
        if swaps:
            seen, drift, blown, source = self._swapped(list(swaps.values()))
            # with a fuse open that is not the line's the amp is solved once more: one by one
            again = blown & bool(set(fuses_of(self.ready.amp)) - set(self.ready.amp.line_side.fuses))
            pieces.append((seen[~again], drift[~again], blown[~again], source[~again]))
            swaps = {k: swap for k, swap, one in zip(swaps, swaps.values(), again, strict=True) if not one}
            owner += swaps
        for k, fault in enumerate(faults):
            if fault.becomes is not None and k not in swaps:
                alone = self._one_rewired(fault)
                if alone is not None:
                    pieces.append(alone)
                    owner.append(k)
        seen, drift, blown, source = (np.concatenate(each) for each in zip(*pieces, strict=True))
        grade = np.array(self.grades + [0] * (len(owner) - len(self.grades)))
        order = np.argsort(np.array(owner), kind="stable")
        good = order[np.isfinite(seen[order]).all(axis=1)]
        ratio, unknown = self.ratio
        book = FaultTable(
            self.ready.amp, self.probes, faults, seen[good], scale(seen[good], self.probes),
            tuple(self.direct), drift[good], ratio, np.array(owner)[good], grade[good], blown[good],
            self.ready, self.varied, source[good], unknown=unknown,
        )  # fmt: skip
        return replace(book, lost=_lost(book))

    def readings_at(self, x: Array) -> tuple[Array, Array]:
        """Readings of amps whose variables are x (N, V), as compared (N, M), by a full solve each, and what a
        standard deviation of each variable moves of them (N, M, V); of ratios, what it moves of the typical
        amp's.
        """
        settings = combine_settings([(v.turns, x[:, j]) for j, v in enumerate(self.varied)], len(x))
        circuit = self.ready.built.circuit
        seen, drift, _, _ = self._predicted(self.ready.amp, circuit, [{}] * len(x), settings)
        effects = np.empty((len(x), len(self.probes), len(self.varied)))
        effects[:, self.direct], effects[:, self.others] = drift, self.ratio[0]
        return scale(seen, self.probes), effects

    def _chunk(self, rows: Sequence[tuple[int, Change]]) -> tuple[Array, Array, Array, Array]:
        changes = [change for _, change in rows]
        return self._predicted(self.ready.amp, self.ready.built.circuit, changes)

    def _swapped(self, swaps: Sequence[TubePinSwap]) -> tuple[Array, Array, Array, Array]:
        """What tubes with two pins swapped show, all at once."""
        changes: list[Change] = [{}] * len(swaps)
        good = apply_settings(self.ready.built.circuit, fault_settings(self.varied, changes))
        return self._predicted(self.ready.amp, with_pins_swapped(good, swaps), changes, {})

    def _one_rewired(self, fault: Fault) -> tuple[Array, Array, Array, Array] | None:
        other = with_fault(self.ready.amp, fault)
        if fault.part in other.line_side.fuses:
            return self._dead(other)
        try:
            return self._predicted(other, with_fault_ports(other).circuit, [{}])
        except TubekitError:
            return None

    def _dead(self, amp: Amp) -> tuple[Array, Array, Array, Array]:
        """What meters show with the line fuse open: nothing but ohms."""
        seen, drift = np.zeros_like(self.good[0]), np.zeros_like(self.good[1])
        off = [m for m, probe in enumerate(self.probes) if probe.quantity == "ohms"]
        if off:
            seen[:, off] = resistance(
                with_fault_ports(amp, powered=False).circuit, [self.probes[m].place for m in off]
            )
        return seen, drift, np.zeros(1, bool), np.zeros(seen.shape)

    def _predicted(
        self, amp: Amp, circuit: Circuit, changes: Sequence[Change], settings: Settings | None = None
    ) -> tuple[Array, Array, Array, Array]:
        """What meters show, what each variable moves of DC readings, whether a fuse opened, source ohms."""
        settings = fault_settings(self.varied, changes) if settings is None else settings
        drawn = circuit is self.ready.built.circuit
        near = self.typical if drawn else None
        result, opened = shown_with_fuses(amp, circuit, settings, self.probes, self.tone, near)
        blown = opened != ""
        if drawn:
            direct = [self.probes[m] for m in self.direct]
            drift = sensitivity(result.state, self.ready.lines, direct, self.varied, result.adjoint)
        else:
            drift = np.zeros((len(changes), len(self.direct), len(self.varied)))
        drift *= self.deviation
        # where a meter leaves little of a voltage it leaves as little of what good parts make of it
        drift *= np.abs(self.meters / (self.meters + result.source))[:, self.direct, None]
        seen = result.loaded(self.meters, blown)
        if not hasattr(self, "good"):
            self.good = seen[:1], drift[:1].copy()
        elsewhere = blown if drawn else np.ones(len(changes), bool)
        elsewhere = elsewhere | np.isnan(drift).any(axis=(1, 2))
        drift[elsewhere] = self._left(seen[elsewhere])
        return seen, drift, blown, np.abs(result.source)

    def _left(self, seen: Array) -> Array:
        """Effects of the variables in a circuit of another shape: the good amp's, where volts are left."""
        good, drift = self.good
        left = np.minimum(np.abs(seen) / np.maximum(np.abs(good), DEAD), 1.0)[:, self.direct]
        return np.asarray(left[:, :, None] * drift)

    @cached_property
    def ratio(self) -> tuple[Array, tuple[str, ...]]:
        """Effect of a standard deviation of each variable on the logarithm of AC readings of the drawn amp,
        (m, V), and the variables of which that is not known.
        """
        probes = [self.probes[m] for m in self.others]
        if not probes:
            return np.zeros((0, len(self.varied))), ()
        near = neighbors(self.ready, probes, self.varied, self.tone, self.means, self.typical)
        least = np.array([QUANTITIES[p.quantity].least for p in probes])
        result = near.effects / (np.abs(near.values) + least)[:, None]
        lost = np.isnan(result)
        return np.where(lost, 0.0, result), tuple(
            v.name for v, one in zip(self.varied, lost.any(axis=0), strict=True) if one
        )


def _lost(book: FaultTable) -> tuple[str, ...]:
    """The faults, and their grades, that a book has no row for."""
    there = set(zip(book.owner.tolist(), book.grade.tolist(), strict=True))
    every = [(k, g) for k, fault in enumerate(book.faults) for g in range(max(len(fault.grades), 1))]
    lost = [(book.faults[k], g) for k, g in every if (k, g) not in there]
    return tuple(f"{f.words} ({f.grade_words[g]})" if f.grade_words else f.words for f, g in lost)


def law_error(probe: Probe, seen: Array) -> Array:
    """By how much tube laws and drawing may be off at a good amp, as readings are compared."""
    if probe.quantity in MISFIT and not QUANTITIES[probe.quantity].ratio:
        return np.asarray(MISFIT[probe.quantity] * np.abs(seen))
    return np.full(len(seen), MISFIT_RATIO.get(probe.quantity, 0.01))

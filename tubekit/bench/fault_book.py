"""What every fault of an amp would make the meter show: solved once, then held against any readings."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from tubekit.amp import Amp
from tubekit.amp.parts.faults import Change, Fault
from tubekit.amp.parts.variables import LEAK, Age, Knob, Variable
from tubekit.analyses.mains import MainsState
from tubekit.bench.faults import rewired, single_faults
from tubekit.circuit.parts import VoltageSource
from tubekit.decisions.fleet import Fleet, fleet
from tubekit.decisions.instrument import combined, instrumented, turned
from tubekit.decisions.probe import OPEN_OHMS, QUANTITIES, Probe, Shown, Tone, shown
from tubekit.decisions.sensitivity import sensitivity
from tubekit.decisions.spread import effects_of
from tubekit.decisions.variation import variables
from tubekit.errors import BatchWarning, TubekitError

Array = np.ndarray
Progress = Callable[[int, int], None]

CHUNK = 48
FUSE_BLOWS = 2.0
"""A fuse carrying this many times its rating is taken as blown: the amp is dead (common practice)."""
MISFIT = {"dc_v": 0.004, "dc_a": 0.02, "ohms": 0.01}
MISFIT_RATIO = {"ripple_pp_v": 0.03, "ripple_rms_v": 0.03, "signal_rms_v": 0.03, "ac_rms_v": 0.03}
"""How far the tube laws and the drawing itself may be off at a good amp, as a fraction of the reading (the
accuracy of the fits, see the README). Readings of a ratio add it to their logarithm."""


@dataclass(frozen=True, eq=False)
class FaultBook:
    """Predictions for the typical good amp (row 0) and every grade of every fault, at M probes.

    `seen` (S, M) are readings as the meters show them, `scaled` (S, M) the same as compared (volts, or
    logarithms for ratios), `covariance` (S, M, M) what good parts and the laws leave open, `owner` (S,) the
    fault each row belongs to (-1 for the drawn amp), `grade` (S,) its severity, `blown` (S,) where the fuse
    goes, so that all readings are nil.
    """

    amp: Amp
    probes: tuple[Probe, ...]
    faults: tuple[Fault, ...]
    seen: Array
    scaled: Array
    covariance: Array
    owner: Array
    grade: Array
    blown: Array
    fleet: Fleet
    varied: tuple[Variable, ...]
    source_ohms: Array

    def change(self, row: int) -> Change:
        """What a row turns; nothing for the drawn amp and for rewired faults."""
        grades = self.faults[self.owner[row]].grades if self.owner[row] >= 0 else ()
        return grades[self.grade[row]] if grades else {}

    def grade_words(self, row: int, form: str = "{}") -> str:
        """The severity of a row in words, nothing where its fault has no grades."""
        words = self.faults[self.owner[row]].grade_words if self.owner[row] >= 0 else ()
        return form.format(words[self.grade[row]]) if words else ""


def harmed(varied: Sequence[Variable], changes: Sequence[Change]) -> dict[Knob, tuple[Array, Array]]:
    """Settings of typical good amps (every variable at its mean: old parts have drifted), one per change."""
    size = len(changes)
    settings = combined([(v.turns, np.full(size, v.mean)) for v in varied], size)
    for r, change in enumerate(changes):
        for knob, (factor, addend) in change.items():
            both = settings.setdefault(knob, (np.ones(size), np.zeros(size)))
            both[0][r] = factor * (1.0 if knob.part.endswith(LEAK) else both[0][r])
            both[1][r] = addend
    return settings


def scale(values: Array, probes: Sequence[Probe]) -> Array:
    """Readings as they are compared: volts and amperes as they are, ratios by their logarithm."""
    found = np.array(values, float)
    for m, probe in enumerate(probes):
        kind = QUANTITIES[probe.quantity]
        if probe.quantity == "ohms":  # beyond what a meter tells, open is open
            found[..., m] = np.minimum(found[..., m], OPEN_OHMS)
        if kind.ratio:
            found[..., m] = np.log(np.abs(found[..., m]) + kind.least)
    return found


def fault_book(
    amp: Amp,
    probes: Sequence[Probe],
    *,
    tone: Tone | None = None,
    age: Age = "vintage",
    measured: dict[str, float] | None = None,
    mains_known: float | None = 0.005,
    meter_ohms: Array | float = 10e6,
    progress: Progress | None = None,
) -> FaultBook:
    """Solve every single fault of an amp.

    Parameters
    ----------
    probes : where readings were or could be taken.
    meter_ohms : input resistance of the meter at each probe [Ω].
    measured, mains_known, age : as for `spread`. The mains is taken as measured unless told otherwise.

    Raises
    ------
    SolveError : the drawn amp has no idle state.
    """
    ready = fleet(amp)
    varied = variables(amp, age, measured=measured, mains_known=mains_known)
    faults = tuple(f for f in single_faults(amp) if f.part not in (measured or {}))
    meters = np.broadcast_to(np.asarray(meter_ohms, float), (len(probes),))
    work = _Solving(ready, tuple(probes), tone, varied, meters, progress)
    for k, fault in enumerate(faults):
        for g, grade in enumerate(fault.grades):
            work.rows.append((k, grade))
            work.grades.append(g)
    return work.book(faults)


class _Solving:
    def __init__(
        self,
        ready: Fleet,
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
        self.variance = np.array([v.variance for v in varied])
        self.means = np.array([v.mean for v in varied])
        self.plug = ready.built.circuit.of(VoltageSource)[0].name
        self.fuse = _fuse_amps(ready.amp)

    def book(self, faults: tuple[Fault, ...]) -> FaultBook:
        pieces, total = [], -(-len(self.rows) // CHUNK)
        for j in range(total):
            pieces.append(self._chunk(self.rows[j * CHUNK : (j + 1) * CHUNK]))
            if self.progress:
                self.progress(j + 1, total + 1)
        owner = [k for k, _ in self.rows]
        for k, fault in enumerate(faults):
            if fault.becomes is not None:
                piece = self._one_rewired(fault)
                if piece is not None:
                    pieces.append(piece)
                    owner.append(k)
        seen, drift, blown, source = (np.concatenate(each) for each in zip(*pieces, strict=True))
        seen[blown] = 0.0
        grade = np.array(self.grades + [0] * (len(owner) - len(self.grades)))
        order = np.argsort(np.array(owner), kind="stable")
        good = order[np.isfinite(seen[order]).all(axis=1)]
        covariance = self._covariance(drift[good], seen[good])
        return FaultBook(
            self.ready.amp, self.probes, faults, seen[good], scale(seen[good], self.probes), covariance,
            np.array(owner)[good], grade[good], blown[good], self.ready, self.varied, source[good],
        )  # fmt: skip

    def _chunk(self, rows: Sequence[tuple[int, Change]]) -> tuple[Array, Array, Array, Array]:
        settings = harmed(self.varied, [change for _, change in rows])
        circuit = turned(self.ready.built.circuit, settings)
        with warnings.catch_warnings():  # a grade without a state is left out of the book
            warnings.simplefilter("ignore", BatchWarning)
            found = shown(self.ready.amp, circuit, self.probes, self.tone, self.ready.lines.nominal)
        return self._told(found)

    def _one_rewired(self, fault: Fault) -> tuple[Array, Array, Array, Array] | None:
        other = rewired(self.ready.amp, fault)
        try:
            circuit = turned(instrumented(other).circuit, harmed(self.varied, [{}]))
            found = shown(other, circuit, self.probes, self.tone)
        except TubekitError:
            return None
        seen, _, blown, source = self._told(found, slopes=False)
        return seen, self.nominal_drift, blown, source

    def _told(self, found: Shown, slopes: bool = True) -> tuple[Array, Array, Array, Array]:
        drift = np.zeros((len(found.values), len(self.probes), len(self.varied)))
        if slopes:
            direct = [self.probes[m] for m in self.direct]
            drift[:, self.direct] = sensitivity(found.state, self.ready.lines, direct, self.varied)
            if self.others:
                drift[:, self.others] = self.ratio_drift
        if not hasattr(self, "nominal_drift"):
            self.nominal_drift = drift[:1]
        return found.loaded(self.meters), np.nan_to_num(drift), self._blown(found.state), np.abs(found.source)

    @property
    def ratio_drift(self) -> Array:
        """What each variable does to the logarithm of each AC reading of the drawn amp, (m, V)."""
        if not hasattr(self, "_ratio_drift"):
            probes = [self.probes[m] for m in self.others]
            values, effects = effects_of(self.ready, probes, self.varied, self.tone, self.means)
            least = np.array([QUANTITIES[p.quantity].least for p in probes])
            per_sd = effects / (np.abs(values) + least)[:, None]
            self._ratio_drift: Array = per_sd / np.sqrt(self.variance)
        return self._ratio_drift

    def _blown(self, state: MainsState) -> Array:
        row = state.operating_point.network.unknowns.index(f"I({self.plug})")
        squares = np.abs(state.spectrum[:, 1:, row]) ** 2
        return np.asarray(np.sqrt(0.5 * squares.sum(axis=1)) > FUSE_BLOWS * self.fuse)

    def _covariance(self, drift: Array, seen: Array) -> Array:
        found = np.einsum("smv,v,snv->smn", drift, self.variance, drift)
        at = np.arange(len(self.probes))
        for m, probe in enumerate(self.probes):
            found[:, m, m] += np.square(_misfit(probe, seen[:, m]))
        found[:, at, at] = np.maximum(found[:, at, at], 1e-18)
        return np.asarray(found)


def _misfit(probe: Probe, seen: Array) -> Array:
    if probe.quantity in MISFIT and not QUANTITIES[probe.quantity].ratio:
        return np.asarray(MISFIT[probe.quantity] * np.abs(seen))
    return np.full(len(seen), MISFIT_RATIO.get(probe.quantity, 0.01))


def _fuse_amps(amp: Amp) -> float:
    ratings = [float(np.max(p.amps)) for p in amp.parts.values() if p.kind == "fuse"]  # type: ignore[attr-defined]
    return min(ratings) if ratings else np.inf

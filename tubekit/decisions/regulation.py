"""A supply as a fitted regulation line: what its rectifiers deliver on average at a given output voltage.

A few full supply solves at different loads give each rectifier's mean current I against its mean voltage v
(negative: the output holds it off). The line near them, through the nominal one, is

    I = G·u^γ,  u = v + V,

V the voltage without load; the drop of a capacitor-input supply grows with about I^(2/3), which is γ = 1.5
(similitude of the conduction angle; the classical charts show the same, from memory). V and G then move
with mains, windings, rectifier and reservoir by powers that are found in the same way. The operating point
of thousands of amps needs no further line cycle; what the line misses is measured, not assumed
(`Lines.error_v`).
"""

from __future__ import annotations

import dataclasses
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from tubekit.amp.parts.faults import CircuitParameter
from tubekit.amp.settings import Settings, apply_settings
from tubekit.analyses.mains import MainsState, mains_steady_state
from tubekit.circuit.parts import Circuit, CurrentSource, Rectifier
from tubekit.devices.law import FloatArray, Parameter, ParameterLaw, softplus
from tubekit.errors import BatchWarning, SolveError
from tubekit.result_fields import Array
from tubekit.text import frozen_array

SAMPLES = 128
IDLE = 1e-9
"""A rectifier that delivers less than this holds off [A]."""
UNLOADED_DROP_V = 1.0
"""Drop of the line of a rectifier that nothing but leaks loads, at what those take [V]."""
LOADS = (-0.5, -0.25, 0.0, 0.35, 0.8)
"""Extra current drawn at each output, as a share of what it delivers, for the fit."""
SOFTNESS = 0.5
"""Rounding of a line where its rectifier begins to hold off [V], for Newton's sake."""
STEEPEST = 8.0
"""Behind a choke near its critical current volts climb below it and hardly fall above: no power fits, and a
larger one tells nothing more."""
FITTED = 1e-9
"""Steps of the logarithms of a line's numbers below which it is fitted."""
STEP = 0.06
"""Change of a supply's part, as a natural logarithm, whose effect gives the powers."""


@dataclass(frozen=True, eq=False, kw_only=True)
class RegulationLine(ParameterLaw):
    """Mean current of a rectifier [A] at its mean voltage [V]: ``G·u**γ``, u = softplus(v + V).

    Examples
    --------
    >>> line = RegulationLine(open_volts=400.0, conductance=1e-4, exponent=1.5)
    >>> float(line.evaluate(np.array([-350.0]))[0][0].round(4))
    0.0354
    """

    terminals: ClassVar[tuple[str, ...]] = ("plate",)
    positive: ClassVar[frozenset[str]] = frozenset({"conductance", "exponent"})

    open_volts: Parameter
    conductance: Parameter
    exponent: Parameter = 1.5
    softness: Parameter = SOFTNESS

    def evaluate(self, v: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mean current, shape (..., 1), and its slope, shape (..., 1, 1)."""
        above, per_volt = softplus(v[..., 0] + self.open_volts, self.softness)
        rate = self.conductance * above ** (np.asarray(self.exponent) - 1.0)
        return (rate * above)[..., None], (rate * self.exponent * per_volt)[..., None, None]


@dataclass(frozen=True, eq=False)
class Lines:
    """The regulation lines of an amp's rectifiers, and how they move with the supply's parts.

    `laws` by rectifier name in the circuit; `powers` by knob, (R, 2): of V and of G; `error_v` is the
    largest miss of the fit, as volts at the output; `nominal` the full solution they were fitted around.
    """

    laws: Mapping[str, RegulationLine]
    powers: Mapping[CircuitParameter, Array]
    error_v: float
    nominal: MainsState

    def moved(self, settings: Settings) -> dict[str, RegulationLine]:
        """The lines when knobs of the supply are turned; factors (N,) alone count here."""
        result = {}
        logs = {
            parameter: np.log(settings[parameter][0]) for parameter in self.powers if parameter in settings
        }
        for r, (name, law) in enumerate(self.laws.items()):
            volts = sum((self.powers[parameter][r, 0] * log for parameter, log in logs.items()), start=0.0)
            current = sum((self.powers[parameter][r, 1] * log for parameter, log in logs.items()), start=0.0)
            result[name] = dataclasses.replace(
                law,
                open_volts=np.asarray(law.open_volts) * np.exp(volts),
                conductance=np.asarray(law.conductance) * np.exp(current),
            )
        return result


def fit_lines(circuit: Circuit, frequency_hz: float, parameters: Sequence[CircuitParameter]) -> Lines:
    """Regulation lines of all rectifiers of `circuit`, and their powers of `parameters`.

    Raises
    ------
    SolveError : the circuit has no steady state, or a neighbor that the fit needs has none.
    """
    nominal = mains_steady_state(circuit, frequency_hz=frequency_hz, samples=SAMPLES)
    cases: list[tuple[CircuitParameter | None, float, float]] = [(None, 0.0, load) for load in LOADS]
    cases += [
        (number, sign * STEP, load)
        for number in parameters
        for sign in (-1.0, 1.0)
        for load in (0.0, LOADS[-1])
    ]
    volts, amps = _solved(circuit, frequency_hz, cases, nominal)
    for k in np.flatnonzero(
        np.isnan(amps).any(axis=1)
    ).tolist():  # no answer is not the answer that nothing moves
        volts[k], amps[k] = _solved(circuit, frequency_hz, cases[k : k + 1], nominal)
        if np.isnan(amps[k]).any():
            parameter, log, load = cases[k]
            change = f"{parameter.part} {parameter.field} {log:+.0%} and " if parameter else ""
            raise SolveError(
                f"The supply could not be calculated with {change}{load:+.0%} load: no normal ranges."
            )
    count = len(LOADS)
    leaks = nominal.unloaded[0]
    fits = [_fit(volts[:count, r], amps[:count, r], leaks[r]) for r in range(volts.shape[1])]
    powers = {}
    for k, parameter in enumerate(parameters):
        rows = slice(count + 4 * k, count + 4 * k + 4)
        powers[parameter] = frozen_array(
            [_powers(volts[rows, r], amps[rows, r], law) for r, (law, _) in enumerate(fits)]
        )
    names = [part.name for part in circuit.of(Rectifier)]
    laws = {name: law for name, (law, _) in zip(names, fits, strict=True)}
    return Lines(laws, powers, max((miss for _, miss in fits), default=0.0), nominal)


def _solved(
    circuit: Circuit,
    frequency_hz: float,
    cases: Sequence[tuple[CircuitParameter | None, float, float]],
    near: MainsState,
) -> tuple[Array, Array]:
    """Mean voltage and current of each rectifier in each case, (cases, R).

    The extra current runs past the rectifier, from its cathode to its plate: the rectifier has to deliver
    it, the rest of the circuit does not see it, whatever the kind of supply.
    """
    size = len(cases)
    settings: dict[CircuitParameter, tuple[Array, Array]] = {}
    for k, (parameter, log, _) in enumerate(cases):
        if parameter is not None:
            settings.setdefault(parameter, (np.ones(size), np.zeros(size)))[0][k] = np.exp(log)
    load = np.array([extra for _, _, extra in cases])
    means = near.rectifier_currents.mean(axis=2)[0]
    draws = [
        CurrentSource(f"{part.name} extra load", part.cathode, part.plate, load * mean)
        for part, mean in zip(circuit.of(Rectifier), means, strict=True)
    ]
    with warnings.catch_warnings():  # what is lost is solved alone, or said
        warnings.simplefilter("ignore", BatchWarning)
        state = mains_steady_state(
            apply_settings(circuit, settings).with_parts(*draws),
            frequency_hz=frequency_hz,
            samples=SAMPLES,
            near=near,
            rails_only=True,
        )
    return state.rectifier_volts.mean(axis=2), state.rectifier_currents.mean(axis=2)


def _fit(volts: Array, amps: Array, leaks: bool) -> tuple[RegulationLine, float]:
    """The line near (v, I) points and through the nominal one, and its largest miss [V].

    Where it only `leaks` the output stands at the peak: a volt of drop at what leaks take.
    """
    middle = LOADS.index(0.0)
    if not np.all(amps > IDLE):  # nothing flows: the rectifier only holds off
        return RegulationLine(open_volts=max(float(np.max(-volts)), 1.0), conductance=1e-12), 0.0
    if leaks:  # too little flows to show a curve
        drop = UNLOADED_DROP_V
        return RegulationLine(
            open_volts=drop - float(volts[middle]), conductance=float(amps[middle]) / drop**1.5,
            softness=drop / 16.0,
        ), 0.0  # fmt: skip
    share, above = amps / amps[middle], volts - volts[middle]
    drop, exponent = max(1.5 * float(np.polyfit(share, volts, 1)[0]), 1.0), 1.5
    missed, step = _missed(share, above, drop, exponent), 1.0
    while step > FITTED:  # Gauss-Newton in the logarithms, shortened where it would go the wrong way
        up = missed + above  # drop·(share^(1/γ) - 1)
        slopes = np.stack([up, -(up + drop) * np.log(share) / exponent], axis=1)
        ahead = np.linalg.lstsq(slopes, -missed, rcond=None)[0]
        step = float(np.abs(ahead).max())
        while step > FITTED:
            one, two = (float(each) for each in (drop, exponent) * np.exp(ahead))
            if two > STEEPEST:
                bend = share ** (1.0 / STEEPEST) - 1.0
                one, two = max(float(bend @ above / (bend @ bend)), 1.0), STEEPEST
            nearer = _missed(share, above, one, two)
            if np.square(nearer).sum() < np.square(missed).sum():
                drop, exponent, missed = one, two, nearer
                break
            ahead, step = 0.5 * ahead, 0.5 * step
    line = RegulationLine(
        open_volts=drop - float(volts[middle]),
        conductance=float(amps[middle] / drop**exponent),
        exponent=exponent,
        softness=min(SOFTNESS, drop / 16.0),  # else a drop of a volt or two would itself be rounded up
    )
    return line, float(np.abs(missed).max())


def _missed(share: Array, above: Array, drop: float, exponent: float) -> Array:
    """By how much a line misses the volts above the nominal ones [V]."""
    return np.asarray(drop * (share ** (1.0 / exponent) - 1.0) - above)


def _powers(volts: Array, amps: Array, law: RegulationLine) -> tuple[float, float]:
    """How V and G of a line move with a knob: least squares over the four cases of that knob."""
    if not np.all(amps > IDLE):  # it holds off, whatever the knob
        return 0.0, 0.0
    drop = (amps / np.asarray(law.conductance)) ** (1.0 / np.asarray(law.exponent))
    step = np.repeat([-STEP, STEP], len(volts) // 2)
    columns = np.stack([-np.asarray(law.open_volts) * step, -drop * step / law.exponent], axis=1)
    result, *_ = np.linalg.lstsq(columns, volts - (drop - law.open_volts), rcond=None)
    return float(result[0]), float(result[1])

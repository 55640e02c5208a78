"""The bare stage behind a load line: one tube or a push-pull pair on an ideal transformer or resistor.

Everything the load does to the tubes lies along one direction of port voltages,

    v = rest - d w,   w = Z (d . i - what flows at rest)

with d = (1, tap, 0) for one tube and (1, tap, 0, -1, -tap, 0) for a pair; `tap` is the share of the
plate winding at which the screen hangs: 0 for a pentode, 1 for a triode-strapped one, between for
the ultralinear connection. The ampere-turns d . i are what the winding feels.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tubekit.analyses.driven import Driven, DrivenProblem, solve_driven
from tubekit.circuit.network import Group
from tubekit.devices.law import stack
from tubekit.devices.pentode import Pentode
from tubekit.devices.triode import Triode

Array = np.ndarray

ITERATIONS = 60
ARRIVED = 1e-9
"""Largest last step of a bias voltage [V]."""
ROOT_ARRIVED = 1e-6
"""Largest last step of a voltage [V]."""
WALK_STEPS = 201


@dataclass(frozen=True, eq=False)
class Walk:
    """Swings of the plate [V] for grid signals above rest (`up`) and as far below (`down`)."""

    signal: Array
    up: Array
    down: Array

    def at(self, signal: Array) -> Array:
        """Swing for any grid signal within reach."""
        steps = np.concatenate((-self.signal[:0:-1], self.signal))
        return np.asarray(np.interp(signal, steps, np.concatenate((self.down[:0:-1], self.up))))


@dataclass(frozen=True, eq=False)
class PlateStage:
    """Voltages at rest to cathode, and what the plates see.

    `load` [Ω] is that of one tube, or a quarter of plate to plate for a pair. `supply_ohms` [Ω] is
    what the direct current of one tube passes (0 with a transformer), `cathode_ohms` a bypassed
    resistor that both tubes of a pair share.
    """

    law: Triode | Pentode
    plate: float
    screen: float | None
    grid: float
    load: float
    tap: float = 0.0
    pair: bool = False
    supply_ohms: float = 0.0
    cathode_ohms: float = 0.0

    @property
    def direction(self) -> Array:
        """D of one tube, (T,)."""
        return np.array([1.0, self.tap, 0.0]) if isinstance(self.law, Pentode) else np.array([1.0, 0.0])

    @property
    def rest(self) -> Array:
        """Port voltages of one tube at rest, (T,)."""
        volts = (self.plate, self.grid) if self.screen is None else (self.plate, self.screen, self.grid)
        return np.array(volts, float)

    def ports(self, swing: Array, signal: Array) -> Array:
        """Port voltages (..., T) of one tube whose plate stands `swing` below rest, grid `signal` above."""
        v = self.rest - swing[..., None] * self.direction
        v[..., -1] += signal
        return np.asarray(v)

    def felt(self, swing: Array, signal: Array) -> tuple[Array, Array]:
        """Ampere-turns of one tube there, and their fall per volt of swing."""
        d = self.direction
        currents, slopes = self.law.evaluate(self.ports(swing, signal))
        return currents @ d, -np.einsum("...jk,j,k->...", slopes, d, d)

    @property
    def bias(self) -> float:
        """What a cathode resistor drops at rest [V]."""
        return self.cathode_volts(self.law.evaluate(self.rest)[0] * (2.0 if self.pair else 1.0))

    def cathode_volts(self, currents: Array) -> float:
        """What a cathode resistor drops with mean port currents of all tubes [A]."""
        return self.cathode_ohms * float(currents.sum())

    def along_load(self, signal: Array) -> Array:
        """Swing of the plate [V] for each grid signal, on a resistive load, the mean held at rest."""
        resting = float(self.felt(np.zeros(1), np.zeros(1))[0][0])

        def over(swing: Array) -> tuple[Array, Array]:
            flows, slope = self.felt(swing, signal)
            if self.pair:
                other, slope_of_other = self.felt(-swing, -signal)
                flows, slope = flows - other, slope + slope_of_other
            else:
                flows = flows - resting
            return swing - self.load * flows, 1.0 - self.load * slope

        reach = self.load * resting
        low, high = (-2.0 * self.plate, 2.0 * self.plate) if self.pair else (-reach, 2.0 * self.plate)
        return rising_root(over, np.full(signal.shape, low), np.full(signal.shape, high))

    def walk(self, reach: float) -> Walk:
        """Along the resistive load, both ways from rest, to grid signals of `reach` [V]."""
        signal = np.linspace(0.0, reach, WALK_STEPS)
        swing = self.along_load(np.concatenate((signal, -signal)))
        return Walk(signal, swing[:WALK_STEPS], swing[WALK_STEPS:])

    def over_cycle(
        self, drive: Array, impedance: Array, lift: float = 0.0, near: Driven | Walk | None = None
    ) -> Driven:
        """Port voltages and currents over a cycle, grid driven by sines of peak `drive` (N,) [V].

        `impedance` (K+1,) or (N, K+1) takes the place of `load` at the harmonics [Ω]; K + K samples.
        The second tube of a pair is driven in opposite phase; its ports follow those of the first.
        The cathode is held `lift` [V] above where it stands at rest. `near` is a solution to start from,
        or the way along the load.
        """
        tubes = 2 if self.pair else 1
        d = np.concatenate((self.direction, -self.direction)[:tubes])
        z = np.array(np.broadcast_to(impedance, (drive.size, np.shape(impedance)[-1])), complex)
        z[:, 0] = 0.0 if self.pair else self.supply_ohms
        matrix = z[..., None, None] * np.multiply.outer(d, d)
        resting = self.law.evaluate(self.rest)[0]
        samples = 2 * (z.shape[1] - 1)
        signal = drive[:, None] * np.cos(2 * np.pi * np.arange(samples) / samples)
        rest = np.tile(self.rest, tubes) - lift
        rest += (matrix[0, 0].real @ np.tile(resting, tubes)).ravel()
        volts = np.repeat(np.broadcast_to(rest, (drive.size, d.size))[..., None], samples, axis=2)
        per_tube = d.size // tubes
        for k in range(tubes):
            volts[:, (k + 1) * per_tube - 1] += signal if k == 0 else -signal
        group = Group(stack([self.law] * tubes), ("V1", "V2")[:tubes], slice(0, d.size))
        if isinstance(near, Driven):
            return solve_driven(DrivenProblem((group,), matrix, volts), near.volts)
        way = near or self.walk(float(np.abs(signal).max(initial=ROOT_ARRIVED)))
        start = np.concatenate(self._start(signal, way)[:tubes], axis=1)
        return solve_driven(DrivenProblem((group,), matrix, volts), start)

    def _start(self, signal: Array, way: Walk) -> tuple[Array, Array]:
        """Port voltages (N, T, S) of both tubes on a resistive load."""
        swing = way.at(signal)
        first, second = self.ports(swing, signal), self.ports(-swing, -signal)
        return np.moveaxis(first, -1, 1), np.moveaxis(second, -1, 1)


def rising_root(function: Callable[[Array], tuple[Array, Array]], low: Array, high: Array) -> Array:
    """Root of each of a set of rising functions: Newton's rule inside a bracket it may not leave."""
    x = 0.5 * (low + high)
    before = earlier = np.full(low.shape, np.inf)
    for _ in range(ITERATIONS):
        y, slope = function(x)
        low, high = np.where(y < 0.0, x, low), np.where(y < 0.0, high, x)
        tried = x - y / slope
        moving = np.abs(tried - x) > ROOT_ARRIVED
        if not moving.any():
            return np.asarray(tried)
        inside = (tried >= low) & (tried <= high)
        inside &= ~moving | (np.abs(y) < 0.5 * earlier)  # else Newton's rule goes round in a circle: halve
        before, earlier = np.abs(y), before
        x = np.where(inside, tried, 0.5 * (low + high))
    return np.asarray(x)


def self_bias(law: Triode | Pentode, plate: float, screen: float | None, cathode: float, tubes: int) -> float:
    """Volts that the current of `tubes` equal tubes makes on a cathode resistor [V], plate volts to cathode.

    The cathode current is a convex function of the grid voltage, so Newton's rule from zero bias arrives
    without safeguards.
    """
    bias = 0.0
    for _ in range(ITERATIONS):
        v = np.array([plate, -bias] if screen is None else [plate, screen, -bias])
        currents, slopes = law.evaluate(v)
        step = (cathode * tubes * float(currents.sum()) - bias) / (
            1.0 + cathode * tubes * float(slopes[:, -1].sum())
        )
        bias += step
        if abs(step) < ARRIVED:
            break
    return bias

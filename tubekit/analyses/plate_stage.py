"""The bare stage behind a load line: one tube or a push-pull pair on an ideal transformer or resistor.

Everything the load does to the tubes lies along one direction of port voltages,

    v = rest - d w,   w = Z (d . i - what flows at rest)

with d = (1, tap, 0) for one tube and (1, tap, 0, -1, -tap, 0) for a pair; `tap` is the share of the
plate winding at which the screen hangs: 0 for a pentode, 1 for a triode-strapped one, between for
the ultralinear connection. The ampere-turns d . i are what the winding feels.

Harmonics from a handful of currents read off a load line, as handbooks reckon them.

They are cross-checks on `load_line` and `large_signal`, which sample the whole cycle. All hold for a
sine at the grid and a resistive load; currents are read at fractions of the peak drive.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Protocol

import numpy as np
import numpy.typing as npt

from tubekit.analyses.driven import Driven, DrivenProblem, solve_driven
from tubekit.circuit.network import Group
from tubekit.devices.law import stack
from tubekit.devices.pentode import Pentode
from tubekit.devices.triode import Triode
from tubekit.result_fields import Array
from tubekit.text import Column, Printed, Table, quantity

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


FIVE = np.array([1.0, 0.5, 0.0, -0.5, -1.0])
"""Fractions of the peak drive for the five ordinates."""
ELEVEN = np.linspace(1.0, -1.0, 11)
"""Fractions of the peak drive for the eleven ordinates."""
ROOT_HALF = np.array([1.0, np.sqrt(0.5), 0.0, -np.sqrt(0.5), -1.0])
"""Fractions of the peak drive for the 0.707-point formula."""


class Readable(Protocol):
    """A load line whose current can be read at any grid signal."""

    load: float
    drive: float

    def current_at(self, signal: npt.ArrayLike) -> Array:
        """Current [A] with the grid `signal` [V] above rest."""


def five_ordinates(currents: npt.ArrayLike) -> Array:
    """Peaks of harmonics 1 to 4 [A] from currents (..., 5) at +1, +1/2, 0, -1/2, -1 of the drive.

    Exact for a characteristic up to the fourth power. Source: D. C. Espley, Proc. IRE 21 (1933); Radiotron
    Designer's Handbook, 4th ed., chapter 13 (both from memory); data/handbook/worked_examples.csv W17.

    Examples
    --------
    >>> five_ordinates([3.0, 1.25, 0.0, -0.75, -1.0])  # x**2 + 2 x
    array([2. , 0.5, 0. , 0. ])
    """
    most, more, rest, less, least = np.moveaxis(np.asarray(currents, float), -1, 0)
    return np.stack(
        (
            (most + more - less - least) / 3.0,
            (most - 2.0 * rest + least) / 4.0,
            (most - 2.0 * more + 2.0 * less - least) / 6.0,
            (most - 4.0 * more + 6.0 * rest - 4.0 * less + least) / 12.0,
        ),
        axis=-1,
    )


def eleven_ordinates(currents: npt.ArrayLike) -> Array:
    """Peaks of harmonics 1 to 10 [A] from currents (..., 11) at ELEVEN equal steps of the drive.

    Exact for a characteristic up to the tenth power: the polynomial through the points, written in
    Chebyshev's polynomials, which are the harmonics of a cosine. Source: the five ordinates carried on
    to eleven; the weights are calculated here.

    Examples
    --------
    >>> eleven_ordinates(4 * ELEVEN**3 - 3 * ELEVEN).round(9)[:4] + 0.0  # cos 3x
    array([0., 0., 1., 0.])
    """
    return np.asarray(np.asarray(currents, float) @ _weights().T)


@cache
def _weights() -> Array:
    """Harmonics 1..10 of the polynomial through a one at each step, (10, 11)."""
    columns = np.polynomial.chebyshev.chebvander(ELEVEN, ELEVEN.size - 1)
    return np.asarray(np.linalg.inv(columns)[1:])


@dataclass(frozen=True)
class RootHalf:
    """Power and distortion by the 0.707-point formula."""

    power_w: float
    second_pct: float
    third_pct: float


def root_half(currents: npt.ArrayLike, load: float) -> RootHalf:
    """Power [W], second and third harmonic [%] of a pentode from five currents at ROOT_HALF.

    ``P = (Imax - Imin + 1.41 (Ix - Iy))² R/32``, exact for a characteristic up to the fourth power.
    Source: RCA receiving tube manuals (from memory); data/handbook/worked_examples.csv W18.

    Examples
    --------
    >>> result = root_half(0.05 + 0.04 * ROOT_HALF, 5000.0)
    >>> round(result.power_w, 6), abs(result.second_pct) < 1e-9
    (4.0, True)
    """
    most, more, rest, less, least = (float(i) for i in np.asarray(currents, float))
    pulled = np.sqrt(2.0) * (more - less)
    whole = most - least + pulled
    share = 100.0 / abs(whole)
    return RootHalf(
        float(whole**2 * load / 32.0),
        float(share * abs(most + least - 2.0 * rest)),
        float(share * abs(most - least - pulled)),
    )


def fourier(line: Readable, count: int = 10, samples: int = 256) -> Array:
    """Peaks of harmonics 1..`count` [A] of the current along a load line, the mean held at rest."""
    angle = 2.0 * np.pi * np.arange(samples) / samples
    spectrum = np.fft.rfft(line.current_at(line.drive * np.cos(angle))).real
    return np.asarray(2.0 / samples * spectrum[1 : count + 1])


@dataclass(frozen=True, eq=False, repr=False)
class Ordinates(Printed):
    """One load line by every method; percent of each method's own fundamental."""

    methods: tuple[str, ...]
    power_w: Array = quantity("W", "P", "power of the fundamental by each method, (4,)")
    harmonics_pct: Array = quantity(
        "%", "d", "harmonics 2 to 4 by each method, NaN where it gives none, (4, 3)"
    )

    def headline(self) -> str:
        """What is compared."""
        return "Power and harmonics by the handbook's points and by the whole cycle"

    def tables(self) -> list[Table]:
        """A line per method."""
        columns = (
            Column("method"),
            Column("power", "W"),
            *(Column(f"{n}.", "%", format=".2f") for n in (2, 3, 4)),
        )
        rows = [
            (m, float(p), *map(float, h))
            for m, p, h in zip(self.methods, self.power_w, self.harmonics_pct, strict=True)
        ]
        return [Table("Harmonics", columns, rows)]


def ordinates(line: Readable) -> Ordinates:
    """Power and harmonics of a load line by five and eleven ordinates, 0.707 points and the whole cycle.

    Examples
    --------
    >>> from tubekit.analyses.loadline import load_line
    >>> result = ordinates(load_line("6V6GT", plate=250, screen=250, grid=-12.5, load=5000))
    >>> bool(np.ptp(result.power_w) < 0.1 * result.power_w.mean())
    True
    """
    whole = fourier(line)
    five = five_ordinates(line.current_at(line.drive * FIVE))
    eleven = eleven_ordinates(line.current_at(line.drive * ELEVEN))
    pentode = root_half(line.current_at(line.drive * ROOT_HALF), line.load)
    powers, shares = [], []
    for peaks in (whole, five, eleven):
        powers.append(0.5 * line.load * peaks[0] ** 2)
        shares.append(100.0 * np.abs(peaks[1:4]) / abs(peaks[0]))
    powers.append(pentode.power_w)
    shares.append(np.array([pentode.second_pct, pentode.third_pct, np.nan]))
    methods = ("whole cycle", "five ordinates", "eleven ordinates", "0.707 points")
    return Ordinates(methods, np.array(powers), np.array(shares))

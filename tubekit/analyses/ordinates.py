"""Harmonics from a handful of currents read off a load line, as handbooks reckon them.

They are cross-checks on `load_line` and `large_signal`, which sample the whole cycle. All hold for a
sine at the grid and a resistive load; currents are read at fractions of the peak drive.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Protocol

import numpy as np
import numpy.typing as npt

from tubekit.text import Column, Printed, Table, quantity

Array = npt.NDArray[np.float64]

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
    to eleven; the weights are worked out here.

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

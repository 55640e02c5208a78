"""What can be wrong with one part: values that its grades turn, or the part it becomes.

An open part is a huge value, a short a tiny one, a leaky capacitor a resistor beside it. Weights say how
often a fault is met relative to others: common practice, no source; they matter only where readings do
not decide.

What may differ between good parts: numbers of the circuit, and how far they spread.

How a distribution fills its limits is common practice, no source: a truncated normal curve whose limits are
at two standard deviations.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import erf, log, pi, sinh, sqrt
from typing import TYPE_CHECKING, Literal

import numpy as np
import scipy

from tubekit.result_fields import Array

if TYPE_CHECKING:
    from tubekit.amp.parts.part import Part


Age = Literal["vintage", "modern"]

NO_LEAK = 1e12
"""Leak of a capacitor that does not leak [Ω]."""
LEAK, GAS = ".leak", ".gas"
ONSET = "grid_offset"
"""The parameter of a tube's law that shifts the grid voltage at which grid current sets in."""


@dataclass(frozen=True)
class CircuitParameter:
    """One number of a circuit: the part's name in the circuit and the field.

    Fields: ohms, farads, volts (of a source), amps (of a current source), `turns3`, `copper3` (of coil 3),
    or a parameter of a tube's law.
    """

    part: str
    field: str

    @property
    def designator(self) -> str:
        """The part on the schematic: 'V1' of a section 'V1a', 'C2' of its leak.

        Examples
        --------
        >>> CircuitParameter("V1a", "mu").designator, CircuitParameter("C2.leak", "ohms").designator
        ('V1', 'C2')
        """
        found = re.match(r"[A-Za-z]+[0-9]+", self.part)
        return found[0] if found else self.part

    @property
    def coil(self) -> int:
        """Number of the coil that `turns3` or `copper3` turns."""
        return int(self.field.lstrip("abcdefghijklmnopqrstuvwxyz"))


@dataclass(frozen=True)
class Adjustment:
    """How a knob follows a variable x: times exp(gain·x), or plus gain·x where `adds`."""

    parameter: CircuitParameter
    gain: float = 1.0
    adds: bool = False


@dataclass(frozen=True)
class Variable:
    """One quantity x that differs from amp to amp, zero in the drawn one.

    `shape`: 'normal' (cut off at `cut` standard deviations), 'half' (half-normal, upward only), 'even'
    (between -sd·√3 and +sd·√3), 'leak' (the same for the logarithm of a resistance that acts by its
    conductance: mean and variance are those that give the conductance its own). `center` is added;
    `turns` says what x moves.
    """

    name: str
    part: str
    turns: tuple[Adjustment, ...]
    sd: float
    shape: Literal["normal", "half", "even", "leak"] = "normal"
    center: float = 0.0
    cut: float = 2.0

    def draw(self, rng: np.random.Generator, size: int) -> Array:
        """Draw x for `size` amps."""
        if self.shape == "half":
            return np.asarray(self.center + self.sd * np.abs(rng.standard_normal(size)))
        u = rng.random(size)
        if self.shape in ("even", "leak"):
            return np.asarray(self.center + self.sd * np.sqrt(12.0) * (u - 0.5))
        least = 0.5 * (1.0 - _mass(self.cut))
        return np.asarray(self.center + self.sd * scipy.special.ndtri(least + u * (1.0 - 2.0 * least)))

    @property
    def _conductance(self) -> tuple[float, float]:
        """Mean of exp(-(x - center)) and of its square, x even."""
        half = self.sd * sqrt(3.0)
        return sinh(half) / half, sinh(2.0 * half) / (2.0 * half)

    @property
    def mean(self) -> float:
        """Mean of x."""
        if self.shape == "leak":
            return self.center - log(self._conductance[0])
        return self.center + (self.sd * sqrt(2 / pi) if self.shape == "half" else 0.0)

    @property
    def variance(self) -> float:
        """Variance of x."""
        if self.shape == "leak":
            first, second = self._conductance
            return second / first**2 - 1.0
        if self.shape == "half":
            return self.sd**2 * (1.0 - 2.0 / np.pi)
        if self.shape == "even":
            return self.sd**2
        c = self.cut
        return float(self.sd**2 * (1.0 - 2.0 * c * np.exp(-0.5 * c * c) / np.sqrt(2 * np.pi) / _mass(c)))


def _mass(cut: float) -> float:
    """Share of a normal curve within `cut` standard deviations."""
    return erf(cut / sqrt(2.0))


OPEN_OHMS, SHORT_OHMS = 1e9, 0.05
"""What stands for an open and for a short [Ω]."""
GONE = 1e-7
"""Factor that takes emission or capacitance away."""

Change = Mapping[CircuitParameter, tuple[float, float]]
"""Factor and addend for each knob a fault turns."""


@dataclass(frozen=True, eq=False)
class Fault:
    """One fault of one part; `grades` are its severities, from slight to grave, or one alone.

    Not a `path`, they are cases with nothing in between, as types of a tube.
    `becomes` is set instead where a pin, a contact or a junction is at fault: the circuit is then that of an
    amp with this part in the place of the good one.
    """

    part: str
    mode: str
    grades: tuple[Change, ...] = ()
    grade_words: tuple[str, ...] = ()
    weight: float = 1.0
    becomes: Part | None = None
    path: bool = True

    @property
    def words(self) -> str:
        """The fault in words."""
        return f"{self.part} {self.mode}"


def to_value(parameter: CircuitParameter, value: float, nominal: float) -> Change:
    """A knob set to a value, whatever the good part has."""
    return {parameter: (value / nominal, 0.0)}


def times(parameter: CircuitParameter, *factors: float) -> tuple[Change, ...]:
    """One grade for each factor of the good part's value."""
    return tuple({parameter: (factor, 0.0)} for factor in factors)


def of_value(*factors: float) -> tuple[str, ...]:
    """The factors in words."""
    return tuple(f"{factor:g} times its value" for factor in factors)


def wrong_decade(parameter: CircuitParameter) -> Iterator[Fault]:
    """Another multiplier band, or a decimal point in the wrong place."""
    for factor, words in (
        (10.0, "wrong value installed (10 times the schematic)"),
        (0.1, "wrong value installed (1/10 of the schematic)"),
    ):
        yield Fault(parameter.part, words, times(parameter, factor), weight=0.15)


def worn(
    part: str, parameters: tuple[CircuitParameter, ...], factors: tuple[float, ...], weight: float
) -> Fault:
    """A cathode that has lost emission."""
    grades = tuple(dict.fromkeys(parameters, (factor, 0.0)) for factor in factors)
    return Fault(part, "weak", grades, tuple(f"{100 * factor:.0f} % emission" for factor in factors), weight)

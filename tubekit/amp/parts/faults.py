"""What can be wrong with one part: values that its grades turn, or the part it becomes.

An open part is a huge value, a short a tiny one, a leaky capacitor a resistor beside it. Weights say how
often a fault is met relative to others: common practice, no source; they matter only where readings do
not decide.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tubekit.amp.parts.variables import CircuitParameter

if TYPE_CHECKING:
    from tubekit.amp.parts.part import Part

OPEN_OHMS, SHORT_OHMS = 1e9, 0.05
"""What stands for an open and for a short [Ω]."""
GONE = 1e-7
"""Factor that takes emission or capacitance away."""

Change = Mapping[CircuitParameter, tuple[float, float]]
"""Factor and addend for each knob a fault turns."""


@dataclass(frozen=True, eq=False)
class Fault:
    """One fault of one part; `grades` are its severities, from slight to grave, or one alone.

    `becomes` is set instead where a pin, a contact or a junction is at fault: the circuit is then that of an
    amp with this part in the place of the good one.
    """

    part: str
    mode: str
    grades: tuple[Change, ...] = ()
    grade_words: tuple[str, ...] = ()
    weight: float = 1.0
    becomes: Part | None = None

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

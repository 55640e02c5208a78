"""One fault as a record: values that its grades turn, or other wiring."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from tubekit.decisions.instrument import Knob

OPEN_OHMS, SHORT_OHMS = 1e8, 0.05
"""What stands for an open and for a short [Ω]."""
GONE = 1e-7
"""Factor that takes emission or capacitance away."""

Change = Mapping[Knob, tuple[float, float]]
"""Factor and addend for each knob a fault turns."""


@dataclass(frozen=True, eq=False)
class Fault:
    """One fault of one part; `grades` are its severities, from slight to grave, or one alone.

    `rewired` is set instead where terminals are swapped or a contact is stuck: that is another circuit
    (`rewired.rewired` makes it).
    """

    part: str
    mode: str
    grades: tuple[Change, ...] = ()
    grade_words: tuple[str, ...] = ()
    weight: float = 1.0
    rewired: Mapping[str, object] = field(default_factory=dict)

    @property
    def words(self) -> str:
        """The fault in words."""
        return f"{self.part} {self.mode}"


def to_value(knob: Knob, value: float, nominal: float) -> Change:
    """A knob set to a value, whatever the good part has."""
    return {knob: (value / nominal, 0.0)}


def times(knob: Knob, *factors: float) -> tuple[Change, ...]:
    """One grade for each factor of the good part's value."""
    return tuple({knob: (factor, 0.0)} for factor in factors)


def of_value(*factors: float) -> tuple[str, ...]:
    """The factors in words."""
    return tuple(f"{factor:g} times its value" for factor in factors)

"""One amp on the bench of the last lesson: its hidden fault, and the readings taken on it."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

from tubekit.panels.lessons.roster import PROBES, ROSTER, cost, predictions

CASES = 5
SPREAD = 0.015
"""How far the parts of this amp and the meter lie off what was worked out."""


@dataclass(eq=False)
class Case:
    """One amp on the bench: which fault it has is known to the program only until one is named."""

    variant: int
    hidden: int
    taken: dict[int, float] = field(default_factory=dict)
    hints: int = 0
    told: list[str] = field(default_factory=list)
    named: int | None = None

    @property
    def spent(self) -> float:
        """Effort of the readings so far."""
        return sum(cost(PROBES[place]) for place in self.taken)

    def reading(self, place: int) -> float:
        """What the meter shows there, the same each time."""
        drawn = random.Random(f"{self.hidden}/{self.variant}/{place}")  # noqa: S311
        return float(predictions()[1 + self.hidden, place]) * (1.0 + SPREAD * drawn.uniform(-1.0, 1.0))


def case_of(place: int, variant: int) -> Case:
    """The amp of a case; no fault comes again before half of them have."""
    order = random.Random("lesson 10").sample(range(len(ROSTER)), len(ROSTER))  # noqa: S311
    return Case(variant, order[(place + CASES * variant) % len(ROSTER)])

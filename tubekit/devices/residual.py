"""One published figure beside what a law gives for it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Residual:
    """How far a law is from one published figure [SI]; `used` is False where the row was kept out."""

    row: str
    quantity: str
    unit: str
    published: float
    law: float
    used: bool
    status: str
    source: str

    @property
    def error(self) -> float:
        """Relative error of the law; of a distortion the difference (0.02 is two percentage points)."""
        if self.quantity == "distortion":
            return self.law - self.published
        return self.law / self.published - 1.0

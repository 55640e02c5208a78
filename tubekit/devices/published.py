"""What was published about a tube, row by row, beside what a law gives for the same stage."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from tubekit.devices.answers import Stage, answers
from tubekit.devices.law import Law, Parameter
from tubekit.devices.output_stage import OutputStage
from tubekit.devices.residual import Residual
from tubekit.devices.stages import Answer

TOLERANCE: Mapping[str, float] = {
    "plate": 0.03,
    "screen": 0.03,
    "gm": 0.05,
    "rp": 0.10,
    "mu": 0.10,
    "idle_plate": 0.05,
    "idle_screen": 0.05,
    "full_plate": 0.08,
    "full_screen": 0.15,
    "power": 0.08,
    "distortion": 0.02,
    "stage_plate": 0.07,
    "gain": 0.08,
    "onset": 0.10,
    "chart_plate": 0.05,
    "grid": 0.30,
}
"""How closely each figure is to be met: relative, of a distortion as a difference (0.02: two points)."""

UNITS = {
    "gm": "S",
    "rp": "ohm",
    "mu": "",
    "gain": "",
    "onset": "V",
    "power": "W",
    "distortion": "",
}  # the rest: currents
SAME_AS = {"stage_plate": "plate", "chart_plate": "plate"}  # by another name where the tolerance differs


@dataclass(frozen=True, eq=False)
class Published:
    """One row: what was published [SI], and the stage to ask a law about.

    `trust` multiplies the weight in a fit; 0 keeps the row out and only shows it.
    """

    label: str
    values: Mapping[str, float]
    stage: Stage
    status: str
    source: str
    trust: float = 1.0
    at: Mapping[str, float] = field(default_factory=dict)
    """Voltages to cathode at which the row stands, where it prints them."""
    confidence: float = 1.0

    @property
    def tubes(self) -> int:
        """Tubes whose currents the row prints as a sum."""
        return self.stage.tubes if isinstance(self.stage, OutputStage) else 1

    def tolerance(self, quantity: str) -> float:
        """How closely a figure is to be met; of a screen current its print's rounding comes to that."""
        target, value = TOLERANCE[quantity], self.values[quantity]
        if "screen" not in quantity:
            return target
        digits = len(f"{1e3 * value * self.tubes:.6g}".partition(".")[2])
        return float(np.hypot(target, 0.5e-3 * 10.0**-digits / (value * self.tubes)))

    def conflict(self) -> str:
        """What is at odds within the row: gm·rp is not mu ('' where it is, within 3 %)."""
        if not {"gm", "rp", "mu"} <= set(self.values):
            return ""
        product, mu = self.values["gm"] * self.values["rp"], self.values["mu"]
        return "" if abs(product / mu - 1.0) < 0.03 else f"{self.label}: gm·rp is {product:.3g}, mu is {mu:g}"


def asked_of(got: Answer, quantity: str) -> Parameter:
    """The figure of an answer by the name a row has for it."""
    return got[SAME_AS.get(quantity, quantity)]


def residuals(law: Law, rows: Sequence[Published]) -> tuple[Residual, ...]:
    """What `law` gives beside every published figure."""
    result = []
    for row, got in zip(rows, answers(law, [row.stage for row in rows]), strict=True):
        result += [
            Residual(
                row.label,
                name,
                UNITS.get(name, "A"),
                value,
                float(asked_of(got, name)),
                row.trust > 0,
                row.status,
                row.source,
            )
            for name, value in row.values.items()
        ]
    return tuple(result)

"""Gas-filled voltage regulators: a glow between cold electrodes that keeps its voltage at any current."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from tubekit.devices.law import FloatArray, Parameter, ParameterLaw, softplus


@dataclass(frozen=True, eq=False, kw_only=True)
class GasDiode(ParameterLaw):
    """Glow of a regulator tube, ``i = softplus(v - V_0) / r``: its voltage rises a little with current.

    Parameters
    ----------
    glow : V_0, voltage at which the straight part would carry no current [V].
    ohms : r, its slope [ohm].
    softness : over how many volts the glow sets in [V]; common practice, no source.

    The tube counts as struck: below its running voltage it carries nothing, and the higher voltage that
    strikes it is a rating, not a part of the law.

    Examples
    --------
    >>> import numpy as np
    >>> law = GasDiode.running(150.0, 0.0175, 80.0)
    >>> amps = law.evaluate(np.array([[150.0], [100.0]]))[0][:, 0]
    >>> amps.round(4).tolist()
    [0.0179, 0.0]
    """

    terminals: ClassVar[tuple[str, ...]] = ("plate",)
    positive: ClassVar[frozenset[str]] = frozenset({"glow", "ohms", "softness"})

    glow: Parameter
    ohms: Parameter
    softness: Parameter = 0.5

    @classmethod
    def running(cls, volts: float, amps: float, ohms: float) -> GasDiode:
        """The tube that runs at `volts` [V] with `amps` [A]."""
        return cls(glow=volts - amps * ohms, ohms=ohms)

    def evaluate(self, v: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Plate current [A], shape (..., 1), and its slope [S], shape (..., 1, 1)."""
        above, slope = softplus(v[..., 0] - self.glow, self.softness)
        return (above / self.ohms)[..., None], (slope / self.ohms)[..., None, None]

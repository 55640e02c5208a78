"""Rectifiers: vacuum diode, silicon diode and the ideal one, each with its exact inverse in a mesh."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar, Protocol

import numpy as np

from tubekit.devices.law import FloatArray, Law, Parameter, ParameterLaw, corner


class RectifierLaw(Law, Protocol):
    """A law of one terminal, the plate (anode), that can also be solved in series with a resistance."""

    def through(self, drive: FloatArray, resistance: Parameter) -> tuple[FloatArray, FloatArray]:
        """Current [A] and d current/d drive [S] of the diode in series with `resistance` [ohm].

        `drive` [V] stands across both. Exact to float precision, rising, slope within
        [0, 1/resistance].
        """


class DiodeLaw(ParameterLaw):
    """Base of the laws of one terminal, whose inverse in a mesh is known."""

    mesh: ClassVar[Any]

    def through(self, drive: FloatArray, resistance: Parameter) -> tuple[FloatArray, FloatArray]:
        """Current and slope with `resistance` in series, 0 ohm allowed; see `RectifierLaw`."""
        current, slope = self.mesh(drive, resistance, *self.parameters().values())
        return current, slope


@dataclass(frozen=True, eq=False, kw_only=True)
class TubeDiode(DiodeLaw):
    """Vacuum diode, ``i = K·v**1.5`` above 0 V and nothing below (Child-Langmuir, textbook law).

    Parameters
    ----------
    perveance : K of one plate [A/V^1.5].

    Examples
    --------
    >>> law = TubeDiode.from_drop(50.0, 0.125)  # 5Y3GT: 50 V at 125 mA per plate
    >>> current, slope = law.through(np.array([60.0]), 100.0)
    >>> current
    array([0.1182...])
    """

    terminals: ClassVar[tuple[str, ...]] = ("plate",)
    emission_parameter: ClassVar[str] = "perveance"
    positive: ClassVar[frozenset[str]] = frozenset({"perveance"})

    perveance: Parameter

    @classmethod
    def from_drop(cls, drop: float, current: float) -> TubeDiode:
        """The diode that drops `drop` [V] at `current` [A] per plate."""
        return cls(perveance=current / drop**1.5)

    @staticmethod
    def flow(plate: Any, perveance: Any) -> tuple[Any, ...]:
        """Plate current [A] and its slope [S]; see `ParameterLaw.flow`."""
        voltage = np.maximum(plate, 0.0)
        rate = perveance * np.sqrt(voltage)
        return rate * voltage, 1.5 * rate

    @staticmethod
    def mesh(drive: Any, resistance: Any, perveance: Any) -> tuple[Any, Any]:
        """`through`, in plain arithmetic.

        With z = sqrt(drive/v) the mesh K·R·v^1.5 + v = drive reads z³ - z = K·R·sqrt(drive), z >= 1:
        convex, so Newton's rule from above 1 arrives without safeguards.
        """
        root = np.sqrt(np.maximum(drive, 0.0))
        load = perveance * resistance * root
        z = np.maximum(np.minimum(1.0 + 0.5 * load, np.cbrt(load) + 0.58), 1.0)
        for _ in range(5):
            square = z * z
            z = (2.0 * z * square + load) / (3.0 * square - 1.0)
        across = root / z  # square root of the voltage across the diode
        rate = perveance * across
        conductance = 1.5 * rate
        return rate * across * across, conductance / (1.0 + conductance * resistance)


@dataclass(frozen=True, eq=False, kw_only=True)
class SiliconDiode(DiodeLaw):
    """Silicon diode, ``i = I_s·(exp(v/V_e) - 1)``, continued in a straight line at high current.

    Parameters
    ----------
    saturation : I_s [A].
    emission_volts : V_e, emission coefficient times thermal voltage [V].
    straight_above : current at which the straight line begins [A].
    junctions : how many equal diodes stand in series.

    The defaults give 0.7 V at 10 mA and 0.93 V at 1 A: a 1 A, 1000 V diode of the common kind,
    typical curve from memory, no source. Breakdown in the reverse direction is not modelled.

    Examples
    --------
    >>> current, slope = SiliconDiode().through(np.array([10.0]), 100.0)
    >>> current
    array([0.0918...])
    """

    terminals: ClassVar[tuple[str, ...]] = ("plate",)
    positive: ClassVar[frozenset[str]] = frozenset(
        {"saturation", "emission_volts", "straight_above", "junctions"}
    )

    saturation: Parameter = 8.35e-9
    emission_volts: Parameter = 0.05
    straight_above: Parameter = 3.0
    junctions: Parameter = 1.0

    @staticmethod
    def flow(
        plate: Any, saturation: Any, emission_volts: Any, straight_above: Any, junctions: Any
    ) -> tuple[Any, ...]:
        """Anode current [A] and its slope [S]; see `ParameterLaw.flow`."""
        scale = emission_volts * junctions
        volts = scale * np.log1p(straight_above / saturation)
        ratio = np.minimum(plate, volts) / scale
        slope = saturation * np.exp(ratio) / scale
        return saturation * np.expm1(ratio) + slope * np.maximum(plate - volts, 0.0), slope

    @staticmethod
    def mesh(
        drive: Any, resistance: Any, saturation: Any, emission_volts: Any, straight_above: Any, junctions: Any
    ) -> tuple[Any, Any]:
        """`through`, in plain arithmetic.

        The exponential part has the closed solution w + ln w = x, the straight part is a divider.
        """
        scale = emission_volts * junctions
        volts = scale * np.log1p(straight_above / saturation)
        series = np.maximum(resistance, 1e-100)
        corner_drive = volts + straight_above * series
        offset = saturation * series
        w = omega(np.log(offset / scale) + (np.minimum(drive, corner_drive) + offset) / scale)
        slope = np.minimum(w / series, (straight_above + saturation) / scale)
        slope = slope / (1.0 + slope * series)
        curved = w * (scale / series) - saturation
        return curved + slope * np.maximum(drive - corner_drive, 0.0), slope


def omega(x: Any) -> Any:
    """Wright's omega function of real numbers: the w for which w + ln w = x.

    SciPy's takes as long to load as it takes to solve an amp. Source: the iteration of F. N. Fritsch, R. E.
    Shafer and W. P. Crowley, Algorithm 443, Comm. ACM 16 (1973) (from memory), which triples the digits.

    Examples
    --------
    >>> omega(np.array([-50.0, 1.0, 1e4])).round(6).tolist()
    [0.0, 1.0, 9990.790581]
    """
    x = np.maximum(x, -700.0)
    far = x > 1.0
    w = far * (x - np.log(np.maximum(x, 1.0))) + (1 - far) / (1.0 + np.exp(-np.minimum(x, 1.0)))
    for _ in range(2):
        left = x - w - np.log(w)
        turn = 2.0 * (1.0 + w) * (1.0 + w + left / 1.5)
        w = w * (1.0 + left / (1.0 + w) * (turn - left) / (turn - 2.0 * left))
    return w


@dataclass(frozen=True, eq=False, kw_only=True)
class IdealDiode(DiodeLaw):
    """Diode without a drop, for comparison with closed forms; `conductance` [S] stands for a short.

    `evaluate` rounds the corner over the first microvolts, so that the law stays smooth; `through` is
    exactly max(drive, 0)/resistance and needs a resistance above zero.

    Examples
    --------
    >>> IdealDiode().through(np.array([-1.0, 10.0]), 100.0)[0]
    array([0. , 0.1])
    """

    terminals: ClassVar[tuple[str, ...]] = ("plate",)
    positive: ClassVar[frozenset[str]] = frozenset({"conductance"})

    conductance: Parameter = 1e4

    @staticmethod
    def flow(plate: Any, conductance: Any) -> tuple[Any, ...]:
        """Anode current [A] and its slope [S]; see `ParameterLaw.flow`."""
        corner = 1e-6
        voltage = np.maximum(plate, 0.0)
        bend = np.minimum(voltage, corner)
        current = conductance * (voltage - bend + 0.5 * bend * bend / corner)
        return current, conductance * bend / corner

    @staticmethod
    def mesh(drive: Any, resistance: Any, conductance: Any) -> tuple[Any, Any]:  # noqa: ARG004 - as of the others
        """`through`, in plain arithmetic, with a resistance above 0 ohm."""
        return np.maximum(drive, 0.0) / resistance, (drive > 0.0) / resistance


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

    @staticmethod
    def flow(plate: Any, glow: Any, ohms: Any, softness: Any) -> tuple[Any, ...]:
        """Plate current [A] and its slope [S]; see `ParameterLaw.flow`."""
        above, slope, _ = corner(plate - glow, softness)
        return above / ohms, slope / ohms

"""Loads that are no resistor: what a loudspeaker or a series reactance shows at each harmonic."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tubekit.errors import InputError


@dataclass(frozen=True)
class Loudspeaker:
    """Voice coil in series with the resonance of the cone.

    ``Z = Re + jωL + Rs/(1 + jQ(f/f0 - f0/f))``, with Rs the rise at resonance.

    Parameters
    ----------
    ohms : nominal impedance [Ω].
    resistance : of the voice coil [Ω].
    inductance : of the voice coil [H].
    resonance_hz : f0 [Hz].
    resonance_ohms : impedance at resonance, Re + Rs [Ω].
    q : sharpness Q of the rise; 4 is common practice for an open-backed cabinet, no source.

    Source: equivalent circuit of a moving-coil loudspeaker, any acoustics textbook. The defaults are of
    no particular loudspeaker: common practice, no source.

    Examples
    --------
    >>> speaker = Loudspeaker()
    >>> np.abs(speaker.impedance([90.0, 400.0])).round(1)
    array([40. ,  6.6])
    """

    ohms: float = 8.0
    resistance: float = 6.4
    inductance: float = 0.5e-3
    resonance_hz: float = 90.0
    resonance_ohms: float = 40.0
    q: float = 4.0

    def __post_init__(self) -> None:
        for name in ("ohms", "resistance", "resonance_hz", "q"):
            if not getattr(self, name) > 0:
                raise InputError(f"{name} {getattr(self, name)!r} is not above zero", part="loudspeaker")
        if self.inductance < 0 or self.resonance_ohms < self.resistance:
            raise InputError(
                "the rise at resonance is below the voice coil, or the inductance below zero",
                part="loudspeaker",
                fix="Give resonance_ohms= at least as large as resistance=",
            )  # fmt: skip

    def impedance(self, frequency_hz: npt.ArrayLike) -> npt.NDArray[np.complex128]:
        """Impedance [Ω] at frequencies above zero [Hz], in their shape."""
        f = np.asarray(frequency_hz, float)
        rise = (self.resonance_ohms - self.resistance) / (
            1.0 + 1j * self.q * (f / self.resonance_hz - self.resonance_hz / f)
        )
        return np.asarray(self.resistance + 2j * np.pi * f * self.inductance + rise)


def series_reactance(ohms: float, orders: npt.NDArray[np.int_]) -> npt.NDArray[np.complex128]:
    """J X at harmonic `orders` of a coil (ohms above zero) or capacitor (below) of `ohms` at the first."""
    some = np.maximum(orders, 1)
    return np.asarray(1j * ohms * (some if ohms >= 0 else 1.0 / some), complex)

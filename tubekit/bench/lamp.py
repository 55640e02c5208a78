"""A tungsten lamp in series with the mains: cold it is nearly a short, hot it holds back."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tubekit.amp import Amp, parts as drawn
from tubekit.amp.solve import Solved, solve
from tubekit.text import quantity

Array = np.ndarray

COLD_SHARE = 1.0 / 12.0
"""Cold over hot resistance of a tungsten lamp (from memory: 1/10 to 1/15)."""
POWER = 0.45
"""R = R_hot (V/V0)^0.45, from I = I0 (V/V0)^0.55 (rule of lamp makers, from memory)."""
ROUNDS, AGREED = 40, 1e-3
LAMP = "lamp"
DARK, DIM, BRIGHT = 0.15, 0.5, 0.8


@dataclass(frozen=True)
class Lamp:
    """A lamp by its marking: watts at volts.

    Examples
    --------
    >>> lamp = Lamp(60.0, 120.0)
    >>> round(lamp.ohms(120.0)), round(lamp.ohms(0.0))
    (240, 20)
    """

    watts: float = quantity("W", "P", "rated power")
    volts: float = quantity("V", "V_0", "rated voltage")

    @property
    def hot(self) -> float:
        """Resistance at its rated voltage [Ω]."""
        return self.volts**2 / self.watts

    def ohms(self, volts: float) -> float:
        """Resistance with `volts` across it, settled [Ω]."""
        share = abs(volts) / self.volts
        return float(self.hot * max(share**POWER, COLD_SHARE))

    def looks(self, volts: float) -> str:
        """What the eye sees."""
        share = abs(volts) / self.volts
        return (
            "dark" if share < DARK else "glows dimly" if share < DIM else "glows"
            if share < BRIGHT else "full brightness"
        )  # fmt: skip


def with_lamp(amp: Amp, ohms: float) -> Amp:
    """The amp with a resistance between the plug and what hangs on its line."""
    parts: dict[str, drawn.Part] = {}
    for name, part in amp.parts.items():
        if isinstance(part, drawn.MainsPlug):
            parts[name] = replace(part, line=f"{LAMP}_{part.line}")
            parts[LAMP] = drawn.Resistor(designator=LAMP, ends=(f"{LAMP}_{part.line}", part.line), ohms=ohms)
        else:
            parts[name] = part
    return replace(amp, parts=parts)


def behind_lamp(amp: Amp, lamp: Lamp, near: Solved | None = None) -> tuple[Solved, float, float]:
    """The amp behind a lamp that has found its temperature: solution, volts at the amp, volts at the lamp.

    Raises
    ------
    SolveError : the amp has no steady state behind it.
    """
    ohms = lamp.ohms(0.5 * lamp.volts)
    for _ in range(ROUNDS):
        solved = solve(with_lamp(amp, ohms), near)
        near = solved
        across = _rms(solved, LAMP)
        new = lamp.ohms(across)
        if abs(new / ohms - 1.0) < AGREED:
            break
        ohms = float(np.sqrt(ohms * new))  # halfway by ratio: its heat and its current chase each other
    plug = next(p for p in amp.parts.values() if isinstance(p, drawn.MainsPlug))
    return solved, float(solved.state.ripple_rms(plug.line, plug.neutral)[0]), across


def _rms(solved: Solved, name: str) -> float:
    part = solved.amp.parts[name]
    assert isinstance(part, drawn.Resistor)
    return float(solved.state.ripple_rms(part.a, part.b)[0])

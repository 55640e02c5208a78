"""A tungsten lamp in series with the mains: cold it is nearly a short, hot it holds back.

The law and its ends are from memory, not read in print. A check from outside is in the tests: with
tungsten's resistance as T^1.2 and radiated heat as T^4 to T^5 (textbook physics, from memory) a lamp's
resistance goes as V^0.39 to V^0.46.
"""

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
LAW = (
    "The lamp's resistance is taken as V^0.45, cold a twelfth of hot (lamp makers' rule, from memory): take "
    "the figures behind it as within 10 %."
)
MARKED = (100.0, 120.0, 230.0, 240.0)
"""Volts that mains lamps are marked with [V] (common practice)."""
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


def usual_lamp(watts: float, mains_rms: float) -> Lamp:
    """A lamp of that power as it is sold for that mains.

    Examples
    --------
    >>> usual_lamp(60, 117).volts, usual_lamp(60, 240).volts
    (120.0, 240.0)
    """
    return Lamp(float(watts), min(MARKED, key=lambda volts: abs(np.log(volts / mains_rms))))


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


def behind_lamp(
    amp: Amp, lamp: Lamp, near: Solved | None = None, ohms: float | None = None
) -> tuple[Solved, float, float]:
    """The amp behind a lamp that has found its temperature: solution, volts at the amp, volts at the lamp.

    Parameters
    ----------
    near, ohms : a solution behind a lamp of about that resistance, to start from.

    Raises
    ------
    SolveError : the amp has no steady state behind it.
    """
    tried: list[tuple[float, float]] = []  # log of the resistance, and by how much the lamp's own is larger
    at = float(np.log(ohms or lamp.ohms(0.5 * lamp.volts)))
    for _ in range(ROUNDS):
        solved = near = solve(with_lamp(amp, float(np.exp(at))), near)
        across = _rms(solved, LAMP)
        off = float(np.log(lamp.ohms(across))) - at
        if abs(off) < AGREED:
            break
        tried.append((at, off))
        at += _step(tried)
    plug = next(p for p in amp.parts.values() if isinstance(p, drawn.MainsPlug))
    return solved, float(solved.state.ripple_rms(plug.line, plug.neutral)[0]), across


def _step(tried: list[tuple[float, float]]) -> float:
    """Secant through the last two where it is trusted, else halfway: heat and current chase each other."""
    at, off = tried[-1]
    if len(tried) > 1:
        before, was = tried[-2]
        slope = (off - was) / (at - before) if at != before else 0.0
        if slope < -0.2:  # nothing can settle otherwise
            return float(np.clip(-off / slope, -2 * abs(off), 2 * abs(off)))
    return 0.5 * off


def _rms(solved: Solved, name: str) -> float:
    part = solved.amp.parts[name]
    assert isinstance(part, drawn.Resistor)
    return float(solved.state.ripple_rms(part.a, part.b)[0])

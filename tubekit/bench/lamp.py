"""A tungsten lamp in series with the line: cold it is nearly a short, hot it holds back.

Its law is that of every hot wire (`devices/heater.py`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
import scipy

from tubekit.amp import Amp, parts as drawn
from tubekit.amp.solve import SolvedAmp, solve_amp
from tubekit.devices.heater import COLD_LAMP, resistance
from tubekit.errors import SolveError
from tubekit.result_fields import Array
from tubekit.text import quantity

LAW = (
    "Lamp resistance is an estimate: it rises with voltage to the power 0.45 and is a twelfth when cold "
    "(lamp makers' rule, from memory). So these readings are good to about 10 %."
)
MARKED = (100.0, 120.0, 230.0, 240.0)
"""Volts that line lamps are marked with [V] (common practice)."""
AGREED, MOST, LEAST_SHARE = 2e-3, 40, 1e-3
LAMP = "lamp"
DARK, DIM, BRIGHT = 0.15, 0.5, 0.8


@dataclass(frozen=True)
class LimiterLamp:
    """A lamp by its marking: watts at volts.

    Examples
    --------
    >>> lamp = LimiterLamp(60.0, 120.0)
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
        return float(self.hot * np.asarray(resistance(abs(volts) / self.volts, COLD_LAMP)))

    def looks(self, volts: float) -> str:
        """Words for what the eye sees."""
        share = abs(volts) / self.volts
        return (
            "stays dark" if share < DARK else "glows dimly" if share < DIM else "glows"
            if share < BRIGHT else "shines at full brightness"
        )  # fmt: skip


def usual_lamp(watts: float, mains_rms: float) -> LimiterLamp:
    """A lamp of that power as it is sold for that line.

    Examples
    --------
    >>> usual_lamp(60, 117).volts, usual_lamp(60, 240).volts
    (120.0, 240.0)
    """
    return LimiterLamp(float(watts), min(MARKED, key=lambda volts: abs(np.log(volts / mains_rms))))


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


class Behind(NamedTuple):
    """An amp behind a lamp: its solution, volts at the amp and across the lamp."""

    solved: SolvedAmp
    amp_v: float
    lamp_v: float


def behind_lamp(amp: Amp, lamp: LimiterLamp) -> Behind:
    """The amp behind a lamp that has found its temperature, its heaters at what the lamp leaves them.

    Two unknowns, the lamp's resistance and the heaters' share of their voltage, are found together: more
    heat draws more B+ current, which leaves less heat, so that there is one answer.

    Raises
    ------
    SolveError : the amp has no steady state behind it, or lamp and heaters do not settle.
    """
    plug = next(p for p in amp.parts.values() if isinstance(p, drawn.MainsPlug))
    tried: list[tuple[SolvedAmp, float, float]] = []

    def off(at: Array) -> Array:
        ohms, heat = float(np.exp(at[0])), float(np.exp(at[1]))
        solved = solve_amp(with_lamp(amp, ohms), tried[-1][0] if tried else None, heat=heat)
        across, left = _rms(solved, LAMP), float(solved.state.ripple_rms(plug.line, plug.neutral)[0])
        tried.append((solved, left, across))
        share = left / amp.design_mains_rms
        return np.array([np.log(lamp.ohms(across) / ohms), np.log(max(share, LEAST_SHARE) / heat)])

    options: Any = {"fatol": AGREED, "maxiter": MOST, "line_search": None, "jac_options": {"alpha": 0.8}}
    result = scipy.optimize.root(
        off, np.log([lamp.ohms(0.5 * lamp.volts), 0.7]), method="broyden1", options=options
    )
    if not result.success:
        raise SolveError(f"The voltage does not settle with a lamp of {lamp.watts:g} W", best=tried[-1][0])
    return Behind(*tried[-1])


def _rms(solved: SolvedAmp, name: str) -> float:
    part = solved.amp.parts[name]
    assert isinstance(part, drawn.Resistor)
    return float(solved.state.ripple_rms(part.a, part.b)[0])

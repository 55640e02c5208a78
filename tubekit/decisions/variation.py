"""By how much the parts of an amp may differ from the drawing and still be good.

Each `Variable` is one independent quantity; all of them together are the spread of an amp. Sources: part
tolerances from the amp file; composition resistors drift upward with age and electrolytics are wound to
-20/+50 % and worse (from memory, standards table); tube limits are makers' test limits
(`data/handbook/tube_spread_limits.csv`). How a distribution fills its limits is common practice, no source:
a truncated normal curve whose limits stand at two standard deviations.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from math import erf, log, pi, sinh, sqrt
from typing import Literal

import numpy as np
from scipy.special import ndtri

from tubekit.amp import Amp, parts as drawn
from tubekit.amp.parts.tubes import RectifierTube, Tube
from tubekit.amp.solve import types_of
from tubekit.decisions.instrument import GAS, LEAK, NO_LEAK, Knob, Turn
from tubekit.decisions.tube_spread import tube_spread
from tubekit.devices import catalogue
from tubekit.devices.potentiometer import fraction
from tubekit.devices.rectifier import SiliconDiode
from tubekit.devices.triode import Triode

Array = np.ndarray
Age = Literal["vintage", "modern"]

RESISTOR, FILM, ELECTROLYTIC, POTENTIOMETER = 0.10, 0.20, 0.20, 0.20
"""Tolerances where the amp file states none; common practice, no source."""
DRIFT = 0.08
"""Scale of the upward drift of old composition resistors, half-normal (95 % below +16 %; from memory)."""
WIREWOUND_FROM_W = 3.0
"""From this rating on a resistor is wirewound and does not drift; common practice, no source."""
DRIED = (0.05, 0.20)
"""Mean and standard deviation of ln C of an old electrolytic (from memory: -20/+50 % new, less when old)."""
OLD_PAPER = (1e9, 1e11)
"""Leak of a good old paper capacitor lies between these, spread evenly by decades [Ω]; common practice."""
TURNS, COPPER, POINTER = 0.01, 0.05, 0.012
"""Standard deviations of winding volts, copper (with its heat), of a control's position; common practice."""
GOOD_GAS = 2e-7
"""Scale of a good power tube's grid current [A], half-normal; common practice, no source."""
RECTIFIER, CHOKE = 0.10, 0.10
"""Standard deviations of a rectifier's perveance and of a choke's inductance; common practice, no source."""
MAINS_BAND = 0.05
"""Mains unknown: within 5 % either way (ANSI C84.1 range A, from memory)."""


@dataclass(frozen=True)
class Variable:
    """One quantity x that differs from amp to amp, nil in the drawn one.

    `shape`: 'normal' (cut off at `cut` standard deviations), 'half' (half-normal, upward only), 'even'
    (between -sd·√3 and +sd·√3), 'leak' (the same for the logarithm of a resistance that acts by its
    conductance: mean and variance are those that give the conductance its own). `centre` is added;
    `turns` says what x moves.
    """

    name: str
    part: str
    turns: tuple[Turn, ...]
    sd: float
    shape: Literal["normal", "half", "even", "leak"] = "normal"
    centre: float = 0.0
    cut: float = 2.0

    def draw(self, rng: np.random.Generator, size: int) -> Array:
        """Draw x for `size` amps."""
        if self.shape == "half":
            return np.asarray(self.centre + self.sd * np.abs(rng.standard_normal(size)))
        u = rng.random(size)
        if self.shape in ("even", "leak"):
            return np.asarray(self.centre + self.sd * np.sqrt(12.0) * (u - 0.5))
        least = 0.5 * (1.0 - _mass(self.cut))
        return np.asarray(self.centre + self.sd * ndtri(least + u * (1.0 - 2.0 * least)))

    @property
    def _conductance(self) -> tuple[float, float]:
        """Mean of exp(-(x - centre)) and of its square, x even."""
        half = self.sd * sqrt(3.0)
        return sinh(half) / half, sinh(2.0 * half) / (2.0 * half)

    @property
    def mean(self) -> float:
        """Mean of x."""
        if self.shape == "leak":
            return self.centre - log(self._conductance[0])
        return self.centre + (self.sd * sqrt(2 / pi) if self.shape == "half" else 0.0)

    @property
    def variance(self) -> float:
        """Variance of x."""
        if self.shape == "leak":
            first, second = self._conductance
            return second / first**2 - 1.0
        if self.shape == "half":
            return self.sd**2 * (1.0 - 2.0 / np.pi)
        if self.shape == "even":
            return self.sd**2
        c = self.cut
        return float(self.sd**2 * (1.0 - 2.0 * c * np.exp(-0.5 * c * c) / np.sqrt(2 * np.pi) / _mass(c)))


def _mass(cut: float) -> float:
    """Share of a normal curve within `cut` standard deviations."""
    return erf(cut / sqrt(2.0))


def variables(
    amp: Amp,
    age: Age = "vintage",
    *,
    measured: Mapping[str, float] | None = None,
    mains_known: float | None = None,
) -> tuple[Variable, ...]:
    """Everything that differs between good amps of this drawing.

    Parameters
    ----------
    age : 'vintage' lets composition resistors drift up, electrolytics dry out and paper leak.
    measured : relative accuracy of parts whose value was measured, by designator; theirs is then all the
        spread they have.
    mains_known : relative accuracy of the mains where it was measured; else it varies by `MAINS_BAND`.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> names = [v.name for v in variables(load_amp("teasel"))]
    >>> {"R14", "V3 emission", "V1 emission", "V1a mu", "mains"} <= set(names)
    True
    """
    known = measured or {}
    found = [_mains(amp, mains_known)]
    for name, part in amp.parts.items():
        if part.condition == "fitted":
            maker = _MAKERS.get(type(part))
            found += maker(part, age, known.get(name)) if maker else ()
    return tuple(found)


def _mains(amp: Amp, known: float | None) -> Variable:
    plug = next(name for name, part in amp.parts.items() if isinstance(part, drawn.MainsPlug))
    turn = (Turn(Knob(plug, "volts")),)
    if known is not None:
        return Variable("mains", plug, turn, 0.5 * known)
    return Variable("mains", plug, turn, MAINS_BAND / np.sqrt(3.0), "even")


def _tolerance(part: drawn.Resistor | drawn.Capacitor | drawn.Potentiometer, usual: float) -> float:
    stated = part.tolerance_percent
    return usual if stated is None else float(np.max(stated)) / 100.0


def _resistor(part: drawn.Resistor, age: Age, known: float | None) -> Iterator[Variable]:
    turn = (Turn(Knob(part.designator, "ohms")),)
    tolerance = _tolerance(part, RESISTOR) if known is None else known
    yield Variable(part.designator, part.designator, turn, 0.5 * tolerance)
    watts = 0.5 if part.watts is None else float(np.max(part.watts))
    if known is None and age == "vintage" and watts < WIREWOUND_FROM_W:
        yield Variable(f"{part.designator} drift", part.designator, turn, DRIFT, "half")


def _capacitor(part: drawn.Capacitor, age: Age, known: float | None) -> Iterator[Variable]:
    turn = (Turn(Knob(part.designator, "farads")),)
    if known is not None:
        yield Variable(part.designator, part.designator, turn, 0.5 * known)
    elif part.style == "electrolytic":
        mean, sd = DRIED if age == "vintage" else (0.0, 0.5 * ELECTROLYTIC)
        yield Variable(part.designator, part.designator, turn, sd, centre=mean, cut=2.5)
    else:
        yield Variable(part.designator, part.designator, turn, 0.5 * _tolerance(part, FILM))
    if part.style == "paper" and age == "vintage":
        low, high = np.log(OLD_PAPER[0] / NO_LEAK), np.log(OLD_PAPER[1] / NO_LEAK)
        leak = (Turn(Knob(part.designator + LEAK, "ohms")),)
        spread = float((high - low) / np.sqrt(12.0))
        yield Variable(
            f"{part.designator} leak", part.designator, leak, spread, "leak", float(0.5 * (low + high))
        )


def _potentiometer(part: drawn.Potentiometer, _age: Age, known: float | None) -> Iterator[Variable]:
    name = part.designator
    ends = [Knob(f"{name}.top", "ohms")] if part.top != part.wiper else []
    ends += [Knob(f"{name}.bottom", "ohms")] if part.bottom != part.wiper else []
    tolerance = _tolerance(part, POTENTIOMETER) if known is None else known
    yield Variable(name, name, tuple(Turn(knob) for knob in ends), 0.5 * tolerance)
    at = float(np.clip(np.max(part.position), 0.02, 0.98))
    low, high = fraction(at - 0.01, part.taper), fraction(at + 0.01, part.taper)
    share, slope = 0.5 * (low + high), (high - low) / 0.02
    gains = {f"{name}.top": -slope / (1.0 - share), f"{name}.bottom": slope / share}
    turns = tuple(Turn(knob, float(np.clip(gains[knob.part], -20.0, 20.0))) for knob in ends)
    yield Variable(f"{name} position", name, turns, POINTER)


def _tube(part: Tube, _age: Age, known: float | None) -> Iterator[Variable]:
    type_ = types_of(part)[0]
    sections = [section.name for section in part.sections]
    emission = tube_spread(type_).emission if known is None else 0.5 * known
    yield Variable(
        f"{part.designator} emission", part.designator,
        tuple(Turn(Knob(name, "perveance")) for name in sections), emission,
    )  # fmt: skip
    for section in part.sections:
        name = section.name
        system = catalogue.tube(type_).system(section.screen is not None)
        limits, triode = tube_spread(system.type), isinstance(system.law, Triode)
        turn = (Turn(Knob(name, "mu" if triode else "mu_screen")),)
        yield Variable(f"{name} mu", part.designator, turn, limits.mu)
        if not triode:
            share = (Turn(Knob(name, "share")),)
            yield Variable(f"{name} screen share", part.designator, share, limits.screen)
            gas = (Turn(Knob(name + GAS, "amps"), adds=True),)
            yield Variable(f"{name} gas", part.designator, gas, GOOD_GAS, "half")


def _rectifier(part: RectifierTube, _age: Age, _known: float | None) -> Iterator[Variable]:
    silicon = isinstance(catalogue.tube(types_of(part)[0]).law, SiliconDiode)
    if silicon:  # its drop is lost beside the copper
        return
    for k in range(1, len(part.plates) + 1):
        turn = (Turn(Knob(f"{part.designator}.{k}", "perveance")),)
        yield Variable(f"{part.designator} plate {k}", part.designator, turn, RECTIFIER)


def _transformer(part: drawn.PowerTransformer, _age: Age, _known: float | None) -> Iterator[Variable]:
    coil = 0
    for winding in part.windings:
        coils = range(coil, coil + len(winding.sections))
        coil = coils.stop
        name = f"{part.designator} {winding.name}"
        if winding is not part.primary:
            turns = tuple(Turn(Knob(part.designator, f"turns{j}")) for j in coils)
            yield Variable(f"{name} volts", part.designator, turns, TURNS)
        copper = tuple(Turn(Knob(part.designator, f"copper{j}")) for j in coils)
        yield Variable(f"{name} copper", part.designator, copper, COPPER)


def _output(part: drawn.OutputTransformer, _age: Age, _known: float | None) -> Iterator[Variable]:
    for j in range(len(part.primary.sections)):
        turn = (Turn(Knob(part.designator, f"copper{j}")),)
        yield Variable(f"{part.designator} copper {j + 1}", part.designator, turn, COPPER)


def _choke(part: drawn.Choke, _age: Age, _known: float | None) -> Iterator[Variable]:
    copper = (Turn(Knob(part.designator, "copper0")),)
    yield Variable(f"{part.designator} copper", part.designator, copper, COPPER)
    turns = (Turn(Knob(part.designator, "turns0"), 0.5),)  # inductance goes by the square of the turns
    yield Variable(f"{part.designator} inductance", part.designator, turns, CHOKE)


_MAKERS: dict[type, Callable[..., Iterator[Variable]]] = {
    drawn.Resistor: _resistor,
    drawn.Capacitor: _capacitor,
    drawn.Potentiometer: _potentiometer,
    Tube: _tube,
    RectifierTube: _rectifier,
    drawn.PowerTransformer: _transformer,
    drawn.OutputTransformer: _output,
    drawn.Choke: _choke,
}

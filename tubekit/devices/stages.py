"""A tube at rest where a handbook row puts it: at voltages, or in a bare resistance-coupled stage.

Cathodes and screens are bypassed. Whole amps are solved elsewhere. A law whose parameters are arrays of
shape (P,) is P laws, all answered at once; that is what makes fitting quick.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias, TypeVar

import numpy as np

from tubekit.devices.law import FloatArray, Law, Parameter, volts_for

Answer: TypeAlias = Mapping[str, Parameter]
L = TypeVar("L", bound=Law)

ONSET_A = 0.3e-6
"""Grid current of the maker's table that states output volts at its onset (ECC83, from memory) [A]."""
_ROUNDS, _LONGEST, _ARRIVED = 200, 30.0, 1e-9  # of Newton's rule; its longest and its last step [V]


@dataclass(frozen=True)
class At:
    """At voltages to cathode; without a grid voltage, `cathode_ohms` that `tubes` share makes the bias.

    `strapped`: the screen is tied to the plate, and the answers are those of the triode it makes.
    """

    plate: float
    grid: float | None = None
    screen: float | None = None
    cathode_ohms: float = 0.0
    tubes: int = 1
    strapped: bool = False

    def scaled(self, factor: float) -> At:
        """The same at other voltages, all in proportion."""
        return scaled(self, factor, ("plate", "grid", "screen"))


@dataclass(frozen=True)
class Coupled:
    """Resistance-coupled stage, cathode and screen bypassed; a pentode's screen hangs on `screen_ohms`."""

    supply: float
    plate_ohms: float
    cathode_ohms: float
    next_grid_ohms: float
    screen_ohms: float = 0.0

    def scaled(self, factor: float) -> Coupled:
        """The same at another supply voltage."""
        return scaled(self, factor, ("supply",))


S = TypeVar("S")


def scaled(stage: S, factor: float, names: Sequence[str]) -> S:
    """A stage with the voltages of these names, where it states them, times a factor."""
    volts = {name: getattr(stage, name) for name in names}
    return replace(stage, **{n: v * factor for n, v in volts.items() if v is not None})  # type: ignore[type-var]


def stretched(law: L, axes: int) -> L:
    """The law with `axes` axes of one behind those of its parameters, to broadcast against voltages."""
    longer = {
        name: value[(..., *[np.newaxis] * axes)]
        for name, value in law.parameters().items()
        if isinstance(value, np.ndarray)
    }
    return replace(law, **longer) if longer else law  # type: ignore[type-var]


def lead(law: Law) -> tuple[int, ...]:
    """(P,) where the law is P laws, () where it is one."""
    return np.broadcast_shapes(*(np.shape(value) for value in law.parameters().values()))


def at_rest(law: Law, asked: Sequence[At | Coupled]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Voltages, currents (..., R, T) and slopes (..., R, T, T) of R stages at rest."""
    ports = [_ports(law, each) for each in asked]
    return _solved(law, np.array([p[0] for p in ports]), np.array([p[1] for p in ports]))


def _ports(law: Law, asked: At | Coupled) -> tuple[FloatArray, FloatArray]:
    """Port voltages with the tube pulled out (T,), and what a current in one port does there (T, T)."""
    size = len(law.terminals)
    shared = np.zeros((size, size))
    if isinstance(asked, Coupled):
        shared += asked.cathode_ohms
        shared[0, 0] += asked.plate_ohms
        if size == 3:
            shared[1, 1] += asked.screen_ohms
        return np.array([asked.supply, asked.supply, 0.0])[[0, *range(1, size - 1), 2]], shared
    screen = asked.plate if asked.strapped else asked.screen
    volts = [asked.plate, 0.0 if asked.grid is None else asked.grid]
    if size == 3:
        volts.insert(1, np.nan if screen is None else screen)
    shared[-1] = asked.cathode_ohms * asked.tubes
    return np.array(volts), shared


def _solved(law: Law, pulled: FloatArray, shared: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Newton's rule on v + shared·i(v) = pulled; from zero bias a self-biased tube is never overshot."""
    v = np.broadcast_to(pulled, (*lead(law), *pulled.shape)).copy()
    biased = np.any(shared != 0.0, axis=(-1, -2))
    loaded = biased & (shared[:, 0, 0] > 0.0)
    v[..., loaded, :-1] *= 0.4
    v[..., loaded, -1] = -1.0
    wide, unit = stretched(law, 1), np.eye(pulled.shape[-1])
    for _ in range(_ROUNDS if biased.any() else 1):
        i, g = wide.evaluate(v)
        over = v + np.einsum("rjk,...rk->...rj", shared, i) - pulled
        step = np.linalg.solve(unit + shared @ g, over[..., np.newaxis])[..., 0]
        longest = np.max(np.abs(step), axis=-1, keepdims=True)
        v -= step * np.minimum(1.0, _LONGEST / np.maximum(longest, 1e-30))
        if np.max(longest) < _ARRIVED:
            break
    i, g = wide.evaluate(v)
    return v, i, g


def resting_answer(asked: At | Coupled, law: Law, v: FloatArray, i: FloatArray, g: FloatArray) -> Answer:
    """Quantities of a stage at rest from its voltages, currents (..., T) and slopes (..., T, T)."""
    collectors = 2 if isinstance(asked, At) and asked.strapped and i.shape[-1] == 3 else 1
    current = i[..., :collectors].sum(axis=-1)
    gm = g[..., :collectors, -1].sum(axis=-1)
    gp = np.maximum(g[..., :collectors, :collectors].sum(axis=(-1, -2)), 1e-30)
    answer = {"plate": current, "gm": gm, "rp": 1.0 / gp, "mu": gm / gp, "grid": i[..., -1]}
    if i.shape[-1] == 3 and collectors == 1:
        answer["screen"] = i[..., 1]
    if isinstance(asked, Coupled):
        answer["gain"] = gm / (1.0 / asked.plate_ohms + 1.0 / asked.next_grid_ohms + gp)
        p = law.parameters()
        conducts = volts_for(ONSET_A, p["grid_perveance"], p["grid_softness"]) - p["grid_offset"]
        answer["onset"] = answer["gain"] * (conducts - v[..., -1]) / np.sqrt(2.0)
    return answer

"""What every device law answers: the currents at given voltages, and their slopes.

A law is a frozen set of parameters. Each parameter is a number or an array; arrays broadcast against
the axes of the voltages in front of the terminal axis, so one call serves B circuits with S tubes each.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import fields, replace
from typing import Any, ClassVar, Protocol, Self, TypeAlias, TypeVar, runtime_checkable

import numpy as np
from numpy.typing import NDArray

FloatArray: TypeAlias = NDArray[np.float64]
Parameter: TypeAlias = float | FloatArray

_TINY = 1e-300  # keeps logarithms and quotients finite where a current is nil
_LARGEST_LOG = 690.0  # exp() of it is still a float


@runtime_checkable
class Law(Protocol):
    """The one contract between devices and circuits."""

    terminals: ClassVar[tuple[str, ...]]

    def parameters(self) -> dict[str, Parameter]:
        """Name and value of every parameter."""

    def evaluate(self, v: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Currents into the terminals [A] and their slopes [S] at voltages `v` to cathode [V].

        `v` has shape (..., T), the currents (..., T) and the slopes (..., T, T), where the slope
        [j, k] is d i_j / d v_k. Finite for every |v| up to 1e100 V.
        """

    def worn(self, emission: Parameter) -> Self:
        """The same device with its cathode emission multiplied by `emission` (1.0 = new)."""

    def subset(self, index: Any, axes: int = 2) -> Self:
        """The law of some members of a batch; see `ParameterLaw.subset`."""


class ParameterLaw:
    """Base of the frozen dataclasses whose fields are all parameters of one law."""

    terminals: ClassVar[tuple[str, ...]] = ()
    emission_parameter: ClassVar[str] = ""  # the parameter that a worn cathode lowers
    positive: ClassVar[frozenset[str]] = frozenset()  # parameters that must be above zero
    not_negative: ClassVar[frozenset[str]] = frozenset()  # parameters that may be zero

    @staticmethod
    def flow(*numbers: Any) -> tuple[Any, ...]:
        """Currents into the terminals, then slopes row by row; from one voltage each, then the parameters.

        The one place in which a law is written: plain arithmetic, of arrays here, compiled of single numbers
        for sound (`analyses.audio_kernel`).
        """
        raise NotImplementedError

    def evaluate(self, v: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Currents into the terminals [A], shape (..., T), and slopes [S], shape (..., T, T)."""
        count = len(self.terminals)
        found = self.flow(*(v[..., k] for k in range(count)), *self.parameters().values())
        i, g = np.empty(v.shape), np.empty((*v.shape, count))
        for j in range(count):
            i[..., j] = found[j]
            for k in range(count):
                g[..., j, k] = found[count + count * j + k]
        return i, g

    def __post_init__(self) -> None:
        for name, value in self.parameters().items():
            given = np.asarray(value, dtype=float)
            if not np.all(np.isfinite(given)):
                raise ValueError(f"{type(self).__name__}: {name} must be a finite number, not {value!r}")
            if name in self.positive and not np.all(given > 0):
                raise ValueError(f"{type(self).__name__}: {name} must be above zero, not {value!r}")
            if name in self.not_negative and not np.all(given >= 0):
                raise ValueError(f"{type(self).__name__}: {name} must not be below zero, not {value!r}")
            kept: Parameter = given if given.ndim else float(given)
            object.__setattr__(self, name, kept)

    def parameters(self) -> dict[str, Parameter]:
        """Name and value of every parameter, in the order of the law."""
        return {field.name: getattr(self, field.name) for field in fields(self)}  # type: ignore[arg-type]

    def worn(self, emission: Parameter) -> Self:
        """The same device with its emission multiplied by `emission` (1.0 = new, 0.5 = half)."""
        if not self.emission_parameter:
            return self
        new = np.asarray(getattr(self, self.emission_parameter)) * emission
        return replace(self, **{self.emission_parameter: new})  # type: ignore[type-var]

    def subset(self, index: Any, axes: int = 2) -> Self:
        """The law of some members of a batch.

        Parameters
        ----------
        index : anything that indexes the leading (batch) axis: integers, a mask, a slice.
        axes : how many axes the voltages have in front of the terminal axis; 2 for a batch of
            circuits with stacked devices, 1 for a batch of one device. Parameters with fewer axes,
            or with a batch axis of length one, hold for the whole batch and stay as they are.
        """
        changed = {
            name: value[index]
            for name, value in self.parameters().items()
            if isinstance(value, np.ndarray) and value.ndim == axes and value.shape[0] > 1
        }
        if not changed:
            return self
        some = copy(self)  # not through the constructor: members of what was checked need no second check
        for name, value in changed.items():
            object.__setattr__(some, name, value)
        return some


L = TypeVar("L", bound=Law)


def stack(laws: Sequence[L], axis: int = -1) -> L:
    """One law that stands for several of the same class, each parameter stacked along `axis`.

    Parameters of shape () or (B,) become (S,) or (B, S) for S laws: one call of `evaluate` then takes
    voltages of shape (S, T) or (B, S, T).

    Raises
    ------
    TypeError : the laws are of different classes, or there is none.

    Examples
    --------
    >>> from tubekit.devices.rectifier import TubeDiode
    >>> both = stack([TubeDiode(perveance=4e-4), TubeDiode(perveance=3e-3)])
    >>> current, slope = both.evaluate(np.array([[10.0], [10.0]]))
    >>> current[:, 0]
    array([0.01264911, 0.09486833])
    """
    classes = {type(law) for law in laws}
    if len(classes) != 1:
        names = ", ".join(sorted(kind.__name__ for kind in classes)) or "nothing"
        raise TypeError(f"only laws of one class can be stacked, not {names}")
    columns = [law.parameters() for law in laws]
    stacked = {
        name: np.stack(np.broadcast_arrays(*(column[name] for column in columns)), axis=axis)
        for name in columns[0]
    }
    return classes.pop()(**stacked)


def softplus(drive: FloatArray, softness: Parameter) -> tuple[FloatArray, FloatArray]:
    """s·ln(1 + exp(drive/s)) and its slope: zero far below cut-off, `drive` far above, smooth between.

    `softness` s is in volts; 0 gives a sharp corner. Finite for every drive.
    """
    soft, slope, _ = corner(drive, softness)
    return soft, slope


def corner(drive: FloatArray, softness: Parameter) -> tuple[FloatArray, FloatArray, FloatArray]:
    """As `softplus`, with the slope to the softness as well (never negative)."""
    scale = np.maximum(softness, 1e-9)
    ratio = drive / scale
    size = np.abs(ratio)
    small = np.exp(-size)
    rounded = np.log1p(small)
    tail = small / (1.0 + small)  # logistic function of -size, precise far out
    slope = tail + (ratio >= 0.0) * (1.0 - 2.0 * tail)
    size *= tail
    size += rounded
    rounded += np.maximum(ratio, 0.0)
    rounded *= scale
    return rounded, slope, size


def ramp(voltage: FloatArray, width: Parameter) -> tuple[FloatArray, FloatArray]:
    """v²/(v + width) above 0 V and nothing below, and its slope: `v` itself once well above `width`."""
    above = np.maximum(voltage, 0.0)
    part = above / (above + width)
    return above * part, part * (2.0 - part)


def closing(voltage: FloatArray, width: Parameter) -> tuple[FloatArray, FloatArray]:
    """Factor that takes a current to nil at 0 V, v²/(v² + width²), and its slope [1/V].

    Zero with zero slope below 0 V, half at `width`, one far above: a collector that stands at or
    below cathode potential collects nothing.
    """
    above, own = np.maximum(voltage, 0.0), np.square(width)
    inverse = 1.0 / (above * above + own)
    part = above * inverse
    return above * part, 2.0 * part * (own * inverse)


def split_grid(
    cathode: FloatArray, grid: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Share a cathode current with a grid that alone would draw `grid`.

    Returns (rest, grid current, p, q): rest = c²/(c + g), grid current = c·g/(c + g), p = c/(c + g) and
    q = g/(c + g). The two add up to the cathode current, neither can exceed it, and the slopes are
    d rest/dc = p(1 + q), d rest/dg = -p², d grid/dc = q², d grid/dg = p².
    """
    total = cathode + grid
    total += _TINY
    p, q = cathode / total, grid / total
    return cathode * p, grid * p, p, q


def three_halves(
    voltage: FloatArray, perveance: Parameter, softness: Parameter
) -> tuple[FloatArray, FloatArray]:
    """Current that a grid would draw from an unlimited cathode [A] and its slope [S]: G·softplus(v)^1.5."""
    above, per_volt = softplus(voltage, softness)
    rate = perveance * np.sqrt(above)
    return rate * above, 1.5 * rate * per_volt


def volts_for(current: float, perveance: Parameter, softness: Parameter) -> Parameter:
    """Voltage at which `three_halves` draws a current [A]; minus infinity where it never does."""
    with np.errstate(divide="ignore", over="ignore"):
        above = np.float64(current / np.asarray(perveance)) ** (2.0 / 3.0)
        return np.where(above > 0.0, softness * np.log(np.expm1(above / softness)), -np.inf)[()]

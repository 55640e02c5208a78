"""Where a response has fallen by 3 dB, and which part sets that.

A corner is counted from a reference frequency outwards: the first place on either side at which the
gain lies 3.01 dB below that at the reference. d ln f / d ln(part) says by how many per cent the corner
moves for one per cent of the part; over all C and L together it adds up to about -1.
Source: definition as in IEC 60268-3, gain-limited effective frequency range (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tubekit.analyses.part_sensitivity import part_sensitivity
from tubekit.circuit.network import Network
from tubekit.circuit.reduction import solve_stack
from tubekit.result_fields import Array

FALL = float(np.sqrt(0.5))
STEPS = 60
LEAST_SHARE = 0.02


@dataclass(frozen=True, eq=False)
class Corner:
    """One -3 dB corner: `side` 'low' or 'high', `hz` (N,) (NaN where there is none in the span).

    `moves` (N, P) is d ln f / d ln(value) of each of `parts`, R, C and L, at a fixed idle point.
    """

    side: str
    hz: Array
    parts: tuple[str, ...]
    kinds: tuple[str, ...]
    moves: Array

    def setters(self, member: int = 0, count: int = 3, kinds: str = "CL") -> list[tuple[str, float]]:
        """The parts that move the corner most, with d ln f / d ln(value); capacitors and coils by default."""
        moves = self.moves[member]
        order = np.argsort(-np.abs(np.nan_to_num(moves)))
        return [
            (self.parts[k], float(moves[k]))
            for k in order
            if self.kinds[k] in kinds and abs(moves[k]) >= LEAST_SHARE
        ][:count]


@dataclass(frozen=True, eq=False)
class Stretch:
    """A response to look at: output row `top` over input row `bottom` (None: over the drive itself)."""

    network: Network
    matrix: Array
    drive: Array
    top: Array
    bottom: Array | None = None

    @property
    def size(self) -> int:
        """Members."""
        return max(len(self.matrix), len(self.network.storage))

    def system(self, s: Array) -> Array:
        """A = G + s C with one s per member, (N, n, n)."""
        return np.asarray(self.matrix + s[:, None, None] * self.network.storage)

    def gain(self, hertz: Array) -> Array:
        """Gain with one frequency per member (N,), complex."""
        x = self._solved(self.system(2j * np.pi * hertz), self.drive)
        below = 1.0 if self.bottom is None else x @ self.bottom
        return np.asarray((x @ self.top) / below)

    def moves(self, hertz: Array) -> tuple[list[str], list[str], Array, Array]:
        """Names and kinds of the parts, d ln|H| / d ln(value) (N, P), and d ln|H| / d ln f (N,)."""
        s = 2j * np.pi * hertz
        system = self.system(s)
        x = self._solved(system, self.drive)
        names: list[str] = []
        kinds: list[str] = []
        total: Array | float = 0.0
        for sign, row in ((1.0, self.top), (-1.0, self.bottom)):
            if row is None:
                continue
            adjoint = self._solved(system.transpose(0, 2, 1), row)
            names, kinds, changes = part_sensitivity(self.network, x, adjoint, s)
            total = total + sign * (changes / (x @ row)[:, None]).real
        moves = np.asarray(total)
        reactive = np.array([kind in "CL" for kind in kinds])
        return names, kinds, moves, moves[:, reactive].sum(axis=1)

    def _solved(self, system: Array, right: Array) -> Array:
        columns = np.broadcast_to(right.astype(complex)[:, None], (len(system), len(right), 1))
        return solve_stack(system, columns)[..., 0]


def corners(
    stretch: Stretch, frequencies_hz: Array, gain: Array, reference_hz: float
) -> tuple[Corner, Corner]:
    """The low and the high corner of a stretch.

    `gain` (N, K) at `frequencies_hz` (K,), rising, is what is already known of it: corners are looked
    for there, then refined on the circuit itself.
    """
    size = np.abs(gain)
    middle = np.full(len(size), reference_hz)
    reference, at_middle = np.abs(stretch.gain(middle)), stretch.moves(middle)[2]
    start = int(np.argmin(np.abs(np.log(frequencies_hz / reference_hz))))
    below = size < FALL * reference[:, None]

    def corner(side: str, onward: slice) -> Corner:
        bracket = _bracket(below[:, onward], frequencies_hz[onward])
        return _corner(side, stretch, bracket, reference, middle, at_middle)

    return corner("low", slice(start, None, -1)), corner("high", slice(start, None))


def _bracket(below: Array, frequencies: Array) -> tuple[Array, Array]:
    """Last frequency within and first one beyond the corner, NaN where there is none."""
    result, first = below.any(axis=1), below.argmax(axis=1)
    inner = np.where(result, frequencies[np.maximum(first - 1, 0)], np.nan)
    return inner, np.where(result, frequencies[first], np.nan)


def _corner(
    side: str, stretch: Stretch, bracket: tuple[Array, Array], reference: Array, middle: Array,
    at_middle: Array,
) -> Corner:  # fmt: skip
    known = np.isfinite(bracket[0])
    inner, outer = (np.log(np.where(known, each, middle)) for each in bracket)
    hertz = np.exp(_crossing(stretch, inner, outer, reference))
    names, kinds, at_corner, slope = stretch.moves(hertz)
    with np.errstate(divide="ignore", invalid="ignore"):
        moves = -(at_corner - at_middle) / slope[:, None]
    hertz, moves = np.where(known, hertz, np.nan), np.where(known[:, None], moves, np.nan)
    return Corner(side, hertz, tuple(names), tuple(kinds), moves)


def _crossing(stretch: Stretch, inner: Array, outer: Array, reference: Array) -> Array:
    """Log frequency at which the gain has fallen, by false position that halves what it keeps twice."""
    kept = np.zeros(inner.shape, int)

    def left(at: Array) -> Array:
        return np.asarray(np.log(np.abs(stretch.gain(np.exp(at))) / (FALL * reference)))

    above, under, tried = left(inner), left(outer), inner
    for _ in range(STEPS):
        before = tried
        with np.errstate(divide="ignore", invalid="ignore"):
            tried = inner + (outer - inner) * np.clip(np.nan_to_num(above / (above - under), nan=0.5), 0, 1)
        if np.all(np.abs(tried - before) < 1e-10):
            break
        value = left(tried)
        beyond = value < 0
        twice = np.where(kept == np.where(beyond, 1, -1), 0.5, 1.0)
        above, under = np.where(beyond, twice * above, value), np.where(beyond, value, twice * under)
        kept = np.where(beyond, 1, -1)
        inner, outer = np.where(beyond, inner, tried), np.where(beyond, tried, outer)
    return tried

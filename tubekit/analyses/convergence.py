"""How a solve went: rides along in every result."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

Array = np.ndarray


KIRCHHOFF_A = 1e-6
"""No solution leaves more current than this over at a node [A]."""
FROM_COLD = "tubes settled from cold"
RELAXED = "rectifiers relaxed"
_BY_MEMBER = ("converged", "iterations", "error", "residual_a")


def seal(lost: Array, *arrays: Array) -> None:
    """Blank the lost members of a batch in result arrays, and close the arrays to writing.

    Examples
    --------
    >>> volts = np.array([[250.0], [180.0]])
    >>> seal(np.array([False, True]), volts)
    >>> volts.tolist(), volts.flags.writeable
    ([[250.0], [nan]], False)
    """
    for array in arrays:
        array[lost] = np.nan
        array.setflags(write=False)


@dataclass(frozen=True, eq=False)
class Convergence:
    """Whether and how a solver arrived; each field has one entry per member of the batch.

    `error` is the size of the last correction in `unit`; `residual_a` the largest current left
    over at any node [A] (Kirchhoff), NaN where it was not formed. `ways_out` counts the times that plain
    Newton stalled and something slower was called for, by what that was.

    Examples
    --------
    >>> print(Convergence(np.array([True, False]), np.array([4, 60]), np.array([1e-12, 3.0]), "V", "Newton",
    ...                   np.zeros(2)))
    NOT converged: 1 of 2 members, Newton, 60 iterations, last correction 3 V
    """

    converged: Array
    iterations: Array
    error: Array
    unit: str
    method: str
    residual_a: Array
    ways_out: Mapping[str, int] = field(default_factory=dict)

    def members(self, keep: Array) -> Convergence:
        """Some members of the batch."""
        arrays = {name: getattr(self, name)[keep] for name in _BY_MEMBER}
        return replace(self, **arrays)

    @staticmethod
    def joined(pieces: Sequence[Convergence], order: Array) -> Convergence:
        """The members of some pieces, in this order."""
        arrays = {name: np.concatenate([getattr(p, name) for p in pieces])[order] for name in _BY_MEMBER}
        return replace(pieces[0], **arrays)

    @property
    def mask(self) -> Array:
        """True where there is no solution."""
        return ~np.asarray(self.converged)

    def __str__(self) -> str:
        done, total = int(np.sum(self.converged)), np.size(self.converged)
        known = np.asarray(self.error)[np.isfinite(self.error)]
        worst = known.max(initial=0.0)
        members = "" if total == 1 else f"{done} of {total} members, "
        state = "converged" if done == total else "NOT converged"
        slow = "".join(f"; {what}: {count} times" for what, count in self.ways_out.items() if count)
        return (
            f"{state}: {members}{self.method}, {np.max(self.iterations)} iterations, "
            f"last correction {worst:.1g} {self.unit}{slow}"
        )

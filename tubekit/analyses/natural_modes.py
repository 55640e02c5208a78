"""Natural frequencies of a circuit at its idle point: does it settle, ring, or oscillate?

The poles are s0 - 1/λ, λ the eigenvalues of the storage seen through the resistive network (`poles.py`).
Those that would grow are proved by inverse iteration on the whole matrix before an amp is called
unstable. Source: a linear circuit is stable where no natural frequency has a real part above zero; any
network theory textbook.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy

from tubekit.analyses.operating_point import OperatingPoint
from tubekit.analyses.poles import SHIFT
from tubekit.circuit.full import linearised
from tubekit.circuit.network import Network
from tubekit.circuit.newton import on_one_core
from tubekit.circuit.reduction import solve_linear
from tubekit.result_fields import Array
from tubekit.text import Printed, Table, headed, quantity
from tubekit.units import show

HIGHEST_HZ = 2e6
"""Faster poles are left out: leads and layout decide there, not the parts; common practice, no source."""
FASTEST = 1e10
"""Growth is looked for up to this rate [1/s]: reversed feedback takes off faster than anything rings."""
PROVED = 1e-4
"""Last correction of a growing pole, relative to it, at which it counts as proved."""
GROWTH = 1e-2
"""Slower growth than this [1/s] is taken for rounding: it would take minutes to be heard."""


@dataclass(frozen=True, eq=False, repr=False)
class NaturalModes(Printed):
    """Natural frequencies of a circuit, and whether it is stable."""

    title: str
    poles: Array = quantity("rad/s", "p", "natural frequencies below 2 MHz, (N, M), NaN where fewer")
    growing: Array = quantity("rad/s", "p", "the pole that grows fastest, (N,), NaN where none does")

    @property
    def stable(self) -> Array:
        """True where nothing grows, (N,)."""
        return np.asarray(np.isnan(self.growing.real))

    @property
    def oscillates_hz(self) -> Array:
        """Frequency at which it takes off [Hz], (N,): 0 where it grows without swinging, NaN where stable."""
        return np.asarray(np.abs(self.growing.imag) / (2 * np.pi))

    def describe(self, member: int = 0) -> str:
        """Stable or not, in one sentence."""
        if self.stable[member]:
            return "stable"
        hertz = float(self.oscillates_hz[member])
        how = f"oscillates near {show(hertz, 'Hz')}" if hertz > 0 else "oscillates: it blocks or motorboats"
        return f"UNSTABLE: it {how}"

    def headline(self) -> str:
        """One line for the top of a print."""
        words = (
            self.describe()
            if len(self.growing) == 1
            else f"{self.stable.sum()} of {len(self.growing)} stable"
        )
        return f"{self.title or 'Circuit'}: {words}"

    def tables(self) -> list[Table]:
        """The natural frequencies of the first member, slowest first."""
        poles = self.poles[0]
        kept = poles[np.isfinite(poles) & (poles.imag >= 0)]
        rows = [
            (abs(p) / (2 * np.pi), -p.real, abs(p) / (2 * abs(p.real)) if p.imag > 0 else None)
            for p in sorted(kept, key=abs)
        ]
        heads = headed("natural frequency [Hz]", "dies away [1/s]", "Q")
        return [Table("Natural frequencies", heads, rows)]


@on_one_core
def natural_frequencies(point: OperatingPoint) -> NaturalModes:
    """Natural frequencies of a circuit at its idle point, sources at rest.

    Examples
    --------
    >>> from tubekit.analyses.operating_point import operating_point
    >>> from tubekit.circuit.parts import Capacitor, Circuit, Resistor
    >>> low = Circuit((Resistor("R1", "a", "ground", 1e4), Capacitor("C1", "a", "ground", 1e-7)))
    >>> result = natural_frequencies(operating_point(low))
    >>> result.poles.real.round(3).tolist(), bool(result.stable[0])
    ([[-1000.0]], True)
    """
    network = point.network
    return natural_modes(network, linearised(network, list(point.slopes)), point.circuit.title)


def natural_modes(network: Network, matrix: Array, title: str = "") -> NaturalModes:
    """The same for matrices; `matrix` (N, n, n) is G with the tubes' slopes in it."""
    poles = _poles(network, matrix)
    audible = np.where(np.abs(poles) <= 2 * np.pi * HIGHEST_HZ, poles, np.nan)
    growing = np.full(len(poles), np.nan, complex)
    storage = np.broadcast_to(network.storage, (len(poles), *network.storage.shape[1:]))
    for member, row in enumerate(poles):
        suspects = row[(row.real > GROWTH) & (row.imag >= 0) & (np.abs(row) < FASTEST)]
        for pole in sorted(suspects, key=lambda p: -p.real):
            proved = _proved(matrix[member], storage[member], complex(pole))
            if proved is not None and proved.real > GROWTH:
                growing[member] = proved
                break
    return NaturalModes(title, audible, growing)


def transfer_zeros(network: Network, matrix: Array, drive: Array, out: Array) -> list[Array]:
    """Zeros of the way from `drive` (n,) to `out` (n,) [rad/s], per member, below 2 MHz, slowest first.

    They are the natural frequencies at which the output stays nil whatever is driven: the generalised
    eigenvalues of the matrices bordered by input and output. Source: H. H. Rosenbrock, State-space and
    Multivariable Theory, 1970 (from memory).
    """
    size, result = len(drive) + 1, []
    storage = np.broadcast_to(network.storage, matrix.shape)
    for member in range(len(matrix)):
        fixed, moving = np.zeros((size, size)), np.zeros((size, size))
        fixed[:-1, :-1], moving[:-1, :-1] = matrix[member], storage[member]
        fixed[:-1, -1], fixed[-1, :-1] = drive / np.abs(drive).max(), out
        roots = scipy.linalg.eigvals(fixed, -moving)
        kept = roots[np.isfinite(roots) & (np.abs(roots) < 2 * np.pi * HIGHEST_HZ)]
        result.append(kept[np.argsort(np.abs(kept))])
    return result


def _poles(network: Network, matrix: Array) -> Array:
    edges, (factor, sign) = network.reactive, network.storage_factor
    stored = edges @ factor
    kept = np.abs(stored).max(axis=(0, 1), initial=0.0) > 0  # perfectly coupled coils store together
    stored, sign = stored[:, :, kept], sign[:, kept]
    shifted = matrix + SHIFT * network.storage
    solved = solve_linear(network, shifted, np.broadcast_to(stored, (len(shifted), *stored.shape[1:])))
    seen = np.matmul(stored.transpose(0, 2, 1), solved) * sign[:, None, :]
    eigenvalues = np.linalg.eigvals(seen)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(np.abs(eigenvalues) > 1e-14, SHIFT - 1.0 / eigenvalues, np.inf))


def _proved(matrix: Array, storage: Array, pole: complex) -> complex | None:
    """The pole refined on the whole matrix; None where it was none."""
    rng = np.random.default_rng(1)
    vector = rng.standard_normal(len(matrix)) + 0j
    for _ in range(8):
        try:
            moved = np.linalg.solve(matrix + pole * storage, storage @ vector)
        except np.linalg.LinAlgError:  # exactly at the pole
            return pole
        size = np.linalg.norm(moved)
        if not np.isfinite(size) or size == 0:
            return None
        step = np.vdot(moved, vector) / np.vdot(moved, moved)
        pole, vector = complex(pole - step), moved / size
        if abs(step) <= PROVED * abs(pole):
            return pole
    return None

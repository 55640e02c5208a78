"""A linear network at many frequencies for the price of one.

Every capacitor and coil is a column of V in C = V S V', S a row of signs. With K = (G + s0 C)^-1
and M = V' K V S, the Woodbury identity gives, exactly,

    (G + s C)^-1 = K - t K V S (1 + t M)^-1 V' K,     t = s - s0.

M is small (one row per capacitor or coil) and its eigenvalues are found once; each frequency then
costs a few multiplications. The poles of the network are s0 - 1/λ. No inverse of C is needed, so
loops of capacitors and perfectly coupled coils do no harm.
Source: Woodbury identity, Golub & Van Loan, Matrix Computations, §2.1.4 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tubekit.circuit.network import Network
from tubekit.circuit.reduction import solve_linear, solve_stack
from tubekit.result_fields import Array

SHIFT = 2 * np.pi * 50.0
"""s0 [rad/s]: any positive number would do; this one sits in the audio decades."""
TRUST = 1e-9
"""Largest difference from a direct solve that is accepted: share of the output's largest entry."""
PROOF = 2j * np.pi * np.array([5.0, 120.0, 5e3, 5e5])
"""Where a form is proven unless its user names the band: errors are largest at the ends."""


FEW = 4
"""So few frequencies are solved directly."""


@dataclass(frozen=True, eq=False)
class PoleForm:
    """Responses of `outputs` (J, n) to `inputs` (n, I), ready for any s.

    `eigenvalues` (N, m), `left` (N, J, m), `right` (N, m, I), `direct` (N, J, I).
    """

    eigenvalues: Array
    left: Array
    right: Array
    direct: Array

    def members(self, keep: Array) -> PoleForm:
        """Some of the batch."""
        return PoleForm(self.eigenvalues[keep], self.left[keep], self.right[keep], self.direct[keep])

    def at(self, s: Array) -> Array:
        """Transfer at complex frequencies s (K,) [rad/s]: shape (N, K, J, I)."""
        shifted = np.asarray(s) - SHIFT
        gain = -shifted[:, None] / (1.0 + shifted[:, None] * self.eigenvalues[:, None, :])
        if len(shifted) <= self.right.shape[2]:
            moving = np.matmul(self.left[:, None] * gain[:, :, None, :], self.right[:, None])
        else:  # one product a member: one for each frequency of each member is several times slower
            residues = self.left.transpose(0, 2, 1)[..., None] * self.right[:, :, None, :]
            members, modes, *seen = residues.shape
            moving = np.matmul(gain, residues.reshape(members, modes, math.prod(seen)))
            moving = moving.reshape(members, len(shifted), *seen)
        total: Array = self.direct[:, None] + moving
        return total

    def respond(self, s: Array, drive: Array) -> Array:
        """Outputs (N, K, J) when the inputs stand at `drive` (N, K, I): cheaper than `at`."""
        shifted = np.asarray(s) - SHIFT
        gain = -shifted[:, None] / (1.0 + shifted[:, None] * self.eigenvalues[:, None, :])
        modes = gain * np.matmul(drive, self.right.transpose(0, 2, 1))
        direct = np.matmul(drive, self.direct.transpose(0, 2, 1))
        return np.asarray(direct + np.matmul(modes, self.left.transpose(0, 2, 1)))

    @property
    def poles(self) -> Array:
        """Natural frequencies [rad/s], shape (N, m); infinite where a part stores nothing."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(np.abs(self.eigenvalues) > 1e-14, SHIFT - 1.0 / self.eigenvalues, -np.inf)


def _stores(
    network: Network, matrix: Array, outputs: Array, inputs: Array
) -> tuple[Array, Array, Array, Array, bool]:
    """The network at `SHIFT` as its stores see it: among them, from inputs, to outputs, straight through.

    Last whether every input has a finite answer.
    """
    edges, (factor, sign) = network.reactive, network.storage_factor
    stored = edges @ factor
    shifted = matrix + SHIFT * network.storage
    lead = len(shifted)
    columns = np.concatenate(
        (np.broadcast_to(stored, (lead, *stored.shape[1:])), np.broadcast_to(inputs, (lead, *inputs.shape))),
        axis=2,
    )
    solved = solve_linear(network, shifted, columns)
    of_stored, of_inputs = solved[:, :, : edges.shape[1]], solved[:, :, edges.shape[1] :]
    across, signs = stored.transpose(0, 2, 1), sign[:, None, :]
    return (
        np.matmul(across, of_stored) * signs, np.matmul(across, of_inputs),
        np.matmul(outputs, of_stored) * signs, outputs @ of_inputs, bool(np.isfinite(of_inputs).all()),
    )  # fmt: skip


def state_form(network: Network, matrix: Array, outputs: Array, inputs: Array) -> Callable[[Array], Array]:
    """Answers of (matrix + s C) of one network, solved at each frequency among what stores energy alone.

    Slower than a pole form, and right where its eigenvectors are too parallel. Arguments as for `pole_form`;
    returns a function from frequencies (K,) to answers (K, J, I).

    Examples
    --------
    >>> from tubekit.circuit.network import assemble
    >>> from tubekit.circuit.parts import Capacitor, Circuit, Resistor
    >>> rc = Circuit((Resistor("R1", "a", "ground", 1e4), Capacitor("C1", "a", "ground", 1e-8)))
    >>> network = assemble(rc)
    >>> answer = state_form(network, network.conductance, np.eye(1), np.eye(1))
    >>> answer(np.array([1e4j])).round(3).tolist()
    [[[(5000-5000j)]]]
    """
    result = _stores(network, matrix[:1], outputs, inputs)
    small, begun, through, straight = (each[0] for each in result[:4])

    def answer(s: Array) -> Array:
        off = (np.asarray(s) - SHIFT)[:, None, None]
        state = np.linalg.solve(
            np.eye(len(small)) + off * small, np.broadcast_to(begun, (len(off), *begun.shape))
        )
        return np.asarray(straight - off * (through @ state))

    return answer


def pole_form(
    network: Network,
    matrix: Array,
    outputs: Array,
    inputs: Array,
    proof: Array = PROOF,
    agree: Callable[[Array, Array], bool] | None = None,
) -> PoleForm | None:
    """Pole form of (matrix + s C); None where it misses a direct solve at `proof`.

    It misses where eigenvectors are too parallel: like stages in a row, each with the same time constants.
    `matrix` (N, n, n) is G with the tubes' slopes; `outputs` (J, n) and `inputs` (n, I) are the
    same for the whole batch. `agree` (found, exact) judges instead of the rule for every output.

    Examples
    --------
    >>> from tubekit.circuit.network import assemble
    >>> from tubekit.circuit.parts import Capacitor, Circuit, Resistor
    >>> rc = Circuit((Resistor("R1", "a", "ground", 1e4), Capacitor("C1", "a", "ground", 1e-8)))
    >>> network = assemble(rc)
    >>> form = pole_form(network, network.conductance, np.eye(1), np.eye(1))
    >>> form.poles.real.round(3).tolist()
    [[-10000.0]]
    >>> form.at(np.array([1e4j])).round(3).tolist()
    [[[[(5000-5000j)]]]]
    """
    small, begun, through, straight, known = _stores(network, matrix, outputs, inputs)
    eigenvalues, vectors = np.linalg.eig(np.where(np.isfinite(small), small, 0.0))
    right = solve_stack(vectors, begun.astype(complex))
    if np.isnan(right).all(axis=(1, 2)).any() and right.size and known:
        return None
    form = PoleForm(eigenvalues, np.matmul(through, vectors), right, straight)
    exact = direct_transfer(network, matrix, outputs, inputs, proof)
    return form if (agree or _agree)(form.at(proof), exact) else None


def _agree(result: Array, exact: Array) -> bool:
    """Per member, frequency and output; members without a solution have no say."""
    with np.errstate(invalid="ignore"):
        off = np.abs(result - exact).max(axis=3, initial=0.0)
        size = np.abs(exact).max(axis=3, initial=0.0)
    least = 1e-6 * size.max(axis=2, initial=0.0, keepdims=True)  # an output that nothing reaches
    return not bool(np.any(off > TRUST * np.maximum(size, least)))


def ends_and_middle(s: Array) -> Array:
    """The frequencies of a band at which a pole form is proven.

    Examples
    --------
    >>> ends_and_middle(np.array([1.0, 2.0, 3.0, 4.0, 5.0])).tolist()
    [1.0, 3.0, 5.0]
    """
    return np.asarray(s)[[0, len(s) // 2, -1]]


def transfer(network: Network, matrix: Array, outputs: Array, inputs: Array, s: Array) -> Array:
    """Response of `outputs` to `inputs` at every s: (N, K, J, I), by poles or else directly.

    Examples
    --------
    >>> from tubekit.circuit.network import assemble
    >>> from tubekit.circuit.parts import Capacitor, Circuit, Resistor
    >>> rc = Circuit((Resistor("R1", "a", "ground", 1e3), Capacitor("C1", "a", "ground", 1e-6)))
    >>> network = assemble(rc)
    >>> transfer(network, network.conductance, np.eye(1), np.eye(1), np.array([1000j])).tolist()
    [[[[(500-500j)]]]]
    """
    if len(s) > FEW:
        form = pole_form(network, matrix, outputs, inputs, ends_and_middle(s))
        if form is not None:
            return form.at(s)
    return direct_transfer(network, matrix, outputs, inputs, s)


def direct_transfer(network: Network, matrix: Array, outputs: Array, inputs: Array, s: Array) -> Array:
    """The same, one dense solve per frequency: the reference for the pole form.

    Examples
    --------
    >>> from tubekit.circuit.network import assemble
    >>> from tubekit.circuit.parts import Circuit, Resistor
    >>> network = assemble(Circuit((Resistor("R1", "a", "ground", 1e3),)))
    >>> direct_transfer(network, network.conductance, np.eye(1), np.eye(1), np.array([1j])).real.tolist()
    [[[[1000.0]]]]
    """
    storage = network.storage
    answers = []
    for each in np.asarray(s):
        right = np.broadcast_to(inputs.astype(complex), (len(matrix), *inputs.shape))
        answers.append(outputs @ solve_linear(network, matrix + each * storage, right))
    return np.stack(answers, axis=1)

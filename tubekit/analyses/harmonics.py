"""A linear network at the harmonics of one frequency: what nonlinear parts at its ports see and cause."""

from __future__ import annotations

from functools import cache

import numpy as np

from tubekit.analyses.elimination import ROUNDING, Sparse
from tubekit.analyses.poles import PoleForm, direct_transfer, ends_and_middle, pole_form
from tubekit.circuit.network import Network
from tubekit.circuit.parts import VoltageSource
from tubekit.circuit.reduction import inverse_stack, solve_stack
from tubekit.errors import CircuitError
from tubekit.result_fields import Array, evenly

AT_PORTS = 1e-7
"""Largest error of a pole form at the ports, a share of the largest response of a port."""
ELSEWHERE = 3e-5
"""Largest error at any other output, a share of its own largest response: 0.0003 dB of the hum there."""
MANY = 4
"""So many members are eliminated together by one plan, fewer by their poles."""
FIRST, KNOTS, PROOFS = 6, 18, 3
"""Of many harmonics so many are eliminated, the first of them one by one, and some more to prove the rest."""
MORE, BELOW, ABOVE = 6, 1.0 / 64.0, 8.0
"""Poles to interpolate by: so many more than knots, from so far below the first harmonic to
so many times the last.
"""


class Harmonics:
    """Answers of a linear network at harmonics s = 0, jw, 2jw ... (K+1,), by poles where they can be trusted.

    `edge` (n, R) are the ports at which nonlinear parts hang, `matrix` (N, n, n) is G. With `rails_only`
    the poles are proven where those parts look, and not at every microvolt elsewhere.
    """

    def __init__(
        self, network: Network, s: Array, edge: Array, matrix: Array, rails_only: bool = False
    ) -> None:
        self.s, self.edge = s, edge
        self.inputs, self.phasors = _inputs(network, edge)
        self.ports = edge.shape[1]
        self.network, self.matrix = network, matrix
        outputs, proof = np.eye(len(network.unknowns)), ends_and_middle(s[1:])

        def everywhere(result: Array, exact: Array) -> bool:
            return self._at_ports(result, exact) and _elsewhere(
                network, matrix, self.inputs, proof, result, exact
            )

        self.form: PoleForm | None = None
        self.sparse = Sparse.of(network, matrix) if len(matrix) >= MANY else None
        if self.sparse is None:
            self.form = pole_form(
                network, matrix, outputs, self.inputs, proof, self._at_ports if rails_only else everywhere
            )
        if self.form is None:
            self.at_edge = self._seen()  # (N, K, R, I)

    def _seen(self) -> Array:
        """What every input does to the ports at harmonics 1..K; by elimination of what members it can."""
        count, most = len(self.matrix), len(self.s) - 1
        result = np.empty((count, most, self.ports, self.inputs.shape[1]), complex)
        lost, few = np.arange(count), _knots(most)
        for knots, proofs in (few, (np.arange(most), few[1][:0])):
            if self.sparse is None:
                break
            at = np.concatenate((knots, proofs))
            seen, far = self.sparse.members(lost).seen(self.edge, self.inputs, self.s[1:][at], AT_PORTS)
            result[lost] = _between(knots, most, seen[:, : len(knots)])
            far |= ~self._alike(result[lost][:, proofs], seen[:, len(knots) :])
            lost = lost[far]
            if not len(lost):
                return result
        result[lost] = self.edge.T @ self._directly(lost)
        return result

    def _directly(self, lost: Array) -> Array:
        """Every unknown of members that elimination missed; one without a solution is NaN among others."""
        try:
            return direct_transfer(
                self.network.members(lost), self.matrix[lost], np.eye(len(self.edge)), self.inputs, self.s[1:]
            )
        except CircuitError:
            if len(lost) == len(self.matrix):
                raise
            return np.full((len(lost), len(self.s) - 1, *self.inputs.shape), np.nan, complex)

    def _alike(self, result: Array, exact: Array) -> Array:
        """Which members agree at each frequency within a share of the largest response of a port, (N,)."""
        with np.errstate(invalid="ignore"):
            off = np.abs(result - exact).max(axis=(2, 3), initial=0.0)
            size = np.abs(exact).max(axis=(2, 3), initial=0.0)
        return np.asarray(~(off > AT_PORTS * size).any(axis=1))

    def _at_ports(self, result: Array, exact: Array) -> bool:
        return bool(self._alike(self.edge.T @ result, self.edge.T @ exact).all())

    def impedance(self) -> Array:
        """Port impedances (N, K+1, R, R) [Ω]; harmonic 0 is left to the caller."""
        edge, ports = self.edge.T, slice(0, self.ports)
        if self.form is not None:
            form, s = self.form, self.s[1:]
            seen = PoleForm(
                form.eigenvalues, edge @ form.left, form.right[..., ports], edge @ form.direct[..., ports]
            ).at(s)
        else:
            seen = self.at_edge[..., ports]
        return np.concatenate((np.zeros_like(seen[:, :1]), seen), axis=1)

    def open_phasors(self) -> Array:
        """Open-voltage peak phasors of the ports (N, R) [V]."""
        if self.form is None:
            return np.asarray((self.at_edge[:, 0, :, self.ports :] * self.phasors[:, None]).sum(axis=2))
        drive = np.zeros((len(self.phasors), 1, self.inputs.shape[1]), complex)
        drive[:, 0, self.ports :] = self.phasors
        return np.asarray(self.form.respond(self.s[1:2], drive)[:, 0] @ self.edge)

    def all(self, currents: Array, keep: Array | None = None) -> Array:
        """Peak phasors of every unknown (N, K+1, n) for port currents (N, R, S), of the members `keep`."""
        if keep is None:
            keep = np.arange(len(currents))
        spectrum = np.fft.rfft(currents[keep])[:, :, 1:] * (2.0 / currents.shape[2])
        spectrum[:, :, -1] *= 0.5  # the last harmonic has no mirror image
        drive = np.zeros((len(keep), spectrum.shape[2], self.inputs.shape[1]), complex)
        drive[:, :, : self.ports] = -spectrum.transpose(0, 2, 1)
        drive[:, 0, self.ports :] = self.phasors[keep]
        result = np.zeros((len(keep), len(self.s), len(self.edge)), complex)
        answer = result[:, 1:]
        if self.form is not None:
            answer[:] = self.form.members(keep).respond(self.s[1:], drive)
            return result
        lost = np.ones(len(keep), bool)
        if self.sparse is not None:
            lost = self.sparse.members(keep).driven(self.inputs, drive, self.s[1:], ELSEWHERE, answer)
        if lost.any():
            matrix, storage = self.matrix[keep][lost], self.network.members(keep).storage
            storage = np.broadcast_to(storage, (len(keep), *matrix.shape[1:]))[lost]
            for k, s in enumerate(self.s[1:]):
                right = self.inputs @ drive[lost, k, :, None]
                answer[lost, k] = solve_stack(matrix + s * storage, right)[..., 0]
        return result


@cache
def _knots(most: int) -> tuple[Array, Array]:
    """Places of the harmonics 1..`most` that are eliminated, ever further apart, and of some between them."""
    if most <= KNOTS + PROOFS:
        return np.arange(most), np.arange(0)
    spread = np.geomspace(FIRST, most, KNOTS - FIRST + 1).round().astype(int)
    knots = np.union1d(np.arange(1, FIRST), spread) - 1
    between = (knots[1:] + knots[:-1])[np.diff(knots) > 1] // 2
    return knots, between[evenly(len(between), PROOFS)]


def _between(knots: Array, most: int, seen: Array) -> Array:
    """Responses (N, K, R, I) at harmonics 1..K from those at `knots`, as a sum of real poles and a line.

    Nothing in a supply rings within the band, so that its own poles need not be known; proofs find what does.
    """
    if len(knots) == most:
        return seen
    parts = np.concatenate((seen.real, seen.imag), axis=1).reshape(len(seen), 2 * len(knots), -1)
    real, imaginary = np.split(np.matmul(_operator(tuple(knots), most), parts), 2, axis=1)
    return np.asarray((real + 1j * imaginary).reshape(len(seen), most, *seen.shape[2:]))


@cache
def _operator(knots: tuple[int, ...], most: int) -> Array:
    """From responses at the knots to all, real parts before imaginary: (2 K, 2 knots).

    The terms are orthogonal on the whole axis: S. Takenaka (1925) and F. Malmquist (1926) (from memory).
    """
    poles = np.geomspace(BELOW, most * ABOVE, len(knots) + MORE)

    def terms(orders: Array) -> Array:
        s = 1j * orders
        passed, each = np.ones_like(s), [np.ones_like(s), s / most]
        for pole in poles:
            each.append(passed * pole / (s + pole))
            passed = passed * (s - pole) / (s + pole)
        both = np.stack(each, axis=1)
        return np.concatenate((both.real, both.imag))

    q, r = np.linalg.qr(terms(1.0 + np.array(knots)))
    return np.asarray(np.linalg.solve(r.T, terms(np.arange(1.0, most + 1.0)).T).T @ q.T)


def _inputs(network: Network, edge: Array) -> tuple[Array, Array]:
    """Unit inputs (n, I): ports, then voltage sources; and the sources' peak phasors (N, sources)."""
    rows = [network.unknowns.index(f"I({p.name})") for p in network.circuit.of(VoltageSource)]
    sources = np.eye(len(network.unknowns))[:, rows]
    return np.concatenate((edge, sources), axis=1), network.ac[:, rows]


def _elsewhere(
    network: Network, matrix: Array, inputs: Array, proof: Array, result: Array, exact: Array
) -> bool:
    """Every output within its share of what it is at any of the frequencies, or within rounding."""
    with np.errstate(invalid="ignore"):
        off = np.abs(result - exact).max(axis=3)
        allowed = ELSEWHERE * np.abs(exact).max(axis=(1, 3))[:, None]
        far = (off > allowed).any(axis=(1, 2))
        if not far.any():
            return True
        rounding = _rounding(network.members(far), matrix[far], inputs, proof, exact[far])
    return not bool(np.any(off[far] > np.maximum(allowed[far], rounding)))


def _rounding(network: Network, matrix: Array, inputs: Array, proof: Array, exact: Array) -> Array:
    """What rounding may do to each output of a direct solve, (N, K, n): |inv(A)| (|A| |x| + |b|) roundings.

    Source: componentwise bound, Higham, Accuracy and Stability of Numerical Algorithms, §7.2 (from memory).
    """
    bounds = []
    for k, s in enumerate(proof):
        system = matrix + s * network.storage
        flows = np.matmul(np.abs(system), np.abs(exact[:, k])) + np.abs(inputs)
        spread = np.nan_to_num(np.abs(inverse_stack(system)))  # a member without a solution has no say
        bounds.append(np.matmul(spread, flows).max(axis=2))
    return ROUNDING * np.stack(bounds, axis=1)


def wave(spectrum: Array, samples: int) -> Array:
    """From peak phasors (N, K+1) to samples (N, S), S at least 2 K.

    Examples
    --------
    >>> wave(np.array([[10.0, 2.0, 0.0]]), 4).round(6).tolist()
    [[12.0, 10.0, 8.0, 10.0]]
    """
    scaled = spectrum * (samples / 2.0)
    scaled[:, 0] *= 2.0
    if samples == 2 * (scaled.shape[1] - 1):
        scaled[:, -1] *= 2.0
    return np.asarray(np.fft.irfft(scaled, n=samples, axis=1))

"""A linear network at the harmonics of one frequency: what nonlinear parts at its ports see and cause."""

from __future__ import annotations

import numpy as np

from tubekit.analyses.elimination import Swept, swept
from tubekit.analyses.poles import PoleForm, direct_transfer, ends_and_middle, pole_form
from tubekit.circuit.network import Network
from tubekit.circuit.parts import VoltageSource
from tubekit.circuit.reduction import inverse_stack
from tubekit.errors import CircuitError
from tubekit.result_fields import Array

AT_PORTS = 1e-7
"""Largest error of a pole form at the ports, a share of the largest response of a port."""
ELSEWHERE = 3e-5
"""Largest error at any other output, a share of its own largest response: 0.0003 dB of the hum there."""
MANY = 4
"""So many members are eliminated together by one plan, fewer by their poles."""
ROUNDING = 64 * float(np.finfo(float).eps)
"""A direct solve is no better than this many roundings: a primary that floats has no voltage to ground."""


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
        outputs, proof = np.eye(len(network.unknowns)), ends_and_middle(s[1:])

        def everywhere(result: Array, exact: Array) -> bool:
            return self._at_ports(result, exact) and _elsewhere(
                network, matrix, self.inputs, proof, result, exact
            )

        self.form: PoleForm | None = None
        self.swept: Swept | None = None
        self.lost = np.ones(len(matrix), bool)
        if rails_only and len(matrix) >= MANY:
            self.swept = swept(network, matrix, self.inputs, s[1:], edge, AT_PORTS)
            self.at_edge, self.lost = self.swept.at_edge, self.swept.lost  # (R, I, N, K), (N,)
        else:
            agree = self._at_ports if rails_only else everywhere
            self.form = pole_form(network, matrix, outputs, self.inputs, proof, agree)
        if self.form is None and self.lost.any():
            self._directly(network, matrix)

    def _directly(self, network: Network, matrix: Array) -> None:
        """Members that elimination missed, by direct solves; one without a solution is NaN among others."""
        lost, every = self.lost, np.eye(matrix.shape[1])
        try:
            result = direct_transfer(network.members(lost), matrix[lost], every, self.inputs, self.s[1:])
        except CircuitError:
            if lost.all():
                raise
            result = np.full((int(lost.sum()), len(self.s) - 1, *self.inputs.shape), np.nan, complex)
        self.direct = result  # (L, K, n, I)
        seen = np.tensordot(self.edge.T, result, (1, 2)).transpose(0, 3, 1, 2)
        if self.swept is None:
            self.at_edge = seen
        else:
            self.at_edge[:, :, lost] = seen

    def _at_ports(self, result: Array, exact: Array) -> bool:
        """Per member and frequency, against the largest response of a port."""
        with np.errstate(invalid="ignore"):
            off = np.abs(self.edge.T @ (result - exact)).max(axis=(2, 3), initial=0.0)
            size = np.abs(self.edge.T @ exact).max(axis=(2, 3), initial=0.0)
        return not bool(np.any(off > AT_PORTS * size))

    def impedance(self) -> Array:
        """Port impedances (N, K+1, R, R) [Ω]; harmonic 0 is left to the caller."""
        edge, ports = self.edge.T, slice(0, self.ports)
        if self.form is not None:
            form, s = self.form, self.s[1:]
            seen = PoleForm(
                form.eigenvalues, edge @ form.left, form.right[..., ports], edge @ form.direct[..., ports]
            ).at(s)
        else:
            seen = self.at_edge[:, ports].transpose(2, 3, 0, 1)
        return np.concatenate((np.zeros_like(seen[:, :1]), seen), axis=1)

    def open_phasors(self) -> Array:
        """Open-voltage peak phasors of the ports (N, R) [V]."""
        if self.form is None:
            return np.asarray((self.at_edge[:, self.ports :, :, 0] * self.phasors.T).sum(axis=1).T)
        drive = np.zeros((len(self.phasors), 1, self.inputs.shape[1]), complex)
        drive[:, 0, self.ports :] = self.phasors
        return np.asarray(self.form.respond(self.s[1:2], drive)[:, 0] @ self.edge)

    def all(self, currents: Array) -> Array:
        """Peak phasors of every unknown (N, K+1, n) for port currents (N, R, S)."""
        spectrum = np.fft.rfft(currents)[:, :, 1:] * (2.0 / currents.shape[2])
        spectrum[:, :, -1] *= 0.5  # the last harmonic has no mirror image
        drive = np.zeros((len(currents), spectrum.shape[2], self.inputs.shape[1]), complex)
        drive[:, :, : self.ports] = -spectrum.transpose(0, 2, 1)
        drive[:, 0, self.ports :] = self.phasors
        if self.form is not None:
            answer = self.form.respond(self.s[1:], drive)
        else:
            size = (len(drive), drive.shape[1], len(self.edge))
            answer = np.empty(size, complex) if self.swept is None else self.swept.everywhere(drive)
            if self.lost.any():
                answer[self.lost] = (self.direct * drive[self.lost][:, :, None]).sum(axis=3)
        return np.concatenate((np.zeros_like(answer[:, :1]), answer), axis=1)


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

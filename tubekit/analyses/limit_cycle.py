"""The swing an oscillator settles at: its rate and its volts, without running it in time.

The tubes of the oscillator are taken whole, all others by their slopes. Over one cycle of unknown rate the
volts at their ports obey u = -Z(jkw) i(u) at every harmonic k, with Z the network about them (harmonic
balance, textbook). A swing is grown from nothing: for each, Newton finds the share of the tubes' strength
that just keeps it up; where that is all of it, the oscillator stays.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np

from tubekit.analyses.operating_point import OperatingPoint
from tubekit.analyses.poles import pole_form, state_form
from tubekit.circuit.full import linearised
from tubekit.circuit.newton import block_diagonal, evaluate
from tubekit.circuit.reduction import solve_stack
from tubekit.result_fields import Array

HARMONICS = 12
FIRST_V, MOST_V = 0.5, 1e3
"""Swing of the busiest port that is begun with, and where the search ends [V peak]."""
GROWTH, LEAST_GROWTH = 1.4, 1.02
"""How the swing grows from one solution to the next."""
ITERATIONS, ACCURATE, FARTHEST = 30, 1e-6, 0.4
"""Newton's steps, what ends them, and how far one may move the logarithms of rate and strength."""
SHORTER = (1.0, 0.5, 0.25, 0.1)
LOOKED_AT, SPAN = 120, (0.3, 5.0)
"""Rates at which a beginning is looked for, and how far from the growing one."""
HELD_S = 1.0
"""Conductance that stands for a supply that holds a node [S]."""
MOMENTS = 2 * HARMONICS + 1
ANGLE = 2 * np.pi * np.arange(MOMENTS) / MOMENTS
TURNS = np.exp(1j * np.arange(HARMONICS + 1)[:, None, None] * (ANGLE[:, None] - ANGLE[None]))
TURNS[1:] *= 2.0


@dataclass(frozen=True, eq=False)
class LimitCycle:
    """One cycle: `hertz`, and `port_volts` (M, P) off the idle ones over M moments, for every tube port."""

    hertz: float
    port_volts: Array


def limit_cycle(
    point: OperatingPoint, sections: Sequence[str], rate: float, held: Sequence[str] = ()
) -> LimitCycle | None:
    """The swing of an oscillator about an idle point of one amp; None where none is found.

    Parameters
    ----------
    sections : tubes of the oscillator and those that it drives hard.
    rate : at which it grows at idle [rad/s].
    held : nodes that a supply holds still.
    """
    ring = _Ring(point, tuple(sections), tuple(held), rate)
    begun = ring.beginning()
    if begun is None:
        return None
    first, strength, mode = begun
    lead = int(np.argmax(np.abs(mode)))
    last = FIRST_V * (np.exp(1j * ANGLE)[:, None] * (mode / mode[lead])).real.ravel()
    last, swing, growth, scale = (
        np.append(last, [np.log(first / rate), np.log(strength)]),
        FIRST_V,
        GROWTH,
        1.0,
    )
    while growth > LEAST_GROWTH and swing < MOST_V:
        result = ring.newton(np.append(last[:-2] * scale, last[-2:]), lead, swing * scale)
        if result is None:
            growth = scale = float(np.sqrt(growth))
            continue
        if result[-1] >= 0.0 and (settled := ring.newton(result, lead, None)) is not None:
            return ring.cycle(settled)
        last, swing, scale = result, swing * scale, growth
    return None


@dataclass(frozen=True, eq=False)
class _Ring:
    """The oscillator's ports and the network about them. Unknowns: volts, log of rate and of strength."""

    point: OperatingPoint
    sections: tuple[str, ...]
    held: tuple[str, ...]
    near: float

    @cached_property
    def own(self) -> list[int]:
        """Places of its ports among all."""
        return [k for k, (name, _) in enumerate(self.point.network.port_names) if name in self.sections]

    @cached_property
    def idle(self) -> tuple[Array, Array]:
        """Volts and currents of every port at idle."""
        volts = np.asarray(self.point.port_volts)[0]
        return volts, evaluate(self.point.network.groups, volts[None])[0]

    @cached_property
    def transfer(self) -> Callable[[Array], Array]:
        """Volts at all ports for an ampere from each own one, over complex frequencies: (K, P, own)."""
        network = self.point.network
        slopes = [
            each * np.array([name not in self.sections for name in group.names], float)[:, None, None]
            for group, each in zip(network.groups, self.point.slopes, strict=True)
        ]
        matrix = linearised(network, slopes)[:1].copy()
        for place in {network.index[node] for node in self.held if node in network.index} - {-1}:
            matrix[0, place, place] += HELD_S
        rows, columns = network.incidence.T, network.incidence[:, self.own]
        form = pole_form(network, matrix, rows, columns, 1j * self.near * np.array([0.3, 1.0, 12.0, 60.0]))
        if form is not None:
            return lambda s: form.at(s)[0]
        return state_form(network, matrix, rows, columns)

    def beginning(self) -> tuple[float, float, Array] | None:
        """Rate, strength and volts at which it just keeps up a small swing; the strongest where several."""
        small = self.currents(np.zeros(MOMENTS * len(self.own)))[1][: len(self.own), : len(self.own)]
        rates = self.near * np.geomspace(*SPAN, LOOKED_AT)
        loops = -self.transfer(1j * rates)[:, self.own] @ small
        values, modes = np.linalg.eig(loops)
        result: list[tuple[float, float, Array]] = []
        for k, (before, after) in enumerate(pairwise(values)):
            for j, value in enumerate(after):
                was = before[np.argmin(np.abs(before - value))]
                if was.imag * value.imag < 0.0 and value.real > 1.0 and was.real > 0.0:
                    part = was.imag / (was.imag - value.imag)
                    rate = float(rates[k] * (rates[k + 1] / rates[k]) ** part)
                    result.append((rate, float(1.0 / value.real), modes[k + 1][:, j]))
        return min(result, key=lambda each: each[1], default=None)

    def currents(self, u: Array) -> tuple[Array, Array]:
        """Currents off the idle ones at volts off the idle ones, over all moments, and their slopes."""
        volts, still = self.idle
        at = np.repeat(volts[None], MOMENTS, axis=0)
        at[:, self.own] += u.reshape(MOMENTS, -1)
        groups = self.point.network.groups
        amps, blocks = evaluate(groups, at)
        each = block_diagonal(groups, blocks)[:, self.own][:, :, self.own]
        slope = np.zeros((MOMENTS, len(self.own), MOMENTS, len(self.own)))
        slope[np.arange(MOMENTS), :, np.arange(MOMENTS)] = each
        return (amps - still)[:, self.own].ravel(), slope.reshape(u.size, -1)

    def _sounding(self, rate: float) -> Array:
        """From currents to volts over all moments."""
        z = self.transfer(1j * rate * np.arange(HARMONICS + 1))[:, self.own]
        result = np.einsum("kab,kpq->apbq", TURNS, z, optimize=True).real / MOMENTS
        return np.asarray(result.reshape(MOMENTS * len(self.own), -1))

    def balance(self, z: Array, lead: int, swing: float | None) -> tuple[Array, Array]:
        """What is left over, and its slopes; at full strength where no `swing` is asked for."""
        u, rate, strength = z[:-2], self.near * np.exp(z[-2]), np.exp(z[-1])
        sine, cosine = np.zeros((2, MOMENTS, len(self.own)))
        sine[:, lead], cosine[:, lead] = (2.0 / MOMENTS * f(ANGLE) for f in (np.sin, np.cos))
        amps, slope = self.currents(u)
        whole = strength * self._sounding(rate)
        volts = whole @ amps
        more = (strength * self._sounding(rate * 1.0001) @ amps - volts) / 1e-4
        if swing is None:
            aim, level = z[-1], np.eye(len(z))[-1]
        else:
            aim, level = cosine.ravel() @ u - swing, np.append(cosine, [0.0, 0.0])
        left = np.concatenate([u + volts, [sine.ravel() @ u, aim]])
        rows = np.hstack([np.eye(len(u)) + whole @ slope, more[:, None], volts[:, None]])
        return left, np.vstack([rows, np.append(sine, [0.0, 0.0]), level])

    def newton(self, z: Array, lead: int, swing: float | None) -> Array | None:
        """The unknowns in balance; None where Newton does not arrive."""
        left, jacobian = self.balance(z, lead, swing)
        for _ in range(ITERATIONS):
            step = solve_stack(jacobian[None], -left[None, :, None])[0, :, 0]
            if not np.isfinite(step).all():
                return None
            step = step * min(1.0, FARTHEST / max(float(np.abs(step[-2:]).max()), 1e-9))
            for part in SHORTER:
                after, slopes = self.balance(z + part * step, lead, swing)
                if np.linalg.norm(after) < np.linalg.norm(left):
                    break
            z, left, jacobian = z + part * step, after, slopes
            if np.abs(left).max() < ACCURATE * (1.0 + np.abs(z).max()):
                return z
        return None

    def cycle(self, z: Array) -> LimitCycle:
        """The cycle at these unknowns, at every port."""
        rate = float(self.near * np.exp(z[-2]))
        spectrum = np.fft.rfft(self.currents(z[:-2])[0].reshape(MOMENTS, -1), axis=0)
        result = -(self.transfer(1j * rate * np.arange(HARMONICS + 1)) @ spectrum[..., None])[..., 0]
        return LimitCycle(rate / (2 * np.pi), np.fft.irfft(result, n=MOMENTS, axis=0))

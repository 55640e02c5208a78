"""One step of a circuit in time: the trapezoidal rule, then a backward formula, Newton at the ports.

The equations are those of the whole network,

    C dx/dt + G x + E i(E'x) = s(t)

with tubes and rectifiers at the ports E. With a fixed step the matrix G + 2C/(γh) is constant; seen from
the ports it is as small as the number of tube terminals and diodes. Both stages use the same matrix when
γ = 2 - √2. The rule is of second order, damps what is infinitely fast (perfectly coupled coils, sources
that jump) and estimates its own error.
Source: R. E. Bank et al., "Transient simulation of silicon devices and circuits", IEEE Trans. Electron
Devices ED-32 (1985) (from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Protocol

import numpy as np

from tubekit.circuit.network import Group, Network, RectifierSet
from tubekit.circuit.newton import block_diagonal, evaluate
from tubekit.circuit.reduction import inverse_stack, solve_linear, solve_stack
from tubekit.devices.rectifier import RectifierLaw
from tubekit.result_fields import Array

Emission = Callable[[str, float], float]
"""Emission of a tube section or rectifier (by name) at a time [s]; 1 is warm and new."""

GAMMA = 2.0 - np.sqrt(2.0)
BLEND = 1.0 / (GAMMA * (2.0 - GAMMA))
ERROR = 2.0 * (-3.0 * GAMMA**2 + 4.0 * GAMMA - 2.0) / (12.0 * (2.0 - GAMMA))
COLD = 1e-7
"""Emission of a cold cathode: laws need something above nil."""
MAX_ITERATIONS, HALVINGS = 40, 8
STAGES = 12
USUAL_V = (-60.0, 600.0)
ARRIVED = 1e-6
"""Newton ends at corrections below this [V], and below the same share of a port's voltage."""
GAINED = 100.0
"""Corrections are at most this many times what is left: tubes amplify it."""


@dataclass(frozen=True, eq=False)
class Devices:
    """What hangs at the ports: tube groups, then rectifiers; `swing` (P, A) is added to the port
    voltages of tubes and their currents averaged over it (a drive at audio frequency, held).
    """

    groups: tuple[Group, ...]
    laws: tuple[RectifierLaw, ...]
    places: tuple[Array, ...]
    names: tuple[str, ...]
    swing: Array | None = None

    @classmethod
    def of(cls, network: Network, swing: Array | None = None) -> Devices:
        """The devices of a network, warm."""
        rectifiers = network.rectifier_laws()
        names = tuple(one.name for one in network.rectifiers)
        return cls(network.groups, rectifiers.laws, rectifiers.places, names, swing)

    @cached_property
    def rectifiers(self) -> RectifierSet:
        """The rectifiers over a cycle of the line."""
        return RectifierSet(self.laws, self.places)

    def at(self, time: float, emission: Emission | None) -> Devices:
        """The devices with their emission at a time."""
        if emission is None:
            return self

        def warm(name: str) -> float:
            return max(COLD, emission(name, time))

        groups = tuple(
            replace(group, law=group.law.worn(np.array([warm(name) for name in group.names])))
            for group in self.groups
        )
        laws = tuple(
            law.worn(np.array([warm(self.names[k]) for k in at]))
            for law, at in zip(self.laws, self.places, strict=True)
        )
        return replace(self, groups=groups, laws=laws)

    def tubes(self, volts: Array) -> tuple[Array, Array]:
        """Port currents (P,) and slopes (P, P) of the tubes."""
        if self.swing is None:
            currents, slopes = evaluate(self.groups, volts[None])
            return currents[0], block_diagonal(self.groups, slopes)[0]
        currents, slopes = evaluate(self.groups, volts[None] + self.swing.T)
        return currents.mean(axis=0), block_diagonal(self.groups, slopes).mean(axis=0)

    def through(self, drive: Array, resistance: Array) -> tuple[Array, Array]:
        """Currents and slopes of the rectifiers, each behind its resistance."""
        current, slope = np.empty_like(drive), np.empty_like(drive)
        for law, at in zip(self.laws, self.places, strict=True):
            current[at], slope[at] = law.through(drive[at], resistance[at])
        return current, slope


class Closure(Protocol):
    """How the ports are solved: at the instant, or averaged over the line cycle."""

    def solve(self, pencil: Pencil, right: Array, devices: Devices) -> Solution | None:
        """Unknowns that satisfy (G + aC) x + E i = right; None where Newton did not arrive."""


@dataclass(frozen=True, eq=False)
class Solution:
    """Unknowns x (n,), port currents (P + R,), and the slopes of the tubes there (P, P)."""

    x: Array
    currents: Array
    slopes: Array


@dataclass(frozen=True, eq=False)
class Pencil:
    """G + aC solved once: `inverse` (n, n), and the same seen from the ports."""

    a: float
    charge: Array
    inverse: Array
    edge: Array
    seen: Array
    tubes: int

    @classmethod
    def of(cls, network: Network, a: float) -> Pencil:
        """For one network and one factor a [1/s]."""
        storage = network.storage[0]
        matrix = network.conductance[0] + a * storage
        inverse = solve_linear(network, matrix[None], np.eye(len(matrix))[None])[0]
        edge = np.concatenate((network.incidence, network.rectifier_incidence), axis=1)
        seen = edge.T @ inverse @ edge
        return cls(a, a * storage, inverse, edge, seen, network.incidence.shape[1])

    @property
    def resistance(self) -> Array:
        """What each port sees at once: nil for tubes, a positive resistance for rectifiers [Ω]."""
        own = np.zeros(len(self.seen))
        corner = self.seen[self.tubes :, self.tubes :]
        if len(corner):
            top = 1.0 / np.diagonal(inverse_stack((corner + np.eye(len(corner)))[None])[0]) - 1.0
            own[self.tubes :] = np.maximum(top, 1.0)
        return own

    def unknowns(self, right: Array, currents: Array) -> Array:
        """Solution for a right side and port currents."""
        return np.asarray(self.inverse @ (right - self.edge @ currents))


def newton(
    seen: Array,
    opened: Array,
    own: Array,
    devices: Devices,
    start: Array,
    tubes: int,
    known: tuple[Array, Array] | None = None,
) -> tuple[Array, Array, Array] | None:
    """Drives u, currents and slopes with u - own·i = opened - seen·i; None where it does not arrive.

    For a tube port `own` is nil and u its voltage; for a rectifier u is its voltage plus own·i, in
    which the problem is nearly linear. `known` are the currents and slopes at `start`.
    """
    beyond = seen - np.diag(own)
    here, unit = start, np.eye(len(start))
    currents, slopes = known or _currents(devices, here, own, tubes)
    left = here - opened + beyond @ currents
    for _ in range(MAX_ITERATIONS):
        step = solve_stack((unit + beyond @ slopes)[None], -left[None, :, None])[0, :, 0]
        if not np.isfinite(step).all():
            return None
        scale, before = 1.0, float(np.linalg.norm(left))
        for _ in range(HALVINGS):
            trial = here + scale * step
            currents, slopes = _currents(devices, trial, own, tubes)
            left = trial - opened + beyond @ currents
            if np.linalg.norm(left) <= max(before, 1e-9):
                break
            scale *= 0.5
        here = trial
        # What is left bounds the next step: no need to take it where it is small already.
        if np.all(np.minimum(np.abs(step), GAINED * np.abs(left)) <= ARRIVED * (1.0 + np.abs(here))):
            return here, currents, slopes
    return None


def reach(
    seen: Array,
    opened: Array,
    own: Array,
    devices: Devices,
    near: Array | None,
    tubes: int,
    known: tuple[Array, Array] | None = None,
) -> tuple[Array, Array, Array] | None:
    """`newton` from a near solution, else with the tubes pulled out, else from what tubes stand.

    `known` are the currents and slopes at `near`.
    """
    usual = np.clip(opened, *USUAL_V)  # a coil whose tube is pulled out stands at thousands of volts
    for start in (near, opened, usual):
        if start is not None:
            result = newton(seen, opened, own, devices, start, tubes, known if start is near else None)
            if result is not None:
                return result
    here = np.zeros_like(opened)
    for k in range(1, STAGES + 1):  # the sources brought up from nil
        result = newton(seen, opened * (k / STAGES) ** 2, own, devices, here, tubes)
        if result is None:
            return None
        here = result[0]
    return result


def _currents(devices: Devices, drive: Array, own: Array, tubes: int) -> tuple[Array, Array]:
    currents, slopes = np.empty_like(drive), np.zeros((len(drive), len(drive)))
    if tubes:
        currents[:tubes], slopes[:tubes, :tubes] = devices.tubes(drive[:tubes])
    if tubes < len(drive):
        currents[tubes:], slope = devices.through(drive[tubes:], own[tubes:])
        rest = np.arange(tubes, len(drive))
        slopes[rest, rest] = slope
    return currents, slopes


class Instant:
    """Rectifiers and tubes at every instant."""

    def __init__(self, tube_volts: Array | None = None) -> None:
        self.tube_volts = tube_volts  # where the first solve starts
        self.drive: Array | None = None
        self.before: Array | None = None

    def solve(self, pencil: Pencil, right: Array, devices: Devices) -> Solution | None:
        """See `Closure`."""
        opened, own = (pencil.inverse @ right) @ pencil.edge, pencil.resistance
        near = self.drive
        if near is not None and self.before is not None:  # as far again as the last stage went
            near = 2.0 * near - self.before
        if near is None and self.tube_volts is not None:
            near = np.concatenate((self.tube_volts, opened[pencil.tubes :]))
        result = reach(pencil.seen, opened, own, devices, near, pencil.tubes)
        if result is None:
            return None
        self.before = self.drive
        self.drive, currents, slopes = result
        return Solution(pencil.unknowns(right, currents), currents, slopes)

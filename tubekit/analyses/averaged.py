"""A supply over many line cycles without following each: the mean moves, the ripple is settled at once.

With x̄ the mean over a line cycle and ī the mean port currents,

    C dx̄/dt + G x̄ + E ī = s̄

The mean current of the rectifiers comes from a whole cycle in periodic steady state about the mean
voltages of the moment (`cycle.py`), in which the tubes are their slopes and the harmonics of the line see
the network as if the means stood still. That holds once the rails move little within a cycle: from a few
cycles after switch-on. Source: averaging of periodically driven circuits (Krylov-Bogoliubov); any text.
"""

from __future__ import annotations

import numpy as np

from tubekit.analyses.cycle import Cycle, Ports, solve_cycle
from tubekit.analyses.harmonics import Harmonics, wave
from tubekit.analyses.stepping import Devices, Pencil, Solution, reach
from tubekit.circuit.network import Network
from tubekit.circuit.reduction import inverse_stack
from tubekit.result_fields import Array

SAMPLES = 128
ROUNDS = 30
AGREED_V = 1e-4
"""Tubes and rectifiers agree on the port voltages to this [V]."""
SLOPE_MOVED = 0.1
"""The harmonics are worked out anew once a tube's slope has moved by this share of the steepest."""


class Averaged:
    """Rectifiers as their mean over a line cycle; see the equations above."""

    def __init__(
        self, network: Network, frequency_hz: float, tube_volts: Array | None = None, samples: int = SAMPLES
    ) -> None:
        self.network, self.samples = network, samples
        self.s = 2j * np.pi * frequency_hz * np.arange(samples // 2 + 1)
        self.cycle: Cycle | None = None
        self.volts = tube_volts  # where the first solve starts
        self.slopes: Array | None = None

    def solve(self, pencil: Pencil, right: Array, devices: Devices) -> Solution | None:
        """See `stepping.Closure`."""
        tubes, seen = pencil.tubes, pencil.seen
        opened = (pencil.inverse @ right) @ pencil.edge
        volts = opened[:tubes] if self.volts is None else self.volts
        none = np.zeros(tubes)
        known = devices.tubes(volts) if tubes else (volts, np.zeros((0, 0)))
        for _ in range(ROUNDS):
            lined = self._average(pencil, opened, volts, devices, known)
            if lined is None or self.cycle is None:
                return None
            means = self.cycle.currents[0].mean(axis=1)
            held = opened[:tubes] - seen[:tubes, tubes:] @ means
            result = reach(seen[:tubes, :tubes], held, none, devices, volts, tubes, known)
            if result is None:
                return None
            volts, currents, slopes = result
            known = currents, slopes
            if np.all(np.abs(volts - lined) <= AGREED_V):
                self.volts = volts
                every = np.concatenate((currents, means))
                return Solution(pencil.unknowns(right, every), every, slopes)
        return None

    def _average(
        self, pencil: Pencil, opened: Array, volts: Array, devices: Devices, known: tuple[Array, Array]
    ) -> Array | None:
        """One line cycle with the tubes as lines through `known`, their currents and slopes at `volts`.

        Where these lines lead the port voltages is given back; None where the cycle is not found.
        """
        tubes, seen = pencil.tubes, pencil.seen
        currents, slopes = known
        self._refresh(slopes)
        fixed = currents - slopes @ volts
        to_tubes, to_rest = seen[:tubes, :tubes], seen[tubes:, :tubes]
        lined = inverse_stack((np.eye(tubes) + to_tubes @ slopes)[None])[0]
        alone, from_rest = lined @ (opened[:tubes] - to_tubes @ fixed), lined @ seen[:tubes, tubes:]
        open_rest = opened[tubes:] - to_rest @ (fixed + slopes @ alone)
        impedance = self.impedance.copy()
        impedance[0, 0] = seen[tubes:, tubes:] - to_rest @ slopes @ from_rest
        ports = Ports(impedance, open_rest[None], self.phasors, devices.rectifiers)
        cycle = solve_cycle(ports, self.cycle)
        if not cycle.converged[0] and self.cycle is not None:
            cycle = solve_cycle(ports, None)
        self.cycle = cycle
        return alone - from_rest @ cycle.currents[0].mean(axis=1) if cycle.converged[0] else None

    def _refresh(self, slopes: Array) -> None:
        """Impedance of the rectifier ports at the harmonics of the line frequency, once slopes have moved."""
        old = self.slopes
        steepest = float(np.abs(slopes).max(initial=1e-9))
        if old is not None and np.abs(slopes - old).max(initial=0.0) <= SLOPE_MOVED * steepest:
            return
        network, edge = self.network, self.network.incidence
        matrix = network.conductance + (edge @ slopes @ edge.T)[None]
        self.harmonics = Harmonics(network, self.s, network.rectifier_incidence, matrix)
        self.impedance = self.harmonics.impedance()
        self.phasors = self.harmonics.open_phasors()
        self.slopes = slopes

    def spread(self, x: Array) -> tuple[Array, Array]:
        """Highest and lowest value of every unknown over the line cycle about the means x (n,)."""
        assert self.cycle is not None
        spectrum = self.harmonics.all(self.cycle.currents)
        spectrum[:, 0] = 0.0
        waves = wave(np.moveaxis(spectrum[0], 1, 0), self.samples)
        return x + waves.max(axis=1), x + waves.min(axis=1)

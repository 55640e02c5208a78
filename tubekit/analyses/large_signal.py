"""A circuit driven by a sine until it distorts: power, harmonics, bias shift, what clips first."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from tubekit.analyses.driven import Driven, DrivenProblem, solve_driven
from tubekit.analyses.harmonics import Harmonics, wave
from tubekit.analyses.operating_point import OperatingPoint, solve_network
from tubekit.analyses.time_stepper import Convergence, seal
from tubekit.circuit.full import linearised
from tubekit.circuit.network import Network, assemble
from tubekit.circuit.newton import on_one_core
from tubekit.circuit.parts import GROUND, Circuit, Resistor
from tubekit.circuit.reduction import Reduced, held, reduce_to_ports, solve_linear
from tubekit.errors import CircuitError, SolveError, near_matches, warn_batch
from tubekit.result_fields import Array
from tubekit.text import Printed, Table, headed, quantity

SAMPLES = 64
"""Points per cycle: harmonics up to the tenth within 0.1 % of the fundamental; more for hard clipping."""


@dataclass(frozen=True, eq=False, repr=False)
class LargeSignal(Printed):
    """Steady state of a driven circuit. Arrays lead with N (1 for a single circuit)."""

    circuit: Circuit
    frequency_hz: float
    idle: OperatingPoint = field(repr=False, kw_only=True)
    spectrum: Array = quantity("V, A", "X", "harmonics 0..K of every unknown, peak values, (N, K+1, n)")
    port_volts: Array = quantity("V", "v", "tube port voltages to cathode over the cycle, (N, P, S)")
    port_currents: Array = quantity("A", "i", "tube port currents over the cycle, (N, P, S)")
    convergence: Convergence = field(repr=False, kw_only=True)

    def waveform(self, node: str, to: str = GROUND) -> Array:
        """Voltage over one cycle [V], (N, S)."""
        return wave(self.harmonics(node, to), self.port_volts.shape[2])

    def harmonics(self, node: str, to: str = GROUND) -> Array:
        """Peak phasors of harmonics 0..K at a node [V], (N, K+1) complex."""
        for name in (node, to):
            self.idle.volts(name)  # names the node that is not there
        network = self.idle.network
        return np.asarray(network.pick(self.spectrum, node) - network.pick(self.spectrum, to))

    def thd_percent(self, node: str, to: str = GROUND) -> Array:
        """Total harmonic distortion, effective harmonics over the fundamental [%], (N,)."""
        sizes = np.abs(self.harmonics(node, to))
        return np.asarray(100.0 * np.sqrt((sizes[:, 2:] ** 2).sum(axis=1)) / sizes[:, 1])

    def power_w(self, resistor: str) -> Array:
        """Alternating power in a resistor, all harmonics [W], (N,)."""
        part = next((p for p in self.circuit.of(Resistor) if p.name == resistor), None)
        if part is None:
            names = [p.name for p in self.circuit.of(Resistor)]
            raise CircuitError("no such resistor", part=resistor, near=near_matches(resistor, names))
        sizes = np.abs(self.harmonics(part.a, part.b)[:, 1:])
        return np.asarray(0.5 * (sizes**2).sum(axis=1) / np.asarray(part.ohms))

    def current(self, device: str, terminal: str = "plate") -> Array:
        """Current into a tube terminal over the cycle [A], (N, S); 'cathode' sums the terminals."""
        return np.asarray(self.port_currents[:, self._ports(device, terminal)].sum(axis=1))

    def volts(self, device: str, terminal: str = "plate") -> Array:
        """Voltage of a tube terminal to its cathode over the cycle [V], (N, S)."""
        return np.asarray(self.port_volts[:, self._ports(device, terminal)].sum(axis=1))

    def mean_current(self, device: str, terminal: str = "plate") -> Array:
        """Mean current into a tube terminal [A], (N,)."""
        return np.asarray(self.current(device, terminal).mean(axis=1))

    def dissipation_w(self, device: str, terminal: str = "plate") -> Array:
        """Mean power an electrode turns into heat [W], (N,)."""
        return np.asarray((self.volts(device, terminal) * self.current(device, terminal)).mean(axis=1))

    def conduction(self, device: str, share: float = 0.01) -> Array:
        """Part of the cycle for which the plate carries more than `share` of its peak, (N,)."""
        amps = self.current(device)
        return np.asarray((amps > share * amps.max(axis=1, keepdims=True)).mean(axis=1))

    def _ports(self, device: str, terminal: str) -> list[int]:
        names = self.idle.network.port_names
        result = [
            k for k, (name, port) in enumerate(names) if name == device and terminal in (port, "cathode")
        ]
        if not result:
            known = {name for name, _ in names}
            raise CircuitError(
                f"has no {terminal}" if device in known else "no such tube section", part=device,
                fix="Name a section and one of its terminals", near=near_matches(device, known),
            )  # fmt: skip
        return result

    def headline(self) -> str:
        """One line for the top of a print."""
        return f"Driven at {self.frequency_hz:g} Hz: {self.circuit.title or 'a circuit'}: {self.convergence}"

    def tables(self) -> list[Table]:
        """Mean currents idle and driven, dissipation and conduction of every section."""
        names = dict.fromkeys(name for name, _ in self.idle.network.port_names)
        rows = [
            (name, self.idle.current(name), self.mean_current(name), self.current(name).max(axis=1),
             self.dissipation_w(name), 100.0 * self.conduction(name))
            for name in names
        ]  # fmt: skip
        columns = headed("section", "idle [A]", "driven [A]", "peak [A]", "plate [W]", "conducts [%]")
        return [Table("Plates", columns, rows)]


@on_one_core
def large_signal(
    circuit: Circuit,
    *,
    frequency_hz: float = 400.0,
    samples: int = SAMPLES,
    near: LargeSignal | None = None,
    strict: bool = True,
) -> LargeSignal:
    """Steady state of a circuit whose voltage sources carry a sine (`ac`, peak) on top of their `dc`.

    A batch is made by arrays in the parts, for instance an array of drive amplitudes in `ac`.

    Parameters
    ----------
    circuit
        The circuit, or a batch of them (arrays in its parts).
    frequency_hz
        Frequency of the drive [Hz].
    samples
        Points per cycle, even; 64 for up to moderate clipping, 256 for square waves.
    near
        A solution of a circuit of the same shape, to start from.
    strict
        A single circuit that does not settle raises; a batch warns once and gives NaN.

    Returns
    -------
    LargeSignal
        Volts and currents over one cycle, their harmonics and distortion.

    Raises
    ------
    CircuitError
        There is a rectifier in it (feed the circuit from a DC source); bad numbers.
    SolveError
        A single circuit does not settle.

    Examples
    --------
    >>> from tubekit.circuit.parts import Capacitor, Circuit, Device, VoltageSource
    >>> from tubekit.devices.triode import Triode
    >>> stage = Circuit((VoltageSource("B", "b", "ground", 250.0), Resistor("R1", "b", "p", 1e5),
    ...                  Resistor("R2", "k", "ground", 1500.0), Capacitor("C1", "k", "ground", 1e-3),
    ...                  VoltageSource("E", "g", "ground", ac=0.5),
    ...                  Device("V1a", Triode(perveance=2e-3, mu=100.0, exponent=1.4), ("p", "g"), "k")))
    >>> bool(large_signal(stage).thd_percent("p")[0] < 10)
    True
    """
    if not (np.isfinite(frequency_hz) and frequency_hz > 0) or samples % 2 or samples < 8:
        raise CircuitError(
            f"cannot take {samples} samples of a {frequency_hz} Hz cycle",
            fix="Use a frequency above zero and an even number of samples from 8 up",
        )
    network = assemble(circuit)
    if network.rectifiers:
        raise CircuitError("there is a rectifier in a driven circuit", fix="Feed it from a DC source")
    idle = solve_network(network)
    reduced = held(reduce_to_ports(network))
    s = 2j * np.pi * frequency_hz * np.arange(samples // 2 + 1)
    pulled = Harmonics(reduced.network, s, network.incidence, reduced.network.conductance)
    problem = _problem(reduced, pulled, samples)
    start = _small_signal(network, idle, s, samples) if near is None else near.port_volts
    driven = solve_driven(problem, np.broadcast_to(start, problem.open.shape))
    spectrum = pulled.all(driven.currents)
    spectrum[:, 0] = reduced.unknowns(driven.currents.mean(axis=2))
    if reduced.network is not network:
        own = replace(problem, groups=network.groups)
        driven = replace(driven, currents=own.evaluate(driven.volts)[0])
    return _judged(_result(circuit, frequency_hz, idle, spectrum, driven), strict)


def _problem(reduced: Reduced, pulled: Harmonics, samples: int) -> DrivenProblem:
    """The port equations with the tubes pulled out."""
    impedance = pulled.impedance()
    impedance[:, 0] = reduced.resistance
    impedance[:, -1] = impedance[:, -1].real  # no sine at the last harmonic
    angle = 2 * np.pi * np.arange(samples) / samples
    open_volts = reduced.open[..., None] + (pulled.open_phasors()[..., None] * np.exp(1j * angle)).real
    return DrivenProblem(reduced.network.groups, impedance, open_volts)


def _small_signal(network: Network, idle: OperatingPoint, s: Array, samples: int) -> Array:
    """Port voltages if the tubes were their slopes: where Newton starts."""
    matrix = linearised(network, list(idle.slopes)) + s[1] * network.storage
    moved = solve_linear(network, matrix, network.ac[..., None].astype(complex))[..., 0] @ network.incidence
    angle = 2 * np.pi * np.arange(samples) / samples
    return np.asarray(idle.port_volts[..., None] + (moved[..., None] * np.exp(1j * angle)).real)


def _result(
    circuit: Circuit, frequency_hz: float, idle: OperatingPoint, spectrum: Array, driven: Driven
) -> LargeSignal:
    good = driven.converged & idle.convergence.converged
    convergence = Convergence(
        good, driven.iterations, driven.error, "V", "harmonic balance", np.full(len(good), np.nan)
    )
    return LargeSignal(
        circuit, frequency_hz, spectrum, driven.volts, driven.currents, idle=idle, convergence=convergence
    )


def _judged(result: LargeSignal, strict: bool) -> LargeSignal:
    lost = result.convergence.mask
    single = result.idle.network.batch is None
    if single and lost.any() and strict:
        worst = int(np.abs(result.port_currents[0]).max(axis=1).argmax())
        raise SolveError(
            "The driven circuit did not settle", best=result,
            worst=" ".join(result.idle.network.port_names[worst]),
            residual=float(result.convergence.error[0]), iterations=int(result.convergence.iterations[0]),
        )  # fmt: skip
    if not single and lost.any():
        warn_batch(lost, "large signal")
    seal(lost & (not single), result.spectrum, result.port_volts, result.port_currents)
    return result

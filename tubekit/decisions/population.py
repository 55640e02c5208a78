"""Thousands of amps of one shape at idle: the amp's direct-current network, its supply as a line.

Coils are their copper, capacitors their leak, rectifiers their regulation lines; what carries no direct
current (mains side, heaters) is left out.

An amp's circuit made ready for the bench: one structure in which every part can vary or fail.

Each capacitor gets its leak as a resistor beside it, each tube section its grid (gas) current; an open
part is then a large value, a short a small one, and any number of amps are one batch of values.

By how much the parts of an amp may differ from the drawing and still be good.

Each `Variable` is one independent quantity; all of them together are the spread of an amp. What a part may
vary in is stated by its kind (`Part.varies`).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from itertools import pairwise

import numpy as np

from tubekit.amp import Amp
from tubekit.amp.build import Built, build
from tubekit.amp.mains_solve import settled_circuit
from tubekit.amp.parts import MainsPlug
from tubekit.amp.parts.faults import ONSET, Age, CircuitParameter, Variable
from tubekit.amp.parts.switches import MAINS
from tubekit.amp.settings import Settings, apply_settings, with_leaks
from tubekit.analyses.operating_point import OperatingPoint, solve_network
from tubekit.circuit.network import assemble
from tubekit.circuit.newton import on_one_core
from tubekit.circuit.parts import (
    GROUND,
    Circuit,
    CurrentSource,
    Device,
    Part,
    Rectifier,
    Resistor,
    VoltageSource,
    Windings,
    Wire,
    nodes_of,
)
from tubekit.circuit.stamps import merged
from tubekit.decisions.regulation import Lines, RegulationLine, fit_lines
from tubekit.result_fields import Array


def with_fault_ports(amp: Amp, powered: bool = True) -> Built:
    """The circuit of an amp with leaks and gas currents drawn in; not `powered`, nothing in it sets itself.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> names = {part.name for part in with_fault_ports(load_amp("teasel")).circuit.parts}
    >>> {"C2.leak", "V3.gas"} <= names
    True
    """
    built = settled_circuit(amp) if powered else build(amp)
    return dataclasses.replace(built, circuit=with_leaks(built.circuit, built.amp.parts))


CHUNK = 500
WORKERS = 2
HOLD_OFF = 1e9
"""Leak beside a rectifier's line, so that a floating winding has a path [Ω]; common practice, no source."""


@dataclass(frozen=True, eq=False)
class Population:
    """The direct-current network of an amp, ready to be solved for many settings of its knobs."""

    amp: Amp
    built: Built
    lines: Lines
    point: OperatingPoint

    def circuit(self, settings: Settings) -> Circuit:
        """The network at these settings."""
        return dc_circuit(apply_settings(self.built.circuit, settings), self.lines.moved(settings))

    def solve(self, settings: Settings, size: int) -> DcBatch:
        """Node voltages and tube currents of `size` amps; what does not settle is NaN."""
        chunks = [slice(k, min(k + CHUNK, size)) for k in range(0, size, CHUNK)]
        solve = partial(self._solve, settings)
        if len(chunks) == 1:
            result = [solve(chunks[0])]
        else:
            with ThreadPoolExecutor(WORKERS) as pool:
                result = list(pool.map(solve, chunks))
        volts, amps = (np.concatenate(each) for each in zip(*result, strict=True))
        return DcBatch(self, volts, amps)

    @on_one_core
    def _solve(self, settings: Settings, chunk: slice) -> tuple[Array, Array]:
        some = {parameter: (factor[chunk], addend[chunk]) for parameter, (factor, addend) in settings.items()}
        network = assemble(self.circuit(some))
        point = solve_network(network, None, self.point.port_volts)
        lost = ~point.convergence.converged
        volts, amps = point.unknowns.copy(), point.port_currents.copy()
        volts[lost], amps[lost] = np.nan, np.nan
        return volts, amps


@dataclass(frozen=True, eq=False)
class DcBatch:
    """Idle states of N amps: `unknowns` (N, n) and `currents` (N, P), as the fleet's network numbers them."""

    population: Population
    unknowns: Array
    currents: Array

    def volts(self, node: str, to: str = GROUND) -> Array:
        """DC voltage of a node [V], (N,)."""
        network = self.population.point.network
        return np.asarray(network.pick(self.unknowns, node) - network.pick(self.unknowns, to))

    def current(self, section: str, terminal: str) -> Array:
        """Current into a terminal of a tube section [A], (N,); `cathode` is the sum of the others."""
        names = self.population.point.network.port_names
        columns = [
            k for k, (name, port) in enumerate(names) if name == section and terminal in (port, "cathode")
        ]
        return np.asarray(self.currents[:, columns].sum(axis=1))


def dc_population(amp: Amp) -> Population:
    """The fleet of an amp.

    Raises
    ------
    SolveError : the amp has no idle state.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> ready = dc_population(load_amp("teasel"))
    >>> bool(330 < ready.point.volts("B1") < 340)
    True
    """
    built = with_fault_ports(amp)
    lines = fit_lines(built.circuit, amp.mains_hz, supply_parameters(built.circuit))
    network = assemble(dc_circuit(built.circuit, lines.laws))
    return Population(amp, built, lines, solve_network(network))


def supply_parameters(circuit: Circuit) -> tuple[CircuitParameter, ...]:
    """Parameters that move the regulation lines: mains, power transformer, rectifiers and their loads."""
    touched = {node for part in circuit.of(Rectifier) for node in (part.plate, part.cathode)} - {GROUND}
    result = [CircuitParameter(part.name, "volts") for part in circuit.of(VoltageSource)]
    for part in circuit.parts:
        at = set(nodes_of(part))
        if isinstance(part, Windings) and _fed(part, circuit):
            result += [CircuitParameter(part.name, f"copper{j}") for j in range(len(part.ends))]
            result += [
                CircuitParameter(part.name, f"turns{j}") for j, e in enumerate(part.ends) if touched & set(e)
            ]
        elif isinstance(part, Rectifier):
            result.append(CircuitParameter(part.name, _strength(part)))
        elif touched & at and not part.name.endswith(".leak"):
            field = {"Capacitor": "farads", "Resistor": "ohms"}.get(type(part).__name__)
            result += [CircuitParameter(part.name, field)] if field else []
    return tuple(result)


def _fed(coils: Windings, circuit: Circuit) -> bool:
    """Whether these coils hang on the line (through fuses and switches)."""
    live = {node for part in circuit.of(VoltageSource) for node in (part.a, part.b)}
    wires = circuit.of(Wire)
    for _ in range(len(wires) + 1):
        live |= {n for w in wires if {w.a, w.b} & live for n in (w.a, w.b) if n != GROUND}
    return bool(live & set(nodes_of(coils)))


def _strength(part: Rectifier) -> str:
    """The law's parameter that a worn rectifier loses."""
    return "perveance" if "perveance" in part.law.parameters() else "saturation"


def dc_circuit(circuit: Circuit, lines: Mapping[str, RegulationLine]) -> Circuit:
    """Circuit that carries direct current, rectifiers as lines."""
    parts = tuple(piece for part in circuit.parts for piece in _at_dc(part, lines))
    leader = _islands(parts)
    tubes = [node for part in parts if isinstance(part, Device) for node in nodes_of(part)]
    wanted = {leader[node] for node in tubes if node != GROUND}
    return circuit.made_of(p for p in parts if {leader[n] for n in nodes_of(p) if n != GROUND} & wanted)


def _at_dc(part: Part, lines: Mapping[str, RegulationLine]) -> Iterator[Part]:
    match part:
        case Resistor() | Wire() | Device() | CurrentSource():
            yield part
        case Windings():
            for j, ((a, b), ohms) in enumerate(zip(part.ends, part.ohms, strict=True)):
                yield Resistor(f"{part.name}.{j}", a, b, ohms)
        case Rectifier():
            yield Device(part.name, lines[part.name], (part.plate,), part.cathode)
            yield Resistor(f"{part.name}.hold-off", part.plate, part.cathode, HOLD_OFF)
        case VoltageSource():
            yield Wire(part.name, part.a, part.b)


def _islands(parts: Sequence[Part]) -> dict[str, str]:
    """For each node a name shared by all that parts tie together, ground left out."""
    ties = [[node for node in nodes_of(part) if node != GROUND] for part in parts]
    nodes = dict.fromkeys(node for tie in ties for node in tie)
    return merged(nodes, (pair for tie in ties for pair in pairwise(tie)))


def variables(
    amp: Amp,
    age: Age = "vintage",
    *,
    measured: Mapping[str, float] | None = None,
    mains_known: float | None = None,
) -> tuple[Variable, ...]:
    """Everything that differs between good amps of this drawing.

    Parameters
    ----------
    age : 'vintage' lets composition resistors drift up, electrolytics dry out and paper leak.
    measured : relative accuracy of parts whose value was measured, by designator; theirs is then all the
        spread they have.
    mains_known : relative accuracy of the line where it was measured; else it varies by a usual band.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> names = [v.name for v in variables(load_amp("teasel"))]
    >>> {"R14", "V3 emission", "V1 emission", "V1a mu", "mains"} <= set(names)
    True
    """
    known = measured or {}
    result: list[Variable] = []
    for name, part in amp.parts.items():
        if part.condition == "fitted":
            accuracy = mains_known if isinstance(part, MainsPlug) else known.get(name)
            result += part.varies(age, accuracy)
    felt = [one for one in result if _sets_a_bias(amp, one)]
    return tuple(sorted(felt, key=lambda one: one.name != MAINS))


def _sets_a_bias(amp: Amp, one: Variable) -> bool:
    """False for the onset of grid current of a section whose bias is not left to it."""
    turn = one.turns[0].parameter
    return turn.field != ONSET or turn.part in amp.topology.leak_biased

"""Each stage as it stands in the amp: gain, what it offers to the one before, what it drives the next with.

Nothing is unsoldered for it: impedances come from the currents in the parts that belong to a stage while
the signal runs. What is at a grid belongs to its stage unless the signal comes in by it; what leaves a
plate for the next stage is its load.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.findings import part_words
from tubekit.amp.parts import Jack
from tubekit.amp.signal_order import SignalOrder, signal_order
from tubekit.amp.signal_view import SignalView, driven_at
from tubekit.analyses.corners import Corner, Stretch, corners
from tubekit.analyses.elimination import respond
from tubekit.analyses.operating_point import OperatingPoint
from tubekit.analyses.part_sensitivity import current_into, number, picker
from tubekit.analyses.small_signal import stage_gains
from tubekit.circuit.full import linearised
from tubekit.circuit.network import Network
from tubekit.circuit.newton import block_diagonal, on_one_core
from tubekit.circuit.parts import GROUND, Capacitor, Device, Resistor, Windings
from tubekit.result_fields import Array
from tubekit.text import quantity

GAIN_HZ = 1000.0
"""Where the gain of a stage is stated [Hz]."""
STILL = 1e-9
"""A grid that moves by less than this part of its plate or cathode is still."""
NO_CURRENT_S = 1e-15
"""Admittance at a grid below which nothing is connected to it but what drives it [S]."""
BY_CATHODE = 3.0
"""A tube whose cathode moves this many times as far as its grid is driven at the cathode."""


@dataclass(frozen=True, eq=False)
class StageReading:
    """One tube section in place, at one frequency; arrays are (N,), gains complex."""

    hertz: float
    section: str
    before: str
    grid: str
    plate: str
    cathode: str
    grid_gain: Array = quantity("", "A", "gain from the input jack to its grid")
    plate_gain: Array = quantity("", "A", "gain from the input jack to its plate")
    cathode_gain: Array = quantity("", "A", "gain from the input jack to its cathode")
    input_ohms: Array = quantity("ohm", "Z_in", "input impedance of the stage")
    output_ohms: Array = quantity("ohm", "Z_out", "output impedance of the stage")

    entered: str = ""

    @property
    def gain(self) -> Array:
        """Grid to plate, to ground, complex; NaN where the grid is still or the cathode is what drives it."""
        return _ratio(self.plate_gain, self.grid_gain, self.cathode_gain)

    @property
    def input_farads(self) -> Array:
        """Capacitance at the grid, Miller's included [F]; NaN: cathode driven, or nothing there."""
        if self.entered == self.cathode:
            return np.full(np.shape(self.input_ohms), np.nan)
        with np.errstate(invalid="ignore"):
            return np.asarray((1.0 / self.input_ohms).imag / (2 * np.pi * self.hertz))


def read_stages(view: SignalView, way: SignalOrder, hertz: float) -> tuple[StageReading, ...]:
    """Every section the signal reaches, in order."""
    s = 2j * np.pi * hertz
    x = respond(view.network, view.matrix, view.drive, np.array([s]))[:, 0]
    x = x / (x @ view.tip)[:, None]
    devices = {part.name: part for part in view.network.circuit.of(Device)}
    return tuple(_read(view, way, devices[name], x, s) for name in way.order)


def gains_in_place(point: OperatingPoint, amp: Amp, jack: Jack | None) -> dict[str, tuple[Array, Array]]:
    """Size of each section's gain from grid to plate and to cathode at 1 kHz, (N,) each.

    The whole amp is driven at the jack, as a technician reads it. Sections that this signal does not reach
    by their grid are driven alone.

    Examples
    --------
    >>> from tubekit import analyze, load_amp
    >>> from tubekit.amp.signal_view import idle_signal
    >>> amp = load_amp("teasel")
    >>> point, _, jack = idle_signal(analyze(amp).solved)
    >>> plate, cathode = gains_in_place(point, amp, jack)["V3"]  # a pair drives the load together
    >>> bool(14 < plate[0] < 15)
    True
    """
    network = point.network
    result: dict[str, tuple[Array, Array]] = {}
    if jack is not None:
        matrix = linearised(network, list(point.slopes))
        drive = picker(network, jack.tip, jack.sleeve)
        x = respond(network, matrix, drive, np.array([2j * np.pi * GAIN_HZ]))[:, 0]
        reached = signal_order(driven_at(amp, None)[0].topology, jack.tip).order
        for device in (each for each in network.circuit.of(Device) if each.name in reached):
            grid = network.pick(x, device.terminals[-1])
            plate, cathode = (network.pick(x, end) for end in (device.terminals[0], device.cathode))
            result[device.name] = np.abs(_ratio(plate, grid, cathode)), np.abs(_ratio(cathode, grid, cathode))
    alone = stage_gains(point, GAIN_HZ)
    for k, name in enumerate(alone.sections):
        plate, cathode = np.abs(alone.to_plate[:, k]), np.abs(alone.to_cathode[:, k])
        still = plate == 0  # an oscillator held still
        own = np.where(still, np.nan, plate), np.where(still, np.nan, cathode)
        if name not in result or np.isnan(result[name][0]).all():
            result[name] = own
    return result


def _ratio(there: Array, grid: Array, cathode: Array) -> Array:
    """Level at an electrode over that at the grid; NaN where it is not the grid that drives the tube."""
    moves = (np.abs(grid) > STILL * np.abs(there)) & (np.abs(cathode) < BY_CATHODE * np.abs(grid))
    return np.asarray(np.where(moves, there / np.where(moves, grid, 1.0), np.nan))


def _read(view: SignalView, way: SignalOrder, device: Device, x: Array, s: complex) -> StageReading:
    network, name = view.network, device.name
    plate, grid = device.terminals[0], device.terminals[-1]
    silent = np.full(len(x), np.nan + 0j)
    blank = StageReading(
        s.imag / (2 * np.pi), name, way.before[name], grid, plate, device.cathode, network.pick(x, grid),
        network.pick(x, plate), network.pick(x, device.cathode), silent, silent,
        way.entered[name],
    )  # fmt: skip
    offered = silent if number(network, way.entered[name]) < 0 else _input(view, way, device, x, s)
    driving = silent if plate in way.held else _output(view, way, device, s)
    return replace(blank, input_ohms=offered, output_ohms=driving)


def _input(view: SignalView, way: SignalOrder, device: Device, x: Array, s: complex) -> Array:
    """Volts where the signal comes in over the current into everything there by which it does not come."""
    network, entry = view.network, way.entered[device.name]
    here = number(network, entry)
    by_grid = entry == device.terminals[-1]
    columns = [k for k, port in enumerate(network.port_names) if port[0] == device.name]
    slopes = block_diagonal(network.groups, list(view.point.slopes))
    each = np.einsum("ncp,np->nc", slopes[:, columns], x @ network.incidence)
    total = each[:, -1] if by_grid else -each.sum(axis=1)
    for part, other in _parts_at(network, entry):
        own = isinstance(part, Capacitor) and part.name.startswith(f"{device.name}.")
        if own or not way.arriving(entry, _drawn(view, way, entry, other)):
            total = total + current_into(network, part, here, x, s)
    volts = network.pick(x, entry)
    loaded = np.abs(total) > NO_CURRENT_S * np.abs(volts)
    return np.asarray(np.where(loaded, volts / np.where(loaded, total, 1.0), np.nan))


def _output(view: SignalView, way: SignalOrder, device: Device, s: complex) -> Array:
    """Volts at the plate for an ampere driven into it, less what then flows on to the next stage."""
    network, plate = view.network, device.terminals[0]
    here = number(network, plate)
    x = respond(network, view.matrix, picker(network, plate), np.array([s]))[:, 0]
    onward = np.zeros(len(x), complex)
    for part, other in _parts_at(network, plate):
        own = part.name.startswith(f"{device.name}.")
        if not own and (
            way.onward(plate, _drawn(view, way, plate, other)) or _of_another_tube(view, part.name)
        ):
            onward = onward + current_into(network, part, here, x, s)
    return np.asarray(network.pick(x, plate) / (1.0 - onward))


def _parts_at(network: Network, node: str) -> Iterator[tuple[Resistor | Capacitor | Windings, str]]:
    """Every linear part at a node, with the node at its other end."""
    here = number(network, node)
    for part in network.circuit.parts:
        if isinstance(part, Resistor | Capacitor | Windings):
            for a, b in part.ends if isinstance(part, Windings) else ((part.a, part.b),):
                pair = [number(network, a), number(network, b)]
                if here in pair and pair[0] != pair[1]:
                    yield part, (b, a)[pair.index(here)]
                    break


def _drawn(view: SignalView, way: SignalOrder, node: str, other: str) -> str:
    """The drawn node behind one that only the circuit has, such as the contact of a worn wiper."""
    if other in view.amp.nodes or other == GROUND:
        return other
    behind = [one for _, one in _parts_at(view.network, other) if one != node and one in way.depth]
    return min(behind, key=way.depth.__getitem__, default=other)


def _of_another_tube(view: SignalView, name: str) -> bool:
    owner = name.partition(".")[0]
    return "." in name and any(part.name == owner for part in view.network.circuit.of(Device))


CORNER_HZ = np.geomspace(0.5, 2e6, 240)
"""Where corners are looked for."""


@dataclass(frozen=True, eq=False)
class StretchReading:
    """The corners of one stretch of the way: from the grid before (or the jack) to a section's grid."""

    start: str
    stop: str
    low: Corner
    high: Corner


def corner_words(corner: Corner, member: int = 0) -> str:
    """The parts that set a corner, with the per cent it moves for one per cent of each."""
    return ", ".join(f"{part_words(name)} ({move:+.2f})" for name, move in corner.setters(member))


@on_one_core
def whole_stretch(view: SignalView, reference_hz: float) -> StretchReading:
    """Corners from the jack to the output."""
    return _stretch(view, reference_hz, ("jack", view.output.designator), (view.tip, view.out))


@on_one_core
def grid_stretches(view: SignalView, way: SignalOrder, reference_hz: float) -> tuple[StretchReading, ...]:
    """Corners from grid to grid, then from the last grid to the output."""
    return tuple(
        _stretch(view, reference_hz, names, rows)
        for names, rows in _stretches(view, way)
        if not np.array_equal(*rows)
    )


def _stretches(view: SignalView, way: SignalOrder) -> Iterator[tuple[tuple[str, str], tuple[Array, Array]]]:
    grids = {s.name: s.grid for s in way.topology.sections}
    entries = {
        name: (
            f"{name} {'grid' if way.entered[name] == grids[name] else 'cathode'}",
            picker(view.network, way.entered[name]),
        )
        for name in way.order
    }
    for name in way.order:
        start = entries[way.before[name]] if way.before[name] else ("jack", view.tip)
        yield (start[0], entries[name][0]), (start[1], entries[name][1])
    last = [name for name in way.order if name not in way.before.values()]
    for name in last[:1]:
        yield (entries[name][0], view.output.designator), (entries[name][1], view.out)


def _stretch(
    view: SignalView, reference_hz: float, names: tuple[str, str], rows: tuple[Array, Array]
) -> StretchReading:
    bottom, top = rows
    kept = np.flatnonzero(np.abs(bottom) + np.abs(top))
    s = 2j * np.pi * CORNER_HZ
    x = respond(view.network, view.matrix, view.drive, s, kept.tolist())
    of = Stretch(view.network, view.matrix, view.drive, top, bottom)
    low, high = corners(of, CORNER_HZ, (x @ top[kept]) / (x @ bottom[kept]), reference_hz)
    return StretchReading(*names, low, high)

"""Stages of a tube manual as whole circuits: what the rows, load lines and full drive are checked against."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from tubekit.analyses.large_signal import LargeSignal, large_signal
from tubekit.analyses.loadline import AnyTube, section_law
from tubekit.analyses.operating_point import operating_point
from tubekit.circuit.full import linearised
from tubekit.circuit.parts import (
    GROUND,
    Capacitor,
    Circuit,
    Device,
    Part,
    Resistor,
    Value,
    VoltageSource,
    Windings,
)
from tubekit.circuit.reduction import solve_linear
from tubekit.devices.pentode import Pentode
from tubekit.devices.triode import Triode

HENRIES = 1e4
"""Primary of the ideal transformer: 25 MΩ at the frequency of the drive."""
COUPLING, BYPASS = 1e-3, 1.0
"""They pass every signal whole, and hold the cathode still [F]."""


@dataclass(frozen=True, eq=False)
class Stage(Circuit):
    """A circuit, and where its signal goes in and out; the load is `R1`."""

    input: str = "grid"
    output: tuple[str, str] = ("out", GROUND)
    frequency_hz: float = 400.0

    def driven(self, drive: Value | None) -> Stage:
        """With `drive` [V peak] at the grid; up to the cathode's voltage where not given."""
        if drive is None:
            drive = full_drive(self)
        return scaled(self, drive)

    def gain(self) -> Any:
        """Size of the small-signal gain, each grid as the circuit drives it; (N,)."""
        point = operating_point(self)
        network = point.network
        matrix = linearised(network, list(point.slopes)) + 2j * np.pi * self.frequency_hz * network.storage
        x = solve_linear(network, matrix, network.ac[..., None].astype(complex))[..., 0]
        first, against = (network.pick(x, node) for node in self.output)
        return np.abs(first - against) / np.abs(network.pick(x, self.input))

    def plate_a(self) -> Any:
        """Idle plate current of all tubes together [A]."""
        return sum(operating_point(self).current(device.name) for device in self.of(Device))

    def worked(self) -> dict[str, Any]:
        """Full drive: drive, output, distortion, power, mean plate and screen currents of all tubes; (N,)."""
        solved = large_signal(self, frequency_hz=self.frequency_hz)
        names = solved.idle.network.port_names
        plates, screens = (
            sum(solved.mean_current(section, port) for section, port in names if port == wanted)
            for wanted in ("plate", "screen")
        )
        return {
            "drive_v": np.abs(solved.harmonics(self.input)[:, 1]),
            "output_rms": np.abs(solved.harmonics(*self.output)[:, 1]) / np.sqrt(2.0),
            "thd_pct": solved.thd_percent(*self.output), "power_w": solved.power_w("R1"),
            "plate_full_a": plates, "screen_full_a": screens,
        }  # fmt: skip


def scaled(circuit: Stage, factor: Value) -> Stage:
    """The circuit with the signal of every source multiplied by `factor`, a number or (N,)."""
    parts = tuple(
        replace(p, ac=np.asarray(p.ac) * factor) if isinstance(p, VoltageSource) else p for p in circuit.parts
    )
    return replace(circuit, parts=parts)


def full_drive(circuit: Stage) -> Value:
    """The factor on all signals at which the highest grid just reaches its cathode, by secants.

    This is what maker rows of class A1 and AB1 mean by maximum signal: with a cathode resistor the
    cathode stands where the driven current puts it.
    """
    peak = max(np.max(np.abs(p.ac)) for p in circuit.of(VoltageSource))
    names = [device.name for device in circuit.of(Device)]

    def highest(solved: LargeSignal) -> Any:
        return np.max([solved.volts(name, "grid").max(axis=1) for name in names], axis=0)

    solved = large_signal(scaled(circuit, 0.0), frequency_hz=circuit.frequency_hz)
    below = highest(solved)
    factor, last_factor, last_gap = -below / peak, np.zeros_like(below), below
    for _ in range(12):
        given: Value = float(factor[0]) if solved.idle.network.batch is None else factor
        solved = large_signal(scaled(circuit, given), frequency_hz=circuit.frequency_hz, near=solved)
        gap = highest(solved)
        if np.all(np.abs(gap) <= 1e-4 * np.abs(below)):
            break
        rise = gap - last_gap
        step = -gap * (factor - last_factor) / np.where(rise, rise, 1.0)
        last_factor, last_gap, factor = factor, gap, factor + np.where(rise, step, 0.0)
    return given


def rc_stage(
    tube: AnyTube, *, supply: Value, plate_load: Value, cathode: Value, next_grid: Value,
    screen_resistor: Value | None = None, bypassed: bool = True, drive: Value | None = None,
) -> Stage:  # fmt: skip
    """A resistance-coupled stage as the charts of tube manuals have it, its screen bypassed."""
    parts: list[Part] = [
        VoltageSource("B", "b_plus", GROUND, supply), Resistor("R1", "b_plus", "plate", plate_load),
        Resistor("R2", "cathode", GROUND, cathode), Resistor("R3", "out", GROUND, next_grid),
        Capacitor("C3", "plate", "out", COUPLING), VoltageSource("E1", "grid", GROUND, ac=1.0),
        _device("V1", section_law(tube), "plate", "screen", "grid", "cathode"),
    ]  # fmt: skip
    if bypassed:
        parts.append(Capacitor("C1", "cathode", GROUND, COUPLING))
    if screen_resistor is not None:
        parts.append(Resistor("R4", "b_plus", "screen", screen_resistor))
        parts.append(Capacitor("C4", "screen", GROUND, COUPLING))
    return Stage(tuple(parts), "resistance-coupled", frequency_hz=1000.0).driven(drive)


def single_ended(
    tube: AnyTube, *, plate: Value, load: Value, screen: Value | None = None, grid: Value | None = None,
    cathode: Value | None = None, tap: float = 0.0, drive: Value | None = None,
) -> Stage:  # fmt: skip
    """One tube on an ideal transformer: volts to cathode, `load` of the plate, grid volts or cathode ohms."""
    law = section_law(tube)
    ends, turns, at = _winding("plate", tap)
    parts = _shared(law, 1, plate, screen, grid, cathode, tap)
    parts += [
        _ideal(ends, turns), Resistor("R1", "plate", "b_plus", load), _signal("E1", "grid", grid, 1.0),
        _device("V1", law, "plate", at, "grid", GROUND if cathode is None else "cathode"),
    ]  # fmt: skip
    return Stage(tuple(parts), "single-ended", output=("plate", "b_plus")).driven(drive)


def push_pull(
    tube: AnyTube, *, plate: Value, load: Value, screen: Value | None = None, grid: Value | None = None,
    cathode: Value | None = None, tap: float = 0.0, spread: Sequence[float] = (1.0, 1.0),
) -> Stage:  # fmt: skip
    """Two tubes, `load` plate to plate; otherwise as `single_ended`. `spread` is of each tube."""
    ends, turns, screens = [], [], []
    for k in (1, 2):
        half, share, at = _winding(f"plate{k}", tap)
        ends = [(b, a) for a, b in reversed(half)] if k == 1 else [*ends, *half]
        turns = share[::-1] if k == 1 else [*turns, *share]
        screens.append(at)
    parts = _shared(section_law(tube), 2, plate, screen, grid, cathode, tap)
    parts += [_ideal(ends, turns), Resistor("R1", "plate1", "plate2", load)]
    for k, sign in ((1, 1.0), (2, -1.0)):
        law = section_law(tube, 1.0, spread[k - 1])
        parts.append(_signal(f"E{k}", f"grid{k}", grid, sign))
        at_cathode = GROUND if cathode is None else "cathode"
        parts.append(_device(f"V{k}", law, f"plate{k}", screens[k - 1], f"grid{k}", at_cathode))
    return Stage(tuple(parts), "push-pull", input="grid1", output=("plate1", "plate2")).driven(None)


def _shared(
    law: Triode | Pentode, tubes: int, plate: Value, screen: Value | None, grid: Value | None,
    cathode: Value | None, tap: float,
) -> list[Part]:  # fmt: skip
    """Supplies and cathode resistor; the supplies are higher by the idle voltage of the cathode."""
    at_screen = plate if tap else screen
    lift = 0.0 if cathode is None else _bias_of(law, plate, at_screen, np.multiply(cathode, tubes))
    parts: list[Part] = [VoltageSource("B", "b_plus", GROUND, np.add(plate, lift))]
    if at_screen is not None and not tap:
        parts.append(VoltageSource("S", "screen", GROUND, np.add(at_screen, lift)))
    if cathode is not None:
        parts.append(Resistor("R2", "cathode", GROUND, cathode))
        parts.append(Capacitor("C1", "cathode", GROUND, BYPASS))
    return parts


def _bias_of(law: Triode | Pentode, plate: Value, screen: Value | None, ohms: Any) -> Value:
    """Volts that one tube's current makes across `ohms`, with plate and screen that far above it."""
    volts = [plate] if screen is None else [plate, screen]
    bias = np.zeros(np.broadcast_shapes(ohms.shape, *map(np.shape, volts)))
    for _ in range(60):  # convex: Newton's rule from zero bias needs no safeguards
        v = np.stack(np.broadcast_arrays(*volts, -bias), axis=-1).astype(float)
        currents, slopes = law.evaluate(v)
        step = (ohms * currents.sum(axis=-1) - bias) / (1.0 + ohms * slopes[..., :, -1].sum(axis=-1))
        bias = bias + step
    return bias if bias.ndim else float(bias)


def _winding(plate: str, tap: float) -> tuple[list[tuple[str, str]], list[float], str]:
    """Sections from B+ to plate with their shares of the turns, and the node of the screen."""
    if tap in (0.0, 1.0):
        return [("b_plus", plate)], [1.0], plate if tap else "screen"
    node = plate.replace("plate", "tap")
    return [("b_plus", node), (node, plate)], [tap, 1.0 - tap], node


def _ideal(ends: list[tuple[str, str]], turns: list[float]) -> Windings:
    return Windings("T1", tuple(ends), (0.0,) * len(ends), HENRIES * np.multiply.outer(turns, turns))


def _signal(name: str, node: str, grid: Value | None, sign: float) -> VoltageSource:
    return VoltageSource(name, node, GROUND, 0.0 if grid is None else grid, sign)


def _device(name: str, law: Triode | Pentode, plate: str, screen: str, grid: str, cathode: str) -> Device:
    nodes = (plate, grid) if isinstance(law, Triode) else (plate, screen, grid)
    return Device(name, law, nodes, cathode)

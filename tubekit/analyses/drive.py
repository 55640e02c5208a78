"""More and more drive: power, distortion, mean currents, bias, the end of class A, what clips first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from tubekit.analyses.large_signal import SAMPLES, LargeSignal, large_signal
from tubekit.analyses.loadline_result import FLAT, GRID_SHARE, NEARLY_OFF
from tubekit.circuit.parts import Circuit, Device, Value, VoltageSource
from tubekit.errors import CircuitError
from tubekit.text import Printed, Table, headed, quantity

Array = npt.NDArray[np.float64]

ANY_GRID = 1e-5
"""Below this part of the cathode current a grid cannot hold itself down; common practice, no source."""
ROUNDS = 12
AT_ZERO = 1e-4
"""Full drive is found when the highest grid stands this near the cathode's voltage, relative to the drive."""


def scaled(circuit: Circuit, factor: Value) -> Circuit:
    """The circuit with the signal of every source multiplied by `factor`, a number or (N,)."""
    parts = tuple(
        replace(p, ac=np.asarray(p.ac) * factor) if isinstance(p, VoltageSource) else p for p in circuit.parts
    )
    return replace(circuit, parts=parts)


def full_drive(
    circuit: Circuit, *, frequency_hz: float = 400.0, samples: int = SAMPLES, sections: Sequence[str] = ()
) -> tuple[Value, LargeSignal]:
    """The factor on all signals at which the highest grid just reaches its cathode, and the solution there.

    This is what maker rows of class A1 and AB1 mean by maximum signal: with a cathode resistor the
    cathode stands where the driven current puts it.

    Parameters
    ----------
    sections : tube sections to watch; all where empty.

    Raises
    ------
    CircuitError : no source carries a signal, or a grid that is not below its cathode at rest.
    """
    sources = [p for p in circuit.of(VoltageSource) if np.any(p.ac)]
    if not sources:
        raise CircuitError("no source carries a signal", fix="Give a voltage source an ac= above zero")
    names = tuple(sections) or tuple(d.name for d in circuit.of(Device))
    solved = large_signal(scaled(circuit, 0.0), frequency_hz=frequency_hz, samples=samples)
    below = _highest_grid(solved, names)
    if np.any(below >= 0):
        raise CircuitError("a grid is not below its cathode at idle", fix="Give a negative bias")
    factor = -below / np.max(np.abs(sources[0].ac))
    last_factor, last_gap = np.zeros_like(factor), below
    for _ in range(ROUNDS):
        given: Value = float(factor[0]) if solved.idle.network.batch is None else factor
        solved = large_signal(scaled(circuit, given), frequency_hz=frequency_hz, samples=samples, near=solved)
        gap = _highest_grid(solved, names)
        if np.all(np.abs(gap) <= AT_ZERO * np.abs(below)):
            break
        step = _secant(factor, gap, last_factor, last_gap)
        last_factor, last_gap = factor, gap
        factor = factor + step
    return given, solved


def _secant(x: Array, y: Array, last_x: Array, last_y: Array) -> Array:
    """Step to where the line through the last two points is nil; none for a member that stands still."""
    rise = y - last_y
    moved = rise != 0.0
    return np.where(moved, -y * (x - last_x) / np.where(moved, rise, 1.0), 0.0)


def _highest_grid(solved: LargeSignal, names: Sequence[str]) -> Array:
    return np.asarray(np.max([solved.volts(name, "grid").max(axis=1) for name in names], axis=0))


@dataclass(frozen=True, eq=False, repr=False)
class DriveSweep(Printed):
    """A circuit at N drives, weakest first; D sections in the order of `sections`.

    `output` names the nodes between which the output is read, `load` the resistor that takes the power
    ('' for none).
    """

    solved: LargeSignal = field(repr=False)
    sections: tuple[str, ...]
    output: tuple[str, str]
    load: str
    drive_v: Array = quantity("V", "E", "peak of the first source, (N,)")
    output_v: Array = quantity("V", "V1", "peak of the fundamental at the output, (N,)")
    power_w: Array = quantity("W", "P", "into the load, NaN without one, (N,)")
    thd_pct: Array = quantity("%", "D", "total harmonic distortion at the output, (N,)")
    plate_a: Array = quantity("A", "Ip", "mean plate current of each section, (N, D)")
    cathode_a: Array = quantity("A", "Ik", "mean cathode current of each section, (N, D)")
    bias_v: Array = quantity("V", "Vg", "mean grid voltage to cathode of each section, (N, D)")
    plate_w: Array = quantity("W", "Pp", "plate dissipation of each section, (N, D)")
    conducts: Array = quantity("", "", "part of the cycle for which each section conducts, (N, D)")
    class_a_v: float = quantity("V", "E", "drive beyond which a section cuts off for part of the cycle")
    grid_current_v: float = quantity("V", "E", "drive beyond which a grid draws current")
    clip_v: float = quantity("V", "E", "drive beyond which an end of the swing gains less than half")
    clip_cause: str = quantity("", "", "cut-off, grid current or knee")

    def headline(self) -> str:
        """Where class A ends and what clips first."""
        return (
            f"{self.solved.circuit.title or 'A circuit'}: class A up to {self.class_a_v:.3g} V peak, "
            f"clipping from {self.clip_v:.3g} V ({self.clip_cause})."
        )

    def tables(self) -> list[Table]:
        """Up to a dozen of the drives."""
        some = np.unique(np.linspace(0, len(self.drive_v) - 1, 12).astype(int))
        rows = [
            (
                self.drive_v[k], self.output_v[k], self.power_w[k], self.thd_pct[k], self.plate_a[k].sum(),
                self.bias_v[k, -1], self.conducts[k].min(),
            )
            for k in some
        ]  # fmt: skip
        columns = headed(
            "drive [V]",
            "output [V]",
            "power [W]",
            "distortion [%] .1f",
            "plates [A]",
            "bias [V]",
            "conducts [] .2f",
        )
        return [
            Table("Drive", columns, rows, "Peak volts; plate currents of all sections; bias of the last.")
        ]


def drive_sweep(
    circuit: Circuit,
    factors: npt.ArrayLike,
    *,
    output: tuple[str, str],
    load: str = "",
    sections: Sequence[str] = (),
    frequency_hz: float = 400.0,
    samples: int = SAMPLES,
) -> DriveSweep:
    """Drive a circuit with its own signals times each of `factors` (rising, the first small).

    Parameters
    ----------
    output : node and the node it is read against.
    load : resistor whose power is wanted.
    sections : the tubes that are watched; all where empty.

    Raises
    ------
    CircuitError : factors that do not rise from above zero, or a circuit that is a batch already.

    Examples
    --------
    >>> from tubekit import textbook
    >>> pair = textbook.push_pull("6V6GT", plate=270, screen=270, load=8000, cathode=270)
    >>> sweep = drive_sweep(pair, np.linspace(0.05, 1.2, 12), output=pair.output, load=pair.load)
    >>> bool(sweep.cathode_a[-1].sum() > sweep.cathode_a[0].sum()), sweep.clip_cause
    (True, 'knee')
    """
    steps = np.asarray(factors, float)
    if steps.ndim != 1 or steps.size < 3 or steps[0] <= 0 or np.any(np.diff(steps) <= 0):
        raise CircuitError(
            "the drive levels must rise and start above zero",
            fix="Give three factors or more, like 0.1, 0.5, 1.0",
        )
    solved = large_signal(scaled(circuit, steps), frequency_hz=frequency_hz, samples=samples)
    if solved.spectrum.shape[0] != steps.size:
        raise CircuitError("the circuit has several versions already", fix="Sweep one circuit at a time")
    names = tuple(sections) or tuple(d.name for d in circuit.of(Device))
    first = next(p for p in circuit.of(VoltageSource) if np.any(p.ac))
    drives = steps * float(np.abs(first.ac))
    conducts = np.stack([solved.conduction(n, NEARLY_OFF) for n in names], axis=1)
    clip, cause = _clipping(solved, output, names, drives)
    return DriveSweep(
        solved, names, output, load, drives, np.abs(solved.harmonics(*output)[:, 1]),
        solved.power_w(load) if load else np.full(steps.size, np.nan), solved.thd_percent(*output),
        np.stack([solved.mean_current(n) for n in names], axis=1),
        np.stack([solved.mean_current(n, "cathode") for n in names], axis=1),
        np.stack([solved.volts(n, "grid").mean(axis=1) for n in names], axis=1),
        np.stack([solved.dissipation_w(n) for n in names], axis=1),
        conducts, _first(drives, conducts.min(axis=1) < 1.0),
        _first(drives, np.max([_grid_share(solved, n).max(axis=1) for n in names], axis=0) > GRID_SHARE),
        clip, cause,
    )  # fmt: skip


def _first(drives: Array, over: npt.NDArray[np.bool_]) -> float:
    """Drive before the first that is over; infinite if none is."""
    return float(drives[max(int(np.argmax(over)) - 1, 0)]) if over.any() else float("inf")


def _grid_share(solved: LargeSignal, name: str) -> Array:
    return np.asarray(
        solved.current(name, "grid") / solved.current(name, "cathode").max(axis=1, keepdims=True)
    )


def _clipping(
    solved: LargeSignal, output: tuple[str, str], names: Sequence[str], drives: Array
) -> tuple[float, str]:
    """Where either end of the swing gains less than FLAT of what it gained first, and the state there."""
    wave = solved.waveform(*output) - solved.harmonics(*output)[:, :1].real
    result = (float("inf"), "none found")
    for ends, place in ((wave.max(axis=1), wave.argmax(axis=1)), (-wave.min(axis=1), wave.argmin(axis=1))):
        gains = np.diff(ends, prepend=0.0) / np.diff(drives, prepend=0.0)
        flat = gains < FLAT * gains[0]
        if flat.any() and drives[k := int(np.argmax(flat))] <= result[0]:
            result = (float(drives[max(k - 1, 0)]), _cause(solved, names, k, int(place[k])))
    return result


def _cause(solved: LargeSignal, names: Sequence[str], member: int, sample: int) -> str:
    plates = [solved.current(n)[member] for n in names]
    if all(amps[sample] < amps.mean() for amps in plates):
        return "cut-off"
    held = any(_grid_is_held(solved, n, member, sample) for n in names)
    return "grid current" if held else "knee"


def _grid_is_held(solved: LargeSignal, name: str, member: int, sample: int) -> bool:
    """Whether a grid draws any current there and follows the drive less than half as well as at first."""
    if _grid_share(solved, name)[member, sample] < ANY_GRID or member < 2:
        return False
    volts, drives = solved.volts(name, "grid")[:, sample], np.abs(solved.idle.network.ac).max(axis=1)
    follows = np.diff(volts) / np.diff(drives)
    return bool(abs(follows[member - 1]) < FLAT * abs(follows[0]))

"""Output stages of handbook rows at full drive: power, distortion and mean currents, many at once.

One tube or a push-pull pair on an ideal transformer with a resistive load, driven by a sine up to zero bias
unless a row says otherwise. The cathode resistor and a screen resistor (both tubes of a pair share
them) are bypassed: they see mean currents, which is how bias and screen voltage shift under drive.

A tube at rest where a handbook row puts it: at voltages, or in a bare resistance-coupled stage.

Cathodes and screens are bypassed. Whole amps are solved elsewhere. A law whose parameters are arrays of
shape (P,) is P laws, all answered at once; that is what makes fitting quick.

What a law gives for stages of any kind, as a handbook row asks it.

Answers are in SI units by quantity: of a stage at rest 'plate', 'screen', 'grid' (currents), 'gm', 'rp',
'mu'; of a coupled one also 'gain' and 'onset' (output [V rms] at which its grid starts to draw); of an output
stage 'idle_plate', 'idle_screen', 'full_plate', 'full_screen', 'power', 'distortion'.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias, TypeVar

import numpy as np

from tubekit.devices.law import FloatArray, Law, Parameter, volts_for

Answer: TypeAlias = Mapping[str, Parameter]
L = TypeVar("L", bound=Law)

ONSET_A = 0.3e-6
"""Grid current of the maker's table that states output volts at its onset (ECC83, from memory) [A]."""
_STAGE_ROUNDS, _LONGEST, _ARRIVED = 200, 30.0, 1e-9  # of Newton's rule; its longest and its last step [V]


@dataclass(frozen=True)
class At:
    """At voltages to cathode; without a grid voltage, `cathode_ohms` that `tubes` share makes the bias.

    `strapped`: the screen is tied to the plate, and the answers are those of the triode it makes.
    """

    plate: float
    grid: float | None = None
    screen: float | None = None
    cathode_ohms: float = 0.0
    tubes: int = 1
    strapped: bool = False


@dataclass(frozen=True)
class Coupled:
    """Resistance-coupled stage, cathode and screen bypassed; a pentode's screen hangs on `screen_ohms`."""

    supply: float
    plate_ohms: float
    cathode_ohms: float
    next_grid_ohms: float
    screen_ohms: float = 0.0


def stretched(law: L, axes: int) -> L:
    """The law with `axes` axes of one behind those of its parameters, to broadcast against voltages."""
    longer = {
        name: value[(..., *[np.newaxis] * axes)]
        for name, value in law.parameters().items()
        if isinstance(value, np.ndarray)
    }
    return replace(law, **longer) if longer else law  # type: ignore[type-var]


def lead(law: Law) -> tuple[int, ...]:
    """(P,) where the law is P laws, () where it is one."""
    return np.broadcast_shapes(*(np.shape(value) for value in law.parameters().values()))


def at_rest(law: Law, asked: Sequence[At | Coupled]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Voltages, currents (..., R, T) and slopes (..., R, T, T) of R stages at rest."""
    ports = [_ports(law, each) for each in asked]
    return _solved(law, np.array([p[0] for p in ports]), np.array([p[1] for p in ports]))


def _ports(law: Law, asked: At | Coupled) -> tuple[FloatArray, FloatArray]:
    """Port voltages with the tube pulled out (T,), and what a current in one port does there (T, T)."""
    size = len(law.terminals)
    shared = np.zeros((size, size))
    if isinstance(asked, Coupled):
        shared += asked.cathode_ohms
        shared[0, 0] += asked.plate_ohms
        if size == 3:
            shared[1, 1] += asked.screen_ohms
        return np.array([asked.supply, asked.supply, 0.0])[[0, *range(1, size - 1), 2]], shared
    screen = asked.plate if asked.strapped else asked.screen
    volts = [asked.plate, 0.0 if asked.grid is None else asked.grid]
    if size == 3:
        volts.insert(1, np.nan if screen is None else screen)
    shared[-1] = asked.cathode_ohms * asked.tubes
    return np.array(volts), shared


def _solved(law: Law, pulled: FloatArray, shared: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Newton's rule on v + shared·i(v) = pulled; from zero bias a self-biased tube is never overshot."""
    v = np.broadcast_to(pulled, (*lead(law), *pulled.shape)).copy()
    biased = np.any(shared != 0.0, axis=(-1, -2))
    loaded = biased & (shared[:, 0, 0] > 0.0)
    v[..., loaded, :-1] *= 0.4
    v[..., loaded, -1] = -1.0
    wide, unit = stretched(law, 1), np.eye(pulled.shape[-1])
    for _ in range(_STAGE_ROUNDS if biased.any() else 1):
        i, g = wide.evaluate(v)
        over = v + np.einsum("rjk,...rk->...rj", shared, i) - pulled
        step = np.linalg.solve(unit + shared @ g, over[..., np.newaxis])[..., 0]
        longest = np.max(np.abs(step), axis=-1, keepdims=True)
        v -= step * np.minimum(1.0, _LONGEST / np.maximum(longest, 1e-30))
        if np.max(longest) < _ARRIVED:
            break
    i, g = wide.evaluate(v)
    return v, i, g


def resting_answer(asked: At | Coupled, law: Law, v: FloatArray, i: FloatArray, g: FloatArray) -> Answer:
    """Quantities of a stage at rest from its voltages, currents (..., T) and slopes (..., T, T)."""
    collectors = 2 if isinstance(asked, At) and asked.strapped and i.shape[-1] == 3 else 1
    current = i[..., :collectors].sum(axis=-1)
    gm = g[..., :collectors, -1].sum(axis=-1)
    gp = np.maximum(g[..., :collectors, :collectors].sum(axis=(-1, -2)), 1e-30)
    answer = {"plate": current, "gm": gm, "rp": 1.0 / gp, "mu": gm / gp, "grid": i[..., -1]}
    if i.shape[-1] == 3 and collectors == 1:
        answer["screen"] = i[..., 1]
    if isinstance(asked, Coupled):
        answer["gain"] = gm / (1.0 / asked.plate_ohms + 1.0 / asked.next_grid_ohms + gp)
        p = law.parameters()
        conducts = volts_for(ONSET_A, p["grid_perveance"], p["grid_softness"]) - p["grid_offset"]
        answer["onset"] = answer["gain"] * (conducts - v[..., -1]) / np.sqrt(2.0)
    return answer


POINTS = 16
"""Angles of half a cycle; the other half is its mirror image. Harmonics above the ninth are left out."""
_ANGLES = (np.arange(POINTS) + 0.5) * np.pi / POINTS
_DRIVE = np.cos(_ANGLES)
_HARMONICS = 2.0 / POINTS * np.cos(np.outer(_ANGLES, np.arange(1, 10)))

_ROUNDS, _TURNS = 60, 40
_LAST, _LAST_MEAN = 1e-6, 1e-4  # last steps of a plate voltage and of a mean voltage [V]


@dataclass(frozen=True)
class OutputStage:
    """As makers print it: voltages to cathode at rest, load plate to plate for a pair.

    Without a grid voltage `cathode_ohms`, which both tubes share, makes the bias. `drive` is the
    peak grid voltage; None drives to zero bias.
    """

    plate: float
    load_ohms: float
    screen: float | None = None
    grid: float | None = None
    cathode_ohms: float = 0.0
    screen_ohms: float = 0.0
    pair: bool = False
    drive: float | None = None

    @property
    def tubes(self) -> int:
        """1, or 2 for a pair."""
        return 2 if self.pair else 1


def driven(law: Law, asked: Sequence[OutputStage]) -> list[Answer]:
    """Quantities of each stage: idle currents of one tube, mean currents at full drive of all.

    'distortion' is that of harmonics two to nine over the fundamental, 0.1 for 10 %.
    """
    if not asked:
        return []
    result = _Drive(law, asked)
    result.run()
    return [result.answer(place, each) for place, each in enumerate(asked)]


class _Drive:
    """Shapes: (..., R) for R stages, (..., R, N) over the angles; the leading axis is that of the laws."""

    def __init__(self, law: Law, asked: Sequence[OutputStage]) -> None:
        self.law = stretched(law, 2)
        self.pair = np.array([each.pair for each in asked])
        self.tubes = np.where(self.pair, 2.0, 1.0)
        self.load = np.array([each.load_ohms / each.tubes**2 for each in asked])
        self.cathode = np.array([0.0 if each.grid is not None else each.cathode_ohms for each in asked])
        self.screen_ohms = np.array([each.screen_ohms for each in asked])
        self.peak = np.array([np.nan if each.drive is None else each.drive for each in asked])
        rest = [At(e.plate, e.grid, e.screen, self.cathode[k], e.tubes) for k, e in enumerate(asked)]
        self.rest, self.idle, _ = at_rest(law, rest)
        shape = (*lead(law), len(asked))
        self.v = np.empty((*shape, POINTS, self.rest.shape[-1]))
        self.swing = np.zeros((*shape, POINTS))
        self.mean = self.idle.copy()  # of one tube

    def run(self) -> None:
        """Plate voltages over the cycle, then the means that shift bias and supply, until both stand."""
        # More current makes more bias or less screen voltage, which takes part of it back.
        part = np.where(self.cathode + self.screen_ohms > 0.0, 0.6, 1.0)[:, None]
        ohms = self.load + (self.cathode + self.screen_ohms) * self.tubes
        for turn in range(_TURNS):
            i, g = self._along_load(_ROUNDS if turn < 3 else 12)
            step = (i.mean(axis=-2) - self.mean) * part
            # A mean raised by 1 A comes back raised by 1 - free: the load line turns about it.
            free = (1.0 / (1.0 + self.load[:, None] * g[..., 0, 0])).mean(axis=-1)
            step[..., 0] /= np.where(self.pair, 1.0, np.maximum(free, 0.1))
            self.mean = self.mean + step
            if np.max(np.abs(step).sum(axis=-1) * ohms) < _LAST_MEAN:
                break
        self.i = i

    def _along_load(self, rounds: int) -> tuple[FloatArray, FloatArray]:
        """Currents and slopes over the cycle for the means as they stand."""
        shift = self.mean - self.idle
        raised = -self.cathode * self.tubes * shift.sum(axis=-1)  # of every voltage to cathode
        bias = self.rest[..., -1] + raised
        plate = self.rest[..., 0] + raised
        peak = np.where(np.isnan(self.peak), -bias, self.peak)
        self.v[..., -1] = bias[..., None] + peak[..., None] * _DRIVE
        if self.v.shape[-1] == 3:
            screen = self.rest[..., 1] + raised - self.screen_ohms * self.tubes * shift[..., 1]
            self.v[..., 1] = screen[..., None]
        load, pair, mean = self.load[:, None], self.pair[:, None], self.mean[..., 0, None]
        reach = 2.0 * plate[..., None]
        low = np.where(pair, -reach, -load * np.maximum(mean, 0.0) - 1.0) + 0.0 * self.swing
        high = np.where(pair, reach, plate[..., None]) + 0.0 * self.swing
        for _ in range(rounds):
            self.v[..., 0] = plate[..., None] - self.swing
            i, g = self.law.evaluate(self.v)
            current, slope = i[..., 0], g[..., 0, 0]
            felt = np.where(pair, current - current[..., ::-1], current - mean)
            slope = 1.0 + load * np.where(pair, slope + slope[..., ::-1], slope)
            over = self.swing - load * felt
            low, high = np.where(over < 0.0, self.swing, low), np.where(over < 0.0, high, self.swing)
            tried = self.swing - over / slope
            last = self.swing
            self.swing = np.where((tried >= low) & (tried <= high), tried, 0.5 * (low + high))
            if np.max(np.abs(self.swing - last)) < _LAST:
                break
        return i, g

    def answer(self, place: int, asked: OutputStage) -> Answer:
        """Quantities of one stage, by name."""
        i = self.i[..., place, :, :]
        felt = i[..., 0] - i[..., ::-1, 0] if asked.pair else i[..., 0]
        tones = felt @ _HARMONICS
        full, idle = i.mean(axis=-2) * asked.tubes, self.idle[..., place, :]
        result = {
            "idle_plate": idle[..., 0],
            "full_plate": full[..., 0],
            "power": 0.5 * self.load[place] * (tones**2).sum(axis=-1),
            "distortion": np.sqrt((tones[..., 1:] ** 2).sum(axis=-1))
            / np.maximum(np.abs(tones[..., 0]), 1e-30),
        }
        if i.shape[-1] == 3:
            result |= {"idle_screen": idle[..., 1], "full_screen": full[..., 1]}
        return result


Stage: TypeAlias = At | Coupled | OutputStage


def answers(law: Law, asked: Sequence[Stage]) -> list[Answer]:
    """One answer for each stage, in their order; of P laws stacked into one, arrays of shape (P,).

    Examples
    --------
    >>> from tubekit.devices.triode import Triode
    >>> law = Triode(perveance=1e-3, mu=100, grid_perveance=0)
    >>> print(f"{answers(law, [At(250, -1.5)])[0]['plate'] * 1e3:.2f} mA")
    1.00 mA
    """
    result: list[Answer] = [{}] * len(asked)
    resting = [(k, each) for k, each in enumerate(asked) if not isinstance(each, OutputStage)]
    if resting:
        v, i, g = at_rest(law, [each for _, each in resting])
        for place, (k, each) in enumerate(resting):
            result[k] = resting_answer(each, law, v[..., place, :], i[..., place, :], g[..., place, :, :])
    powered = [(k, each) for k, each in enumerate(asked) if isinstance(each, OutputStage)]
    for (k, _), answer_ in zip(powered, driven(law, [each for _, each in powered]), strict=True):
        result[k] = answer_
    return result


def answer(law: Law, asked: Stage) -> dict[str, float]:
    """What one law gives for one stage."""
    return {name: float(value) for name, value in answers(law, [asked])[0].items()}

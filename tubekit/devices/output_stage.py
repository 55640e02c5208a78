"""Output stages of handbook rows at full drive: power, distortion and mean currents, many at once.

One tube or a push-pull pair on an ideal transformer with a resistive load, driven by a sine up to zero bias
unless a row says otherwise. The cathode resistor and a screen resistor (both tubes of a pair share
them) are bypassed: they see mean currents, which is how bias and screen voltage shift under drive.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tubekit.devices.law import FloatArray, Law
from tubekit.devices.stages import Answer, At, at_rest, lead, scaled, stretched

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

    def scaled(self, factor: float) -> OutputStage:
        """The same at other voltages, all in proportion."""
        return scaled(self, factor, ("plate", "screen", "grid", "drive"))

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

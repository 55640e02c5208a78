"""Reverb tanks under drive: what the signal puts into the input coil, and how much comes back."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tubekit.amp.parts import ReverbTank
from tubekit.amp.signal_view import SignalView
from tubekit.analyses.elimination import respond
from tubekit.analyses.part_sensitivity import across, coil_rows
from tubekit.circuit.parts import Windings
from tubekit.text import quantity
from tubekit.units import show

Array = np.ndarray


@dataclass(frozen=True, eq=False)
class TankReading:
    """A tank at one frequency, per volt rms at the jack; arrays are (N,)."""

    tank: ReverbTank
    coil_gain: Array = quantity("", "A", "from the input jack to the input coil")
    drive_s: Array = quantity("A/V", "", "input coil current per volt at the jack")

    @property
    def full_v(self) -> Array:
        """Level at the jack that gives the tank its rated drive [V RMS]."""
        return np.asarray(np.asarray(self.tank.rated_a) / np.abs(self.drive_s))

    def output_v(self, level: float) -> Array:
        """Voltage of the output coil for a level at the jack [V RMS]."""
        return np.asarray(level / self.full_v * np.asarray(self.tank.returned_v))

    def stated(self) -> str:
        """Delay and decay, as far as they are known."""
        lines = [("delay", self.tank.delay_s, "s"), ("decay", self.tank.decay_s, "s")]
        known = [f"{name} {show(value, unit)}" for name, value, unit in lines if value is not None]
        return f"{self.tank.designator}: {', '.join(known) or 'delay and decay not given'}"


def read_tanks(view: SignalView, hertz: float) -> Iterator[TankReading]:
    """Every reverb tank of an amp, driven through the jack.

    Parameters
    ----------
    view : the amp with its generator.
    hertz : frequency [Hz]; a tank's impedances are stated at 1 kHz.
    """
    tanks = [part for part in view.amp.parts.values() if isinstance(part, ReverbTank)]
    if not tanks:
        return
    network = view.network
    x = respond(network, view.matrix, view.drive, np.array([2j * np.pi * hertz]))[:, 0]
    x = x / (x @ view.tip)[:, None]
    coils = {part.name: part for part in network.circuit.of(Windings)}
    for tank in tanks:
        rows = coil_rows(network, coils[tank.designator])
        yield TankReading(tank, across(network, x, *tank.input), x[:, rows[0]])

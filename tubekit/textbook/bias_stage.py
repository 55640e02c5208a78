"""What a cathode resistor does to a stage on a fixed supply: bias, heat, gain and its shelf."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from tubekit.analyses.loadline import section_law
from tubekit.analyses.operating_point import OperatingPoint, operating_point
from tubekit.analyses.small_signal import frequency_response
from tubekit.circuit.parts import GROUND, Capacitor, Circuit, Device, Part, Resistor, VoltageSource, Windings
from tubekit.devices import Pentode, tube
from tubekit.devices.tube_record import Ratings
from tubekit.result_fields import Array
from tubekit.text import Printed, Table, headed, quantity
from tubekit.units import show

HERTZ = np.geomspace(1.0, 20e3, 61)
MIDDLE_HZ = 5e3
"""Where every bypass of the panel has done its work."""
POINTS = 41
NONE_F = 1e-15
"""A bypass that is taken out [F]."""
HENRIES, COUPLING, LEAK = 1e4, 1e-3, 1e6
"""Ideal transformer [H], coupling capacitor [F], grid leak [Ω]: they stay out of the picture."""
LIMITS = (
    ("plate dissipation", "plate_w"),
    ("screen dissipation", "screen_w"),
    ("plate volts", "plate_v"),
    ("screen volts", "screen_v"),
)


@dataclass(frozen=True, eq=False, repr=False)
class BiasStage(Printed):
    """A stage as its cathode resistor sets it; currents and watts are those of one tube."""

    tube: str
    ratings: Ratings
    tubes: int
    cathode: float = quantity("ohm", "Rk", "cathode resistor")
    bypass_f: float = quantity("F", "Ck", "its bypass; 0 where it is taken out")
    bias_v: float = quantity("V", "Vk", "cathode to ground")
    plate_v: float = quantity("V", "Vp", "plate to cathode")
    screen_v: float = quantity("V", "Vg2", "screen to cathode, NaN for a triode")
    plate_a: float = quantity("A", "Ip", "plate current")
    screen_a: float = quantity("A", "Ig2", "screen current")
    cathode_line_v: Array = quantity("V", "V", "cathode voltages of the tube's line, (P,)")
    cathode_line_a: Array = quantity("A", "I", "current through the resistor at them, all tubes, (P,)")
    hertz: Array = quantity("Hz", "f", "frequencies of the gain, (K,)")
    gain: Array = quantity("", "A", "grid to output, its size, of a pair both grids driven, (K,)")
    gain_bypassed: float = quantity("", "A", "gain with the bypass at work")
    gain_bare: float = quantity("", "A", "gain with the bypass taken out")
    coupling_hz: float = quantity(
        "Hz", "fc", "where the coupling capacitor takes 3 dB; NaN where there is none"
    )

    @property
    def cathode_w(self) -> float:
        """Heat in the cathode resistor [W]."""
        return self.bias_v**2 / self.cathode

    @property
    def shelf_hz(self) -> tuple[float, float]:
        """Where the gain leaves the lower level and where it reaches the upper one [Hz]; NaN without bypass.

        ``f1 = 1/(2π Rk Ck)`` and ``f2 = f1 A/A0`` with the gains above and below: a shelf of first order.
        Source: any textbook on resistance-coupled stages (from memory).
        """
        if not self.bypass_f:
            return float("nan"), float("nan")
        low = 1.0 / (2.0 * np.pi * self.cathode * self.bypass_f)
        return low, low * self.gain_bypassed / self.gain_bare

    @property
    def shares(self) -> tuple[float, ...]:
        """Used part of each of LIMITS, 1 is all of it; NaN where there is no rating."""
        used = (self.plate_v * self.plate_a, self.screen_v * self.screen_a, self.plate_v, self.screen_v)
        rated = (getattr(self.ratings, field) for _, field in LIMITS)
        return tuple(float("nan") if r is None else u / r for u, r in zip(used, rated, strict=True))

    def headline(self) -> str:
        """Bias and heat in a sentence."""
        return (
            f"{self.tube} on {show(self.cathode, 'ohm')}: {show(self.bias_v, 'V')} of bias, "
            f"{show(self.plate_a, 'A')} of plate current"
        )

    def tables(self) -> list[Table]:
        """Idle state, gain, shelf."""
        rows = [(name, cell) for name, cell in self.cells().items()]
        return [Table(self.headline(), headed("quantity", "value [] >"), rows)]

    def cells(self) -> Mapping[str, Any]:
        """What stands beside the figure, name to value."""
        heat = self.plate_v * self.plate_a
        cells: dict[str, Any] = {
            "bias": (self.bias_v, "V"),
            "plate current": (self.plate_a, "A"),
            "plate to cathode": (self.plate_v, "V"),
            "plate dissipation": f"{show(heat, 'W')}{word(self.shares[0])}",
        }
        if np.isfinite(self.screen_v):
            cells["screen current"] = (self.screen_a, "A")
            cells["screen dissipation"] = f"{show(self.screen_v * self.screen_a, 'W')}{word(self.shares[1])}"
        low, high = self.shelf_hz
        return cells | {
            "cathode resistor": (self.cathode_w, "W"),
            "gain, bypassed": f"{self.gain_bypassed:.1f} ×",
            "gain, unbypassed": f"{self.gain_bare:.1f} ×",
            "lift": f"{round(20 * np.log10(self.gain_bypassed / self.gain_bare), 1) + 0.0} dB",
            "shelf from": show(low, "Hz") if self.bypass_f else "no bypass",
            "to": show(high, "Hz") if self.bypass_f else "",
            "coupling from": show(self.coupling_hz, "Hz") if np.isfinite(self.coupling_hz) else "none",
        }


def word(share: float) -> str:
    """NEAR and EXCEEDED after a figure; nothing below 90 % or where no rating is known."""
    return " EXCEEDED" if share > 1.0 else " NEAR" if share > 0.9 else ""


def bias_stage(
    type_: str, *, supply: float, load: float, cathode: float, bypass_f: float = 0.0, stage: str = "resistor",
    screen: float | None = None, next_grid: float = 470e3, coupling_f: float = COUPLING,
    emission: float = 1.0,
) -> BiasStage:  # fmt: skip
    """A stage at rest and its gain, with the cathode resistor at work.

    Parameters
    ----------
    type_
        Type of the tube, such as '12AX7'.
    supply
        B+ to ground [V].
    load
        Plate resistor, or what the transformer shows the tube [Ω].
    cathode
        Cathode resistor [Ω].
    bypass_f
        Capacitor across it [F]; 0 takes it out.
    stage
        'resistor' (`load` is the plate resistor), 'single' or 'pair' on an ideal transformer.
    screen
        Screen to ground [V], of a pentode.
    next_grid
        Grid resistor of the next stage [Ω].
    coupling_f
        Capacitor to the next grid [F], of a stage on a plate resistor; the gain is read behind it.
    emission
        Emission of the cathode, 1 for a new tube; it scales the current.

    Returns
    -------
    BiasStage
        Idle point, gain over frequency, and the share of each rating.

    Examples
    --------
    >>> result = bias_stage("12AX7", supply=250, load=100e3, cathode=1500, next_grid=330e3)
    >>> 0.80e-3 < result.plate_a < 0.92e-3  # maker table: 0.86 mA
    True
    """
    law = section_law(type_, emission)
    pentode = isinstance(law, Pentode)
    tubes = 2 if stage == "pair" else 1
    coupling = np.array([coupling_f, COUPLING, COUPLING])
    rest = tuple(_feed(stage, supply, load, next_grid, screen if pentode else None, coupling))
    both = tuple(_device(law, place) for place in range(tubes))
    leak = Resistor("R9", "grid", GROUND, LEAK)
    bypass = np.array([bypass_f or NONE_F, COUPLING, NONE_F])
    held = (Resistor("R2", "cathode", GROUND, cathode), Capacitor("C1", "cathode", GROUND, bypass))
    point = operating_point(Circuit((*rest, *both, leak, *held), type_))
    heard_at = "out" if stage == "resistor" else "plate"
    heard = frequency_response(point, "grid", [heard_at], [*HERTZ, MIDDLE_HZ]).gain[:, :, 0]
    gain = tubes * np.abs(heard)  # of a pair both grids are driven
    volts = np.linspace(0.0, _far(point, both), POINTS)
    alone = [part for part in rest if part.name != "C3"]
    line = operating_point(
        Circuit((*alone, *both, leak, VoltageSource("K", "cathode", GROUND, volts)), type_)
    )
    through = sum(np.asarray(line.current(each.name, "cathode")) for each in both)
    k = np.asarray(point.volts("cathode"))[0]
    return BiasStage(
        type_, tube(type_).ratings, tubes, cathode, bypass_f, float(k),
        plate_v=float(np.asarray(point.volts("plate", "cathode"))[0]),
        screen_v=float(screen - k) if pentode and screen is not None else float("nan"),
        plate_a=float(np.asarray(point.current("V1"))[0]),
        screen_a=float(np.asarray(point.current("V1", "screen"))[0]) if pentode else 0.0,
        cathode_line_v=volts, cathode_line_a=np.asarray(through), hertz=HERTZ, gain=gain[0, :-1],
        gain_bypassed=float(gain[1, -1]), gain_bare=float(gain[2, -1]),
        coupling_hz=_corner(point, load, next_grid, coupling_f) if stage == "resistor" else float("nan"),
    )  # fmt: skip


def _far(point: Any, both: tuple[Device, ...]) -> float:
    """End of the line: well beyond where the tube stands [V]."""
    return 2.5 * float(np.asarray(point.volts("cathode"))[0]) + 0.5 * len(both)


def _corner(point: OperatingPoint, load: float, next_grid: float, farads: float) -> float:
    """``1/(2π C (Rg + R rp/(R + rp)))`` with the bypass at work: any textbook (from memory) [Hz]."""
    siemens = float(point.slopes[0][0, 0, 0, 0])
    return 1.0 / (2.0 * np.pi * farads * (next_grid + 1.0 / (1.0 / load + siemens)))


def _feed(
    stage: str, supply: float, load: float, next_grid: float, screen: float | None, coupling: Array
) -> list[Part]:
    """B+, what the plate works into, and the screen's supply."""
    parts: list[Part] = [VoltageSource("B", "b_plus", GROUND, supply)]
    if screen is not None:
        parts.append(VoltageSource("S", "screen", GROUND, screen))
    if stage == "resistor":
        return [
            *parts, Resistor("R1", "b_plus", "plate", load), Capacitor("C3", "plate", "out", coupling),
            Resistor("R3", "out", GROUND, next_grid),
        ]  # fmt: skip
    ends = [("plate", "b_plus")] if stage == "single" else [("plate", "b_plus"), ("b_plus", "plate2")]
    turns = np.full((len(ends), len(ends)), HENRIES)
    across = "b_plus" if stage == "single" else "plate2"
    return [
        *parts,
        Windings("T1", tuple(ends), (0.0,) * len(ends), turns),
        Resistor("R1", "plate", across, load),
    ]


def _device(law: Any, place: int) -> Device:
    """A tube; of a pair the second one's grid stands still."""
    plate, grid = (("plate", "grid"), ("plate2", GROUND))[place]
    nodes = (plate, "screen", grid) if isinstance(law, Pentode) else (plate, grid)
    return Device(f"V{place + 1}", law, nodes, "cathode")

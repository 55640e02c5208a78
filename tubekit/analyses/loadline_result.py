"""What a load line shows: curves, line, path, swing, power, harmonics, class and what limits the drive."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from tubekit.analyses.plate_stage import PlateStage, Walk
from tubekit.analyses.time_stepper import Convergence
from tubekit.result_fields import Array
from tubekit.text import Printed, Table, headed, quantity


@dataclass(frozen=True, eq=False)
class DriveLimits:
    """Peak drives on the resistive load line at which something gives; infinite where it never does."""

    cut_off: float = quantity("V", "E_co", "a tube carries less than 1 % of its current at zero bias")
    grid_current: float = quantity("V", "E_g", "the grid takes more than 0.03 % of the cathode current")
    knee: float = quantity("V", "E_kn", "the rising half gains less than half of its gain at idle")
    pair: bool = False

    @property
    def clipping(self) -> tuple[float, str]:
        """The first drive that clips [V], and why; cut-off of one tube of a pair does not clip."""
        causes = {"grid current": self.grid_current, "knee": self.knee}
        if not self.pair:
            causes["cut-off"] = self.cut_off
        cause = min(causes, key=lambda name: causes[name])
        return (causes[cause], cause) if np.isfinite(causes[cause]) else (float("inf"), "none found")


@dataclass(frozen=True, eq=False, repr=False)
class LoadLine(Printed):
    """A stage on its plate curves. Currents are those the load feels.

    That is the plate current, plus the screen's by its share of the winding: all of it in a triode-
    strapped tube. Voltages are to cathode. Waveforms hold one cycle of S samples, the grid at its peak
    first. Of a pair `plate_a`, `screen_a` and the means are those of one tube at rest and of both under
    drive `full_plate_a`, `full_screen_a`, as handbooks print them per pair halved and whole.
    """

    tube: str
    stage: PlateStage = field(repr=False, kw_only=True)
    load: float = quantity("ohm", "R", "what one tube's current sees at the drive frequency")
    frequency_hz: float = quantity("Hz", "f", "of the drive")
    drive: float = quantity("V", "E", "peak drive of each grid")
    plate_v: float = quantity("V", "Vp", "plate voltage at idle")
    screen_v: float | None = quantity("V", "Vg2", "screen voltage at idle")
    grid_v: float = quantity("V", "Vg", "bias at idle")
    plate_a: float = quantity("A", "Ip", "plate current of one tube at idle")
    screen_a: float | None = quantity("A", "Ig2", "screen current of one tube at idle")
    plate_w_limit: float = quantity("W", "Pp max", "rated plate dissipation of one tube")

    curve_grid_v: Array = quantity("V", "Vg", "grid voltage of each plate curve, (G,)")
    curve_plate_v: Array = quantity("V", "Vp", "plate voltages of the curves, (V,)")
    curve_a: Array = quantity("A", "Ip", "plate curves of one tube, (G, V)")
    composite_a: Array | None = quantity("A", "Ia-Ib", "curves of both tubes of a pair together, (G, V)")
    line_plate_v: Array = quantity("V", "Vp", "ends of the load line, (2,)")
    line_a: Array = quantity("A", "Ip", "ends of the load line, (2,)")
    supply_line_plate_v: Array | None = quantity("V", "Vp", "ends of the line of a plate resistor, (2,)")
    supply_line_a: Array | None = quantity("A", "Ip", "ends of the line of a plate resistor, (2,)")
    limit_plate_v: Array = quantity("V", "Vp", "dissipation limit of one tube, (V,)")
    limit_a: Array = quantity("A", "Ip", "dissipation limit of one tube, (V,)")

    path_plate_v: Array = quantity("V", "vp", "plate voltage of each tube over the cycle, (tubes, S)")
    path_grid_v: Array = quantity("V", "vg", "grid voltage of each tube over the cycle, (tubes, S)")
    path_a: Array = quantity("A", "i", "current of each tube over the cycle, (tubes, S)")
    swing_v: tuple[float, float] = quantity("V", "v", "least and greatest plate voltage")
    harmonics_v: Array = quantity("V", "V_k", "peaks of harmonics 0 to 10 across the load of one tube, (11,)")
    power_w: float = quantity("W", "P", "into the load, all harmonics")
    thd_pct: float = quantity("%", "D", "harmonics 2 to 10 over the fundamental, across the load")
    full_plate_a: float = quantity("A", "Ip", "mean plate current under drive, all tubes")
    full_screen_a: float = quantity("A", "Ig2", "mean screen current under drive, all tubes")
    full_grid_v: float = quantity("V", "Vg", "mean bias under drive")
    full_plate_w: float = quantity("W", "Pp", "plate dissipation of one tube under drive")
    operating_class: str = quantity("", "", "class A, AB, B or C, with 1 or 2 for a grid that draws current")
    limits: DriveLimits = field(kw_only=True)
    convergence: Convergence = field(repr=False, kw_only=True)

    def current_at(self, signal: npt.ArrayLike) -> Array:
        """Current along the resistive load line with the grid `signal` [V] above rest, any shape.

        Of a pair: what the two tubes drive through the winding together.
        """
        wanted = np.asarray(signal, float)
        swing = self.stage.along_load(wanted.ravel()).reshape(wanted.shape)
        flows = self.stage.felt(swing, wanted)[0]
        return np.asarray(flows - self.stage.felt(-swing, -wanted)[0] if self.stage.pair else flows)

    def headline(self) -> str:
        """Rest, power and distortion in one sentence."""
        pair = "push-pull pair of " if self.stage.pair else ""
        return (
            f"{pair}{self.tube}: {self.plate_v:.0f} V, {1e3 * self.plate_a:.1f} mA at idle; "
            f"{self.power_w:.3g} W at {self.thd_pct:.1f} % with {self.drive:.1f} V peak, "
            f"class {self.operating_class}."
        )

    def tables(self) -> list[Table]:
        """Rest and drive, limits, harmonics."""
        clip, cause = self.limits.clipping
        rows = [
            ("plate voltage", (self.plate_v, "V"), f"{self.swing_v[0]:.0f} to {self.swing_v[1]:.0f} V"),
            ("plate current", (self.plate_a, "A"), (self.full_plate_a, "A")),
            ("bias", (self.grid_v, "V"), (self.full_grid_v, "V")),
            ("plate dissipation, one tube", (self.plate_v * self.plate_a, "W"), (self.full_plate_w, "W")),
            ("rated plate dissipation", (self.plate_w_limit, "W"), None),
        ]
        limits = [
            ("a tube cuts off", (self.limits.cut_off, "V")),
            ("the grid draws current", (self.limits.grid_current, "V")),
            ("the knee flattens the swing", (self.limits.knee, "V")),
            (f"clipping begins: {cause}", (clip, "V")),
        ]
        shares = 100.0 * self.harmonics_v[2:] / self.harmonics_v[1]
        harmonics = [(k + 2, float(self.harmonics_v[k + 2]), float(share)) for k, share in enumerate(shares)]
        return [
            Table("Idle and full drive", headed("quantity", "at idle", "driven"), rows),
            Table(
                "Peak drive at which",
                headed("limit", "drive"),
                limits,
                "On the resistive load line.",
            ),
            Table(
                "Harmonics",
                headed("order", "peak [V]", "share [%] .2f"),
                harmonics,
            ),
        ]


NEARLY_OFF = 0.01
"""A tube that carries less than this part of its greatest current is cut off; common practice, no source."""
CLASS_A, CLASS_B = 0.125, 0.14
"""Least current over idle for class A of a pair, idle over peak up to which it is class B: so drawn
that the letters are those which makers print (`data/handbook/power_tube_operation.csv`)."""
GRID_SHARE = 3e-4
"""Grid current counts from this part of the cathode current: 0.3 µA in 1 mA, the onset of the maker's table
of resistance-coupled ECC83 stages (data/handbook/rc_coupled.csv)."""
FLAT = 0.5
"""The knee counts where the gain has fallen to this part of the gain at rest; common practice, no source."""


def limits_walk(stage: PlateStage, peak: float) -> Walk:
    """Far enough along the resistive load line for whatever may give."""
    return stage.walk(max(2.5 * abs(stage.grid), 1.2 * peak))


def drive_limits(stage: PlateStage, walk: Walk) -> DriveLimits:
    """Along the resistive load line, both ways from rest, until something gives."""
    signal, up, down = walk.signal, walk.up, walk.down
    rising = stage.law.evaluate(stage.ports(up, signal))[0]
    falling = stage.law.evaluate(stage.ports(-up if stage.pair else down, -signal))[0]
    at_zero_bias = np.interp(-stage.grid, signal, rising[:, 0])
    slope = np.gradient(up, signal)

    def first(over: npt.NDArray[np.bool_]) -> float:
        return float(signal[np.argmax(over)]) if over.any() else float("inf")

    return DriveLimits(
        cut_off=first(falling[:, 0] < NEARLY_OFF * at_zero_bias),
        grid_current=first(rising[:, -1] > GRID_SHARE * rising.sum(axis=1)),
        knee=first(slope < FLAT * slope[0]),
        pair=stage.pair,
    )


def class_letter(currents: Array, idle: float, positive: bool, *, pair: bool) -> str:
    """Class at a drive, from one tube's plate current over the cycle, (T, S): letter, then 1 or 2.

    A: it never comes near cut-off (`CLASS_A` of idle at least); B: it idles near cut-off (`CLASS_B` of its
    peak at most); AB between. C conducts for less than half of the cycle. A single tube that feeds a load is
    A, or it would not follow; 2 is for a grid that goes positive.
    """
    conducts = float(np.mean(currents[0] > NEARLY_OFF * currents[0].max()))
    least, most = float(currents[0].min()), float(currents[0].max())
    if conducts < 0.45:
        letter = "C"
    elif not pair or least >= CLASS_A * idle:
        letter = "A"
    else:
        letter = "B" if idle <= CLASS_B * most else "AB"
    return letter + ("2" if positive else "1")

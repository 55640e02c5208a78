"""What a meter would show at each place of an amp, as records. A batch of N amps gives arrays (N,)."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from tubekit.amp.topology import SUPPLIES
from tubekit.devices.catalogue import tube
from tubekit.text import OUTSIDE, described, quantity

Reading = float | np.ndarray
"""A number, or (N,) for a batch."""

DEAD_V = 1.0
"""A rail or a plate with less than this has lost its supply [V]; common practice, no source."""
FLOOR = 1e-6
"""What no bench meter shows: smaller voltages are printed as nil [V]; common practice, no source."""


def readable(volts: Reading) -> Reading:
    """Voltages as a meter shows them: nil below `FLOOR`.

    Examples
    --------
    >>> readable(-3e-15)
    0.0
    """
    shown = np.where(np.abs(volts) < FLOOR, 0.0, volts)
    return float(shown) if shown.ndim == 0 else shown


@dataclass(frozen=True, eq=False)
class NodeReading:
    """One node against ground; `place` is the node as a hand finds it: 'V3, V4 cathode (k34)'."""

    node: str
    dc_v: Reading = quantity("V", "V", "mean voltage", label="DC")
    ac_rms_v: Reading = quantity("V", "v", "RMS of the AC part (ripple, heater, line)", label="AC RMS")
    ripple_pp_v: Reading = quantity("V", "v_pp", "AC part, peak to peak", label="AC p-p")
    place: str = ""


@dataclass(frozen=True, eq=False)
class TubeReading:
    """One tube section at idle: voltages to its cathode, currents, dissipation, gain."""

    section: str
    designator: str
    types: tuple[str, ...]
    bias: str
    plate_v: Reading = quantity("V", "V_p", "plate to cathode", label="plate to cathode")
    screen_v: Reading = quantity("V", "V_s", "screen to cathode, if any", label="screen to cathode")
    grid_v: Reading = quantity("V", "V_g", "grid to cathode", label="grid to cathode")
    cathode_v: Reading = quantity("V", "V_k", "cathode to ground", label="cathode to ground")
    plate_a: Reading = quantity("A", "I_p", "plate current", label="plate I")
    screen_a: Reading = quantity("A", "I_s", "screen current; none for a triode", label="screen I")
    grid_a: Reading = quantity("A", "I_g", "grid current")
    cathode_a: Reading = quantity(
        "A", "I_k", "cathode current, the sum of the others", label="cathode current"
    )
    plate_w: Reading = quantity("W", "P_p", "plate dissipation", label="plate dissipation")
    screen_w: Reading = quantity(
        "W", "P_s", "screen dissipation; none for a triode", label="screen dissipation"
    )
    plate_share: Reading = quantity(
        "", "", "plate dissipation as a fraction of its rating", label="% of rating", format=".0f", share=True
    )
    screen_share: Reading = quantity(
        "",
        "",
        "screen dissipation as a fraction of its rating",
        label="% of rating",
        format=".0f",
        share=True,
    )
    heater_rms_v: Reading = quantity(
        "V RMS", "V_h", "heater voltage, if the schematic shows it", label="heater"
    )
    heater_rated_v: Reading = quantity("V", "V_h0", "rated heater voltage, as wired")
    gain: Reading = quantity(
        "×", "A", "voltage gain from grid to plate at 1 kHz", default=np.nan, label="grid to plate"
    )
    cathode_gain: Reading = quantity(
        "×", "A_k", "voltage gain from grid to cathode at 1 kHz", default=np.nan, label="grid to cathode"
    )
    outside: tuple[str, ...] = ()

    @described("V", label="plate to ground")
    def plate_ground_v(self) -> Reading:
        """Plate to ground."""
        return self.plate_v + self.cathode_v

    @described("V", label="screen to ground")
    def screen_ground_v(self) -> Reading:
        """Screen to ground; NaN for a triode."""
        return self.screen_v + self.cathode_v

    @described("V", label="grid to ground")
    def grid_ground_v(self) -> Reading:
        """Grid to ground."""
        return self.grid_v + self.cathode_v

    @property
    def marked(self) -> str:
        """The section, marked where it is outside the range its law was fitted in."""
        return self.section + (OUTSIDE if self.outside else "")


def outside_note(tubes: Iterable[TubeReading]) -> str:
    """The footnote to `TubeReading.marked`; blank where no tube is marked."""
    text: dict[str, list[str]] = {}
    for t in tubes:
        if t.outside:
            words = f"{', '.join(dict.fromkeys(t.types))}: {', '.join(t.outside)}"
            text.setdefault(words, []).append(t.section)
    where = "; ".join(f"{', '.join(sections)} {words}" for words, sections in text.items())
    return f"{OUTSIDE} beyond the published curves, so these values are estimates: {where}." if text else ""


def law_note(tubes: Sequence[TubeReading]) -> str:
    """`outside_note`, and what the fits of the types leave open by themselves."""
    types = dict.fromkeys(type_ for t in tubes for type_ in t.types)
    lines = [f"{name} {words}" for name in types if (words := tube(name).law_uncertainty())]
    own = (
        "The calculation can be off too. On published figures that it was not built from, 9 of 10 were "
        f"within: {'; '.join(lines)}. Add this to the normal spread of tubes."
        if lines
        else ""
    )
    return " ".join(filter(None, (outside_note(tubes), own)))


@dataclass(frozen=True, eq=False)
class RailReading:
    """One filter capacitor and the rail it holds up."""

    capacitor: str
    node: str
    dc_v: Reading = quantity("V", "V", "mean voltage of the node, to ground", label="DC")
    ripple_pp_v: Reading = quantity("V", "v_pp", "ripple, peak to peak", label="ripple p-p")
    ripple_rms_v: Reading = quantity("V", "v", "ripple, RMS", label="ripple rms")
    ripple_a: Reading = quantity("A", "i", "RMS ripple current through it", label="ripple current")
    across_v: Reading = quantity("V", "V_C", "mean voltage across the capacitor", label="DC across it")
    polarity: int = 1

    @property
    def words(self) -> str:
        """The node and the supply it is a rail of: 'B1 (B+)', 'bias_1 (bias supply)'."""
        return f"{self.node} ({SUPPLIES[self.polarity]})"


@dataclass(frozen=True, eq=False)
class RectifierReading:
    """One rectifier with all its plates."""

    designator: str
    types: tuple[str, ...]
    dc_a: Reading = quantity("A", "I", "mean current, all plates together", label="DC")
    peak_a: Reading = quantity("A", "i_peak", "highest plate current", label="peak per plate")
    rms_a: Reading = quantity("A", "i_rms", "RMS current of the plate that carries most")
    inverse_v: Reading = quantity("V", "PIV", "highest peak inverse voltage", label="peak inverse")
    reservoir_f: Reading = quantity("F", "C", "first filter cap")


@dataclass(frozen=True, eq=False)
class WindingReading:
    """One transformer winding."""

    transformer: str
    winding: str
    rms_a: Reading = quantity("A", "i", "RMS current of the half that carries more", label="AC current")
    dc_a: Reading = quantity("A", "I", "direct current delivered", label="DC current")
    rms_v: Reading = quantity("V RMS", "v", "RMS voltage across the whole winding", label="volts")

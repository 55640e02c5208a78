"""What the supply does in steady state, as records. A batch of N amps gives arrays (N,)."""

from __future__ import annotations

from dataclasses import dataclass

from tubekit.amp.readings import Reading
from tubekit.text import quantity


@dataclass(frozen=True, eq=False)
class FilterReading:
    """One capacitor of the supply, between two nodes."""

    capacitor: str
    a: str
    b: str
    dc_v: Reading = quantity("V", "V", "mean voltage across it")
    ripple_pp_v: Reading = quantity("V", "v_pp", "ripple, peak to peak")
    ripple_rms_v: Reading = quantity("V", "v", "ripple, effective value")
    peak_v: Reading = quantity("V", "V_peak", "highest voltage across it, ripple included")
    cold_v: Reading = quantity("V", "V_cold", "the same with the tubes cold and the rectifier warm")
    rated_v: Reading = quantity("V", "V_r", "rated voltage; NaN where none is drawn")
    surge_v: Reading = quantity("V", "V_s", "rated surge voltage; NaN where none is drawn")
    ripple_a: Reading = quantity("A", "i", "ripple current, effective value, every harmonic")
    rated_a: Reading = quantity("A", "i_r", "rated ripple current; NaN where none is drawn")
    series_ohms: Reading = quantity("ohm", "ESR", "series resistance, stated or usual; NaN where unknown")
    heat_w: Reading = quantity("W", "P", "heat in it; NaN where its series resistance is unknown")


@dataclass(frozen=True, eq=False)
class CoilReading:
    """One section of a winding, or a choke."""

    part: str
    winding: str
    nodes: tuple[str, str]
    rms_a: Reading = quantity("A", "i", "effective current")
    dc_a: Reading = quantity("A", "I", "mean current")
    ohms: Reading = quantity("ohm", "R", "its copper")
    copper_w: Reading = quantity("W", "P", "heat in its copper")


@dataclass(frozen=True, eq=False)
class RectifierDuty:
    """One diode or plate: what it carries and what it stands."""

    rectifier: str
    mean_a: Reading = quantity("A", "I", "mean current")
    rms_a: Reading = quantity("A", "i", "effective current")
    peak_a: Reading = quantity("A", "i_peak", "highest current")
    inverse_v: Reading = quantity("V", "PIV", "highest inverse voltage")
    conducts: Reading = quantity("", "", "part of the mains cycle above 1 % of the peak")


@dataclass(frozen=True, eq=False)
class MainsReading:
    """What the mains delivers."""

    volts: Reading = quantity("V", "V", "effective voltage")
    amps: Reading = quantity("A", "I", "effective current")
    watts: Reading = quantity("W", "P", "power")
    volt_amps: Reading = quantity("V", "S", "apparent power [VA]")
    power_factor: Reading = quantity("", "PF", "power over apparent power")


@dataclass(frozen=True, eq=False)
class FuseReading:
    """One fuse in steady state."""

    fuse: str
    speed: str
    amps: Reading = quantity("A", "I", "effective current")
    rated_a: Reading = quantity("A", "I_n", "its rating")
    holds_s: Reading = quantity("s", "t_min", "may open after this; infinite where it holds")
    opens_s: Reading = quantity("s", "t_max", "has opened by then; infinite where it need not open")
    fuse_class: str = ""
    carries: str = ""

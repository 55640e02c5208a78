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
    dc_v: Reading = quantity("V", "V", "mean voltage across it", label="DC")
    ripple_pp_v: Reading = quantity("V", "v_pp", "ripple, peak to peak", label="ripple p-p")
    ripple_rms_v: Reading = quantity("V", "v", "ripple, RMS")
    peak_v: Reading = quantity("V", "V_peak", "highest voltage across it, ripple included", label="peak V")
    cold_v: Reading = quantity("V", "V_cold", "DC while no tube draws current", label="DC, no tube current")
    rated_v: Reading = quantity("V", "V_r", "rated voltage, if the amp file states it", label="rated V")
    surge_v: Reading = quantity("V", "V_s", "rated surge voltage, if the amp file states it")
    ripple_a: Reading = quantity("A", "i", "RMS ripple current with all harmonics", label="ripple current")
    rated_a: Reading = quantity(
        "A", "i_r", "rated ripple current, if the amp file states it", label="rated ripple"
    )
    series_ohms: Reading = quantity("ohm", "ESR", "series resistance, stated or typical", label="ESR")
    heat_w: Reading = quantity("W", "P", "dissipation in its series resistance", label="dissipates")


@dataclass(frozen=True, eq=False)
class CoilReading:
    """One section of a winding, or a choke."""

    part: str
    winding: str
    nodes: tuple[str, str]
    rms_a: Reading = quantity("A", "i", "RMS current", label="AC current")
    dc_a: Reading = quantity("A", "I", "mean current", label="DC current")
    ohms: Reading = quantity("ohm", "R", "its copper", label="resistance")
    copper_w: Reading = quantity("W", "P", "heat in its copper", label="dissipates")


@dataclass(frozen=True, eq=False)
class RectifierDuty:
    """One diode or plate: what it carries and what it stands."""

    rectifier: str
    mean_a: Reading = quantity("A", "I", "mean current", label="average current")
    rms_a: Reading = quantity("A", "i", "RMS current", label="RMS current")
    peak_a: Reading = quantity("A", "i_peak", "highest current", label="peak current")
    inverse_v: Reading = quantity("V", "PIV", "highest inverse voltage", label="peak inverse voltage")
    conducts: Reading = quantity(
        "",
        "",
        "share of each line cycle in which it conducts",
        label="conducts, of the cycle",
        format=".0f",
        share=True,
    )


@dataclass(frozen=True, eq=False)
class MainsReading:
    """What the line delivers."""

    volts: Reading = quantity("V RMS", "V", "RMS voltage", label="line voltage")
    amps: Reading = quantity("A RMS", "I", "RMS current", label="current")
    watts: Reading = quantity("W", "P", "power", label="power")
    volt_amps: Reading = quantity("VA", "S", "apparent power [VA]", label="volt-amps")
    power_factor: Reading = quantity(
        "", "PF", "power over apparent power", label="power factor", format=".2f"
    )


@dataclass(frozen=True, eq=False)
class FuseReading:
    """One fuse in steady state."""

    fuse: str
    speed: str
    amps: Reading = quantity("A", "I", "RMS current", label="current")
    rated_a: Reading = quantity("A", "I_n", "its rating", label="rated")
    holds_s: Reading = quantity("s", "t_min", "shortest time in which it may open")
    opens_s: Reading = quantity("s", "t_max", "longest time until it has opened")
    fuse_class: str = ""
    carries: str = ""

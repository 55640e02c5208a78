"""The power supply of an amp in steady state: ripple and its heat, rectifiers, windings, mains, fuses."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tubekit.amp import parts as drawn
from tubekit.amp.amp import Amp
from tubekit.amp.mains_solve import solve_circuit
from tubekit.amp.parts import OutputTransformer, PowerTransformer
from tubekit.amp.readings import Reading
from tubekit.amp.report import AmpReport, analyze
from tubekit.amp.solve import SolvedAmp, capacitor_rms, fuse_amps
from tubekit.amp.surge import CLASS_WORDS, fuse_class
from tubekit.analyses.mains import MainsState
from tubekit.circuit.parts import (
    GROUND,
    Capacitor,
    Circuit,
    Part,
    Rectifier,
    Resistor,
    VoltageSource,
    Windings,
    nodes_of,
)
from tubekit.text import Column, Printed, Table, quantity
from tubekit.units import show


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


Array = np.ndarray

ORDERS = 8
"""Harmonics of the line that a table shows."""


@dataclass(frozen=True, eq=False, repr=False)
class SupplyReport(Printed):
    """The supply of an amp, or of a batch of amps, at idle."""

    report: AmpReport = field(repr=False)
    filters: tuple[FilterReading, ...]
    rectifiers: tuple[RectifierDuty, ...]
    coils: tuple[CoilReading, ...]
    mains: MainsReading
    fuses: tuple[FuseReading, ...]
    cold: MainsState = field(repr=False)

    json_keys = (
        "amp=amp.title", "filters", "rectifiers", "coils", "mains", "fuses", "copper_w",
        "harmonics_rms_v",
    )  # fmt: skip

    @property
    def amp(self) -> Amp:
        """The amp whose supply this is."""
        return self.report.amp

    @property
    def copper_w(self) -> float | Array:
        """Heat in the copper of everything wound [W]."""
        return self.report.solved.one(sum(np.asarray(coil.copper_w) for coil in self.coils))

    def still(self, circuit: Circuit) -> Circuit:
        """The circuit with its signal paths held still.

        Capacitors between stages are left out, output transformers are their copper. Neither changes a mean
        voltage, so idle stays what it is, while no tremolo, feedback loop or motorboating runs along with
        what the supply does.
        """
        held = {GROUND, *(node for one in self.filters for node in (one.a, one.b))}
        fed = [p.designator for p in self.amp.parts.values() if isinstance(p, PowerTransformer)]
        for part in circuit.parts:
            if isinstance(part, Rectifier | VoltageSource) or part.name in fed:
                held |= set(nodes_of(part))
        coils = [p.designator for p in self.amp.parts.values() if isinstance(p, OutputTransformer)]
        parts: list[Part] = []
        for part in circuit.parts:
            if isinstance(part, Windings) and part.name in coils:
                ways = zip(part.ends, part.ohms, strict=True)
                parts += [Resistor(f"{part.name}.{k}", a, b, ohms) for k, ((a, b), ohms) in enumerate(ways)]
            elif not isinstance(part, Capacitor) or {part.a, part.b} & held:
                parts.append(part)
        return circuit.made_of(parts)

    def filter(self, capacitor: str) -> FilterReading:
        """Reading of one capacitor; KeyError if it is none of the supply's."""
        return {one.capacitor: one for one in self.filters}[capacitor]

    def harmonics(self, node: str, to: str = GROUND, orders: int = ORDERS) -> Array:
        """Effective voltage of harmonics 1 to `orders` of the line between two nodes [V], (N, orders)."""
        state = self.report.solved.state
        spectrum = [state.harmonic(node, k) - (0.0 if to == GROUND else state.harmonic(to, k))
                    for k in range(1, orders + 1)]  # fmt: skip
        return np.asarray(np.abs(np.stack(spectrum, axis=1)) / np.sqrt(2.0))

    def harmonics_rms_v(self) -> dict[str, Array]:
        """The same across each capacitor [V], by its designator."""
        return {f.capacitor: self.harmonics(f.a, f.b) for f in self.filters}

    def headline(self) -> str:
        """Power drawn, and how much of it heats copper."""
        watts, copper = np.max(self.mains.watts), np.max(self.copper_w)
        return (
            f"{self.amp.title}: supply at idle, {show(watts, 'W')} from the line, "
            f"{show(copper, 'W')} lost in the windings"
        )

    def tables(self) -> list[Table]:
        """Capacitors, harmonics, rectifiers, windings, mains and fuses."""
        usual = f"ESR of electrolytics where none is stated: tan δ of {LOSS} (shop rule of thumb)."
        note = "\n".join((*self.report.assumptions, CLASS_WORDS))
        return [
            Table.of("Filter capacitors (volts across each)", self.filters, "capacitor", "from=a",
                     "to=b", "dc_v", "ripple_pp_v", "peak_v", "cold_v", "rated_v", "ripple_a", "rated_a",
                     "series_ohms", "heat_w", note=usual, key="filters"),
            self._harmonics(),
            Table.of("Rectifiers, per plate", self.rectifiers, "rectifier", "mean_a", "rms_a", "peak_a",
                     "inverse_v", "conducts", key="rectifiers"),
            Table.of("Windings", self.coils, "part", "winding", "from to=nodes", "rms_a", "dc_a", "ohms",
                     "copper_w", key="windings"),
            Table.of("Line", [self.mains], "volts", "amps", "watts", "volt_amps", "power_factor"),
            Table.of("Fuses", self.fuses, "fuse", "class=fuse_class", "amps", "rated_a", "result=carries",
                     note=note, key="fuses"),
        ]  # fmt: skip

    def _harmonics(self) -> Table:
        hertz = self.amp.mains_hz * np.arange(1, ORDERS + 1)
        nodes = dict.fromkeys(f.a if f.a != GROUND else f.b for f in self.filters)
        rows = [(node, *np.moveaxis(self.harmonics(node), 1, 0)) for node in nodes]
        heads = (Column("node"), *(Column(f"{each:g} Hz", "V RMS") for each in hertz))
        return Table("Ripple by harmonic, to ground", heads, rows)

    def short(self) -> list[Table]:
        """Capacitors, rectifiers, fuses, then windings by their heat."""
        heads = ("capacitor", "DC", "DC, no tube current", "rated V", "ripple p-p", "ripple current")
        hot = sorted(self.coils, key=lambda one: -float(np.max(one.copper_w)))
        return [
            self.table("filters").only(*heads), self.table("rectifiers"), self.table("fuses"),
            Table.of("Windings", hot, "part", "winding", "rms_a", "dc_a", "copper_w"),
        ]  # fmt: skip


def supply_report(
    amp: Amp, *, near: AmpReport | None = None, like: SupplyReport | None = None
) -> SupplyReport:
    """The power supply of an amp at idle, and with its tubes still cold.

    Parameters
    ----------
    amp
        From `load_amp`, changed or not; a batch gives arrays (N,) in every reading.
    near
        A report of this amp or a similar one, to start from; of this very amp, to save the solve.
    like
        The supply of a similar amp, to start the cold supply from.

    Returns
    -------
    SupplyReport
        Ripple, rectifier, windings, fuse and line current.

    Raises
    ------
    SolveError
        Supply and amp do not agree.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> report = supply_report(load_amp("teasel"))
    >>> reservoir = report.filter("C14")
    >>> reservoir.cold_v > reservoir.peak_v > reservoir.dc_v
    True
    """
    report = near if near is not None and near.amp is amp else analyze(amp, near=near)
    result = report.solved
    circuit = result.state.circuit
    cold = _cold(circuit.cold, amp, like)
    return SupplyReport(
        report, tuple(filter_readings(result, cold)), tuple(rectifier_readings(result)),
        tuple(coil_readings(result)), line_reading(result), tuple(fuse_readings(result)), cold,
    )  # fmt: skip


def _cold(circuit: Circuit, amp: Amp, like: SupplyReport | None) -> MainsState:
    """The supply while no tube draws: nothing amplifies, so only what the rectifiers see need be proven."""
    before = None if like is None else like.cold
    fits = before is not None and [p.name for p in before.circuit.parts] == [p.name for p in circuit.parts]
    return solve_circuit(circuit, amp, before if fits else None, rails_only=True)


LOSS = 0.15
"""Loss factor of an electrolytic at twice the line frequency (tan δ); common practice, no source."""


def filter_readings(amp: SolvedAmp, cold: MainsState) -> Iterator[FilterReading]:
    """Every capacitor of the supply; `cold` is the state without tubes."""
    state, one = amp.state, amp.one
    for name in amp.amp.topology.wired.charged:
        part = amp.amp.parts[name]
        assert isinstance(part, drawn.Capacitor)
        amps = capacitor_rms(state, part)
        ohms = series_ohms(part, state.frequency_hz)
        waves = (state.waveform(part.a, part.b), cold.waveform(part.a, part.b))
        hot, surge = (np.abs(wave).max(axis=1) for wave in waves)
        yield FilterReading(
            part.designator, part.a, part.b, one(state.mean(part.a, part.b)),
            one(state.ripple_pp(part.a, part.b)), one(state.ripple_rms(part.a, part.b)), one(hot), one(surge),
            one(_stated(part.volts)), one(_stated(part.surge_volts)), one(amps),
            one(_stated(part.ripple_amps)), one(ohms), one(amps**2 * ohms),
        )  # fmt: skip


def series_ohms(part: drawn.Capacitor, mains_hz: float) -> Array | float:
    """Series resistance as stated, else usual for an electrolytic; NaN for other styles [Ω]."""
    if part.series_ohms is not None:
        return part.series_ohms
    if part.style != "electrolytic":
        return float("nan")
    return np.asarray(LOSS / (2 * np.pi * 2 * mains_hz * np.asarray(part.farads)))


def _stated(value: Any) -> Any:
    return float("nan") if value is None else value


def rectifier_readings(amp: SolvedAmp) -> Iterator[RectifierDuty]:
    """Every diode and plate."""
    state, one = amp.state, amp.one
    for k, part in enumerate(state.operating_point.network.rectifiers):
        amps, volts = state.rectifier_currents[:, k], state.rectifier_volts[:, k]
        peak = amps.max(axis=1)
        yield RectifierDuty(
            part.name, one(amps.mean(axis=1)), one(np.sqrt((amps**2).mean(axis=1))), one(peak),
            one(-volts.min(axis=1)), one((amps > 0.01 * peak[:, None]).mean(axis=1)),
        )  # fmt: skip


def coil_readings(amp: SolvedAmp) -> Iterator[CoilReading]:
    """Every section of every winding, and every choke."""
    state, one = amp.state, amp.one
    wired = {part.name: part for part in state.circuit.of(Windings)}
    for part in amp.amp.parts.values():
        if part.designator not in wired or isinstance(part, drawn.Loudspeaker):
            continue
        coils = wired[part.designator]
        names = (
            [(w.name, pair) for w in part.windings for pair in w.sections]
            if isinstance(part, drawn.Transformer)
            else [("", part.nodes[:2])]
        )
        for j, (name, pair) in enumerate(names):
            rms, ohms = state.winding_rms(part.designator, j), np.asarray(coils.ohms[j])
            yield CoilReading(
                part.designator, name.replace("_", " "), (pair[0], pair[1]), one(rms),
                one(state.winding_mean(part.designator, j)), one(ohms), one(rms**2 * ohms),
            )  # fmt: skip


def line_reading(amp: SolvedAmp) -> MainsReading:
    """Readings of what the plug delivers."""
    plug = next(part for part in amp.amp.parts.values() if isinstance(part, drawn.MainsPlug))
    state, one = amp.state, amp.one
    row = state.operating_point.network.unknowns.index(f"I({plug.designator})")
    amps = -state.spectrum[:, :, row]  # what leaves the plug into the amp
    rms = np.sqrt(amps[:, 0].real ** 2 + 0.5 * (np.abs(amps[:, 1:]) ** 2).sum(axis=1))
    volts = np.broadcast_to(np.asarray(amp.amp.mains_rms, float), rms.shape)
    watts = volts / np.sqrt(2.0) * amps[:, 1].real
    apparent = volts * rms
    factor = np.divide(watts, apparent, out=np.ones_like(watts), where=apparent > 0)
    return MainsReading(one(volts), one(rms), one(watts), one(apparent), one(factor))


def plug_amps(state: MainsState) -> Array:
    """What the plug delivers, without its direct part [A RMS], (N,)."""
    plug = state.circuit.of(VoltageSource)[0].name
    row = state.operating_point.network.unknowns.index(f"I({plug})")
    return np.asarray(np.sqrt(0.5 * (np.abs(state.spectrum[:, 1:, row]) ** 2).sum(axis=1)))


def fuse_readings(amp: SolvedAmp) -> Iterator[FuseReading]:
    """Every fuse that is fitted."""
    one = amp.one
    for part in amp.amp.parts.values():
        if isinstance(part, drawn.Fuse) and part.condition == "fitted":
            amps = fuse_amps(amp.state, part)
            times = amps / np.asarray(part.amps)
            kind = fuse_class(amp.amp, part)
            yield FuseReading(
                part.designator, part.speed, one(amps), one(np.asarray(part.amps)),
                one(kind.holds_at_least(times)), one(kind.open_at_last(times)),
                str(kind), kind.carries(times),
            )  # fmt: skip

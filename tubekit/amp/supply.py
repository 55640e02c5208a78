"""The power supply of an amp in steady state: ripple and its heat, rectifiers, windings, mains, fuses."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tubekit.amp import supply_duty as duty
from tubekit.amp.amp import Amp
from tubekit.amp.fuse_time import CLASS_WORDS
from tubekit.amp.mains_solve import solve_circuit
from tubekit.amp.parts import OutputTransformer, PowerTransformer
from tubekit.amp.report import AmpReport, analyze
from tubekit.amp.supply_readings import (
    CoilReading,
    FilterReading,
    FuseReading,
    MainsReading,
    RectifierDuty,
)
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
from tubekit.text import Column, Printed, Table

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
            f"{self.amp.title}: supply at idle, {watts:.2g} W from the line, {copper:.2g} W lost in "
            f"the windings"
        )

    def tables(self) -> list[Table]:
        """Capacitors, harmonics, rectifiers, windings, mains and fuses."""
        usual = f"ESR of electrolytics where none is stated: tan δ of {duty.LOSS} (shop rule of thumb)."
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
        report, tuple(duty.filters(result, cold)), tuple(duty.rectifiers(result)), tuple(duty.coils(result)),
        duty.mains(result), tuple(duty.fuses(result)), cold,
    )  # fmt: skip


def _cold(circuit: Circuit, amp: Amp, like: SupplyReport | None) -> MainsState:
    """The supply while no tube draws: nothing amplifies, so only what the rectifiers see need be proven."""
    before = None if like is None else like.cold
    fits = before is not None and [p.name for p in before.circuit.parts] == [p.name for p in circuit.parts]
    return solve_circuit(circuit, amp, before if fits else None, rails_only=True)

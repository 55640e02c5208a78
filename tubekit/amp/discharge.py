"""How long the filter capacitors hold their charge after switch-off."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.mains_solve import LEAK_WORDS
from tubekit.amp.parts import Capacitor, MainsPlug
from tubekit.amp.report import AmpReport
from tubekit.amp.supply import SupplyReport, supply_report
from tubekit.amp.warming import WORDS, cooled, emission
from tubekit.analyses.mains import MainsState
from tubekit.analyses.transient import Transient, transient
from tubekit.circuit.network import assemble
from tubekit.circuit.parts import Circuit
from tubekit.circuit.reduction import resistance_across
from tubekit.references import cite
from tubekit.result_fields import Array
from tubekit.series import nearest
from tubekit.text import Column, Printed, Table, quantity
from tubekit.units import mark

LOOKED_AT_S = (1.0, 2.0, 5.0, 60.0)
LIMIT_V = 60.0
"""Residual voltage that the standards below speak of [V]."""
LONGEST_S = 600.0
NO_BLEEDER = 20e6
"""A capacitor whose discharge path has more than this is not bled [Ω]; common practice, no source."""
EMPTY_V, EMPTY_S = 10.0, 2.0
"""A discharge resistor brings all capacitors together to these volts in this time; common practice."""
STANDARDS = ("iec-60204-1", "iec-62368-1")
MEASURE = (
    "Measure; do not rely on these calculated values. A bleeder may be open, a switch may have cut it off, "
    "and dielectric absorption brings part of a charge back. Discharge each capacitor to 0 V through a "
    "resistor, and check it with a meter before and while you work on it. Follow local codes; leave licensed "
    "work to licensed people. A value below 60 V here is only a calculation, not a guarantee."
)


@dataclass(frozen=True, eq=False)
class HeldCharge:
    """One capacitor after switch-off, in one case."""

    capacitor: str
    case: str
    a: str
    b: str
    volts: Array = quantity("V", "V", "voltage across it at 0, 1, 2, 5 and 60 s")
    joules: Array = quantity("J", "W", "energy stored in it at the same times")
    to_limit_s: float = quantity("s", "t_60", "time until it is down to 60 V")
    bleed_ohms: float = quantity("ohm", "R", "discharge resistance with cold tubes")
    time_constant_s: float = quantity("s", "τ", "discharge resistance times its capacitance")


CASES = {"cold": "tubes drawing no current (worst case)", "cooling": "tubes cooling"}


@dataclass(frozen=True, eq=False, repr=False)
class Discharge(Printed):
    """Every capacitor of the supply after switch-off.

    Two cases: from idle, while the tubes cool and still draw current; and with tubes that draw none (cold,
    pulled, or cut off by standby), from the higher voltage that leaves, through what is wired across alone.
    """

    amp: Amp
    held: tuple[HeldCharge, ...]
    cooling: Transient = field(repr=False)
    cold: Transient = field(repr=False)
    leaks: tuple[str, ...] = ()

    json_keys = (
        "amp=amp.title", "held", "not_followed_treat_as_charged=not_followed",
        "above_limit_after_5_s=beyond",
    )  # fmt: skip

    def of(self, capacitor: str, case: str = "cold") -> HeldCharge:
        """One capacitor in one case; KeyError if there is none."""
        return {(one.capacitor, one.case): one for one in self.held}[capacitor, case]

    @property
    def slowest(self) -> HeldCharge:
        """The capacitor and case that takes longest to come down to 60 V."""
        return max(self.held, key=lambda one: (one.to_limit_s, one.volts[3]))

    @property
    def beyond(self) -> tuple[HeldCharge, ...]:
        """Capacitors above 60 V 5 s after switch-off: more than IEC 60204-1 lets stand where hands reach."""
        return tuple(one for one in self.held if one.volts[3] > LIMIT_V)

    @property
    def not_followed(self) -> tuple[str, ...]:
        """Large capacitors that no figure here is about: treat them as charged."""
        return self.amp.topology.not_followed

    def headline(self) -> str:
        """The slowest, in one sentence."""
        if not self.held:
            return f"{self.amp.title}: no capacitor could be calculated. Treat all of them as charged."
        one = self.slowest
        names = [one.capacitor]
        time = f"takes {one.to_limit_s:.2g} s to drop to {LIMIT_V:g} V"
        if np.isinf(one.to_limit_s):
            held = sorted((h for h in self.held if np.isinf(h.to_limit_s)), key=lambda h: -float(h.joules[0]))
            names = list(dict.fromkeys(h.capacitor for h in held))
            are = "is" if len(names) == 1 else "are"
            time = f"{are} still above {LIMIT_V:g} V after {self.cold.time[-1]:g} s"
        text = f"{self.amp.title}: {', '.join(names)} {time}, {CASES[one.case]}."
        if np.isfinite(one.to_limit_s):
            text += " With the bleeder open it takes much longer."
        first = "discharge to 0 V and check with a meter before you touch it"
        return f"{text} {LIMIT_V:g} V is NOT safe to touch: {first}."

    def tables(self) -> list[Table]:
        """One row per capacitor and case."""
        heads = (
            Column("capacitor"), Column("tubes"), Column("right after off", "V"),
            *(Column(f"{t:g} s", "V") for t in LOOKED_AT_S), Column("energy", "J"),
            Column("time to 60 V", "s"), Column("bleeder", "ohm"),
        )  # fmt: skip
        rows = [
            (one.capacitor, one.case, *map(float, one.volts), float(one.joules[0]),
             self._time(one.to_limit_s), one.bleed_ohms)
            for one in self.held
        ]  # fmt: skip
        return [
            Table(
                "After switch-off",
                heads,
                rows,
                note="\n".join((*self._verdicts(), *self.notes())),
                key="held",
            )
        ]

    def _time(self, seconds: float) -> str | float:
        """A time to the limit as a cell: what starts below it takes none, which reads as safe."""
        if np.isinf(seconds):
            return f"> {self.cold.time[-1]:g} s"
        return seconds or "starts below"

    def _verdicts(self) -> Iterator[str]:
        if self.not_followed:
            yield (
                f"Treat as charged, discharge and check with a meter: {', '.join(self.not_followed)}. They "
                "are not calculated here: no rectifier feeds them with the switches and plugs as set, or the "
                "path is too complex."
            )
        yield self._verdict()

    def _verdict(self) -> str:
        if not self.beyond:
            text = f"By calculation all fall below {LIMIT_V:g} V within 5 s."
            return f"{text} That does not make them safe to touch."
        names = ", ".join(dict.fromkeys(one.capacitor for one in self.beyond))
        return (
            f"Discharge each one to 0 V through a resistor, then check with a meter: {names}. By calculation "
            f"above {LIMIT_V:g} V after 5 s."
        )

    def notes(self) -> tuple[str, ...]:
        """Standards, and what was taken for granted."""
        cited = "; ".join(cite(key) for key in STANDARDS)
        return (
            f"Limits for comparison: {cited}.",
            f"Cooling and {WORDS}. No signal and no oscillation; output transformers as their copper.",
            *self.leaks,
        )

    @property
    def caution(self) -> str:
        """Caution that these figures do not make anything safe to touch."""
        return MEASURE

    def short(self) -> list[Table]:
        """The slow case of each capacitor, the slowest first."""
        table = self.table("held")
        slowest = {h.capacitor: k for k, h in sorted(enumerate(self.held), key=lambda kh: kh[1].volts[3])}
        rows = [table.rows[k] for k in reversed(slowest.values())]
        heads = ("capacitor", "tubes", "right after off", "5 s", "60 s", "time to 60 V", "energy")
        return [replace(table, rows=rows).only(*heads)]

    def answer(self) -> str:
        """The slowest, what is not followed, what bleeds the rest, and the resistor to use."""
        return " ".join([self.headline(), *list(self._verdicts())[:-1], *self._bleeding()])

    def _bleeding(self) -> Iterator[str]:
        """What holds its charge, what bleeds the others, and a resistor that empties all of them."""
        cold = [one for one in self.held if one.case == "cold" and one.volts[0] > LIMIT_V]
        kept = [one.capacitor for one in cold if one.bleed_ohms > NO_BLEEDER]
        if kept:
            yield f"Nothing bleeds {', '.join(kept)}."
        if cold:
            volts = max(one.volts[0] for one in cold)
            farads = sum(2.0 * one.joules[0] / one.volts[0] ** 2 for one in cold)
            ohms = nearest(float(EMPTY_S / (farads * np.log(volts / EMPTY_V))), "E12")
            watts = 5 if volts**2 / ohms < 50.0 else 10
            yield f"Use {mark(ohms, 'ohm')}, {watts} W with insulated leads, 5 s on each."


def discharge(amp: Amp, *, near: AmpReport | None = None, seconds: float = LONGEST_S) -> Discharge:
    """Calculate how every capacitor of the supply discharges once the line is cut.

    The mains plug counts as pulled at the peak of the line. Valid for the parts as drawn: a bleeder
    that has gone open is calculated with `amp.changed({"R24": "open"})`.

    Parameters
    ----------
    amp
        The amp, from `load_amp`, changed or not.
    near
        A report of this amp, to save the solve.
    seconds
        How long to look [s].

    Returns
    -------
    Discharge
        Volts of each capacitor over time, tubes cold and tubes cooling.

    Raises
    ------
    ChangeError
        A batch.
    SolveError
        The amp has no idle state, or the run stops.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> result = discharge(load_amp("teasel"))
    >>> bool(result.of("C14").volts[0] > result.of("C14").volts[3] > 60)
    True
    """
    amp.refuse_batch()
    supply = supply_report(amp, near=near)
    state = supply.report.solved.state
    plug = next(part for part in amp.parts.values() if isinstance(part, MainsPlug))
    circuit = supply.still(state.circuit.without(plug.designator))
    bare = circuit.cold
    cooling = transient(circuit, seconds, start=state, emission=emission(amp, cooled))
    cold = transient(bare, seconds, start=supply.cold)
    held = [
        *_cases(supply, "cooling", cooling, state, bare),
        *_cases(supply, "cold", cold, supply.cold, bare),
    ]
    order = [one.capacitor for one in supply.filters]
    held.sort(key=lambda one: (order.index(one.capacitor), one.case != "cooling"))
    leaks = tuple(words for words in supply.report.solved.built.assumptions if LEAK_WORDS in words)
    return Discharge(amp, tuple(held), cooling, cold, leaks)


def _cases(
    supply: SupplyReport, case: str, run: Transient, state: MainsState, bare: Circuit
) -> list[HeldCharge]:
    charges, network = [], assemble(bare)
    for one in supply.filters:
        if one.capacitor in supply.amp.topology.not_followed:
            continue
        part = supply.amp.parts[one.capacitor]
        assert isinstance(part, Capacitor)
        farads = float(np.asarray(part.farads))
        first = float(state.waveform(one.a, one.b)[0, np.abs(state.waveform(one.a, one.b)[0]).argmax()])
        volts = np.array(
            [first, *(run.at(one.a, t, one.b) if t <= run.time[-1] else np.nan for t in LOOKED_AT_S)]
        )
        ohms = float(resistance_across(network, one.a, one.b).item())
        charges.append(
            HeldCharge(
                one.capacitor, case, one.a, one.b, np.abs(volts), 0.5 * farads * volts**2,
                _down_to_limit(run, one.a, one.b), ohms, ohms * farads,
            )
        )  # fmt: skip
    return charges


def _down_to_limit(run: Transient, a: str, b: str) -> float:
    volts = np.abs(run.volts(a, b))
    above = np.flatnonzero(volts > LIMIT_V)
    if not len(above):
        return 0.0
    k = int(above[-1])
    if k == len(volts) - 1:
        return float("inf")
    share = np.log(volts[k] / LIMIT_V) / np.log(volts[k] / max(volts[k + 1], 1e-3))
    return float(run.time[k] + share * (run.time[k + 1] - run.time[k]))

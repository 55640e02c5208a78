"""Bringing an amp up after a repair or a long rest: what to expect at each step, and when to stop.

Cathodes give less at a low heater voltage. The emission left follows Richardson's law of an oxide cathode
(1050 K, 1.1 eV, temperature by the 0.4th power of the heater voltage), with ten times the current in
reserve at full heat: from memory, so take the steps below half of the mains as a picture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tubekit.amp import Amp, parts as drawn
from tubekit.amp.report import CAUTION
from tubekit.amp.sockets import RectifierTube, Tube
from tubekit.amp.solve import Solved, solve, types_of
from tubekit.bench.candidates import tube_readings
from tubekit.bench.lamp import Lamp, behind_lamp
from tubekit.circuit.parts import GROUND, VoltageSource
from tubekit.decisions.probe import Probe
from tubekit.devices import catalogue
from tubekit.errors import InputError
from tubekit.text import Column, Printed, Table, quantity, to_json_value
from tubekit.units import show

Array = np.ndarray

STEPS = (0.25, 0.50, 0.75, 1.0)
CATHODE_K, WORK_FUNCTION_K, RESERVE = 1050.0, 12_760.0, 10.0
LEAST = 1e-4
"""Emission that stands for a cold cathode."""
LAMP_ROUNDS = 4
FILTER_FROM_V = 200.0
"""Capacitors rated above this are taken as filters [V]."""
OVER = 1.3
"""Mains current beyond this many times the expected stops the step (common practice, no source)."""


@dataclass(frozen=True)
class Step:
    """One step: how it is set, the mains the amp then gets, its current, and what to read."""

    setting: str
    mains_v: float = quantity("V rms", "V", "mains at the amp")
    mains_a: float = quantity("A", "I", "mains current, effective value")
    heater_share: float = quantity("", "", "heater voltage over its rated one")
    volts: tuple[float, ...] = ()
    watch: str = ""


@dataclass(frozen=True, eq=False, repr=False)
class BringUp(Printed):
    """Steps on a variable supply or behind a lamp, with stop conditions."""

    amp: Amp
    way: str
    probes: tuple[Probe, ...]
    steps: tuple[Step, ...]
    stops: tuple[str, ...]
    shorted: Step | None = None

    def headline(self) -> str:
        """How it is brought up."""
        return f"{self.amp.title}: brought up {self.way}, {len(self.steps)} steps."

    def tables(self) -> list[Table]:
        """Steps with their readings, then when to stop."""
        columns = (
            Column("set"), Column("mains at the amp", "V rms"), Column("mains current", "A rms"),
            Column("heaters", "%", format=".0f"), *(Column(p.place[0], "V", 4) for p in self.probes),
            Column("look at"),
        )  # fmt: skip
        rows = [
            (s.setting, s.mains_v, s.mains_a, 100 * s.heater_share, *s.volts, s.watch)
            for s in (*self.steps, *((self.shorted,) if self.shorted else ()))
        ]
        stops = [(number, text) for number, text in enumerate(self.stops, 1)]
        return [
            Table("Steps (settled)", columns, rows),
            Table("Stop, switch off and discharge when", (Column(""), Column("")), stops, note=CAUTION),
        ]

    def to_json(self) -> dict[str, Any]:
        """Steps in SI units."""
        return {
            "amp": self.amp.title, "way": self.way, "readings": [str(p) for p in self.probes],
            "steps": to_json_value(self.steps), "stops": list(self.stops),
            "shorted_reservoir": to_json_value(self.shorted), "caution": CAUTION,
        }  # fmt: skip


def emission_at(heater_share: float) -> float:
    """Emission left at a share of the rated heater voltage, 1 where the reserve covers it.

    Examples
    --------
    >>> [round(emission_at(share), 3) for share in (1.0, 0.75, 0.5, 0.25)]
    [1.0, 1.0, 0.118, 0.0]
    """
    if heater_share >= 1.0:
        return 1.0
    hot = max(heater_share, 1e-3) ** 0.4
    exponent = WORK_FUNCTION_K / CATHODE_K * (1.0 - 1.0 / hot)
    return float(np.clip(RESERVE * hot**2 * np.exp(exponent), LEAST, 1.0))


def bring_up(
    amp: Amp,
    lamp: Lamp | None = None,
    *,
    lamps: Sequence[float] = (40.0, 60.0, 100.0, 150.0),
    steps: Sequence[float] = STEPS,
    in_series: bool = False,
) -> BringUp:
    """What to expect while an amp is brought up.

    Parameters
    ----------
    in_series : behind lamps of rising power instead of on a variable supply; `lamps` are their watts at the
        mains voltage, `lamp` a single one.
    steps : shares of the mains for a variable supply, rising, up to 1.2.

    Raises
    ------
    InputError : a batch, steps out of range.
    SolveError : a step has no steady state.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> found = bring_up(load_amp("teasel"))
    >>> [round(step.mains_v) for step in found.steps]
    [29, 58, 88, 117]
    >>> found.steps[0].volts[0] < 30 < found.steps[1].volts[0]
    True
    """
    if amp.batch is not None:
        raise InputError("a batch is brought up one by one", where=amp.name, fix="Take one with member(0)")
    probes = tube_readings(amp, 4) + tuple(p for p in tube_readings(amp, 99) if _is_output_cathode(amp, p))
    if in_series or lamp is not None:
        volts = round(float(amp.mains_rms), 0)
        given = [lamp] if lamp is not None else [Lamp(watts, volts) for watts in lamps]
        found = tuple(_behind(amp, one, probes) for one in given)
        return BringUp(
            amp, "behind a series lamp", probes, found, _stops(amp, found), _shorted(amp, given[-1], probes)
        )
    if not steps or not all(0.05 <= s <= 1.2 for s in steps):
        raise InputError(
            "steps lie between 0.05 and 1.2 of the mains", where=amp.name, fix="Give steps=(0.25, …)"
        )
    stepped = tuple(_on_supply(amp, share, probes) for share in steps)
    return BringUp(amp, "on a variable supply", probes, stepped, _stops(amp, stepped))


def _is_output_cathode(amp: Amp, probe: Probe) -> bool:
    powers = [p for p in amp.parts.values() if isinstance(p, Tube) and any(s.screen for s in p.sections)]
    return probe.place[1] == GROUND and any(s.cathode == probe.place[0] for p in powers for s in p.sections)


def _at(amp: Amp, mains: float) -> tuple[Amp, float]:
    """The amp at a mains voltage, with the emission its heaters then leave."""
    share = mains / amp.design_mains_rms
    left = emission_at(share)
    changes: dict[str, object] = {
        f"{name}.emission": max(left, LEAST) for name, part in amp.parts.items()
        if isinstance(part, Tube) and part.heater and catalogue.tube(types_of(part)[0]).heater_volts
    }  # fmt: skip
    return amp.changed(changes if left < 1.0 else {}), share


def _on_supply(amp: Amp, share: float, probes: Sequence[Probe]) -> Step:
    mains = share * float(amp.mains_rms)
    at, heaters = _at(amp, mains)
    solved = solve(at.changed({}, mains_rms=mains))
    return _step(f"{100 * share:.0f} %", solved, mains, heaters, probes, _watch(amp, heaters))


def _behind(amp: Amp, lamp: Lamp, probes: Sequence[Probe]) -> Step:
    mains = float(amp.mains_rms)
    for _ in range(LAMP_ROUNDS):  # cooler heaters draw less B+ current, which leaves more mains
        at, heaters = _at(amp, mains)
        solved, new, across = behind_lamp(at, lamp)
        done, mains = abs(new / mains - 1.0) < 5e-3, new
        if done:
            break
    words = f"lamp {show(lamp.watts, 'W')} {show(lamp.volts, 'V')}"
    watch = f"lamp {lamp.looks(across)}; {_watch(amp, heaters)}"
    return _step(words, solved, mains, heaters, probes, watch)


def _shorted(amp: Amp, lamp: Lamp, probes: Sequence[Probe]) -> Step | None:
    """The same lamp with the reservoir shorted: how a short looks."""
    rails = [p for p in amp.parts.values() if isinstance(p, drawn.Capacitor) and probes and
             set(p.ends) == {probes[0].place[0], GROUND}]  # fmt: skip
    if not rails:
        return None
    bad = amp.changed({rails[0].designator: "short"})
    solved, mains, across = behind_lamp(bad, lamp)
    heaters = mains / amp.design_mains_rms
    words = f"lamp {show(lamp.watts, 'W')}, {rails[0].designator} shorted"
    return _step(words, solved, mains, heaters, probes, f"a short: lamp {lamp.looks(across)}")


def _step(
    words: str, solved: Solved, mains: float, heaters: float, probes: Sequence[Probe], watch: str
) -> Step:
    state = solved.state
    plug = state.circuit.of(VoltageSource)[0].name
    row = state.operating_point.network.unknowns.index(f"I({plug})")
    amps = float(np.sqrt(0.5 * (np.abs(state.spectrum[0, 1:, row]) ** 2).sum()))
    known = state.operating_point.network.index
    volts = tuple(float(state.mean(*p.place)[0]) if p.place[0] in known else 0.0 for p in probes)
    return Step(words, mains, amps, heaters, volts, watch)


def _watch(amp: Amp, heaters: float) -> str:
    tube = any(isinstance(p, RectifierTube) and p.heater for p in amp.parts.values())
    if heaters < 0.45:
        return (
            "heaters dark; B+ nearly nil with a tube rectifier"
            if tube
            else "heaters dark; B+ is there already"
        )
    if heaters < 0.7:
        return "heaters dull; B+ begins, hold until electrolytics have formed"
    if heaters < 0.95:
        return "heaters glow; cathodes show bias"
    return "everything at its working voltage"


def _stops(amp: Amp, steps: Sequence[Step]) -> tuple[str, ...]:
    last = steps[-1]
    ratings = [float(np.max(c.volts)) for c in amp.parts.values()
               if isinstance(c, drawn.Capacitor) and c.volts is not None]  # fmt: skip
    lowest = min((volts for volts in ratings if volts > FILTER_FROM_V), default=0.0)
    most, expected = show(OVER * last.mains_a, "A"), show(last.mains_a, "A")
    stops = [
        (
            f"the mains current passes {most} at the last step ({OVER:g} times the expected {expected}), or "
            "does not fall back after a step"
        ),
        "B+ stays more than 15 % below the step's figure, or goes on falling",
        "a cathode resistor's voltage rises 15 % above its figure and keeps climbing, or a plate glows red",
        "anything smells, smokes or hums loudly, or a filter capacitor grows warm",
    ]
    if lowest:
        stops.insert(2, f"any rail passes {show(lowest, 'V')}, the lowest rating among the filter capacitors")
    return tuple(stops)

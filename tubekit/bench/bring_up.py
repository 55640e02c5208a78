"""Bringing an amp up after a repair or a long rest: what to expect at each step, and when to stop."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from tubekit.amp import Amp, parts as drawn
from tubekit.amp.parts.tubes import RectifierTube, Tube
from tubekit.amp.solve import SolvedAmp, solve_amp
from tubekit.amp.supply import SupplyReport, plug_amps, supply_report
from tubekit.amp.warming import settling_s
from tubekit.bench.lamp import LAW, LimiterLamp, behind_lamp, usual_lamp
from tubekit.bench.next_reading import tube_readings
from tubekit.bench.preparations import DARK, cold_note, fixed_bias_nodes, lamp_stops, prepare, stops, watch
from tubekit.circuit.parts import GROUND
from tubekit.decisions.probe import Probe
from tubekit.devices.heater import EMISSION
from tubekit.errors import InputError
from tubekit.text import Column, Printed, Table, headed, quantity

WARMING = (
    "Right after each step the heaters are still cool, so the line current reads high; it drops during the "
    "wait (warm-up times are a shop rule of thumb)."
)

Array = np.ndarray

STEPS = (0.25, 0.50, 0.75, 1.0)
LEAST_V = 1e-3
"""Less than this is shown as zero [V]."""


@dataclass(frozen=True)
class BringUpStep:
    """One step: how it is set, the line voltage the amp then gets, its current, and what to read."""

    setting: str
    mains_v: float = quantity("V RMS", "V", "line voltage at the amp")
    mains_a: float = quantity("A", "I", "line current once the heaters have settled, RMS")
    first_a: float = quantity(
        "A", "I_0", "line current right after you raise the voltage, before the heaters warm up further, RMS"
    )
    wait_s: float = quantity("s", "t", "wait until heaters and cathodes have settled")
    heater_share: float = quantity("", "", "heater voltage as a fraction of its rating")
    volts: tuple[float, ...] = ()
    watch: str = ""


@dataclass(frozen=True, eq=False, repr=False)
class BringUp(Printed):
    """Steps on a variable supply or behind a lamp, with stop conditions."""

    amp: Amp
    way: str
    probes: tuple[Probe, ...]
    steps: tuple[BringUpStep, ...]
    stops: tuple[str, ...]
    before: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    shorted: BringUpStep | None = None

    json_keys = (
        "amp=amp.title", "way", "readings=probes", "before", "steps", "stops", "notes",
        "shorted_reservoir=shorted",
    )  # fmt: skip

    def headline(self) -> str:
        """Way it is brought up, and the number of steps."""
        return f"{self.amp.title}: bringing it up {self.way}, {len(self.steps)} steps."

    def tables(self) -> list[Table]:
        """Preparations, readings by step, what to look at in each, then when to stop."""
        steps = (*self.steps, *((self.shorted,) if self.shorted else ()))
        columns = (Column("reading"), *(Column(step.setting, align="right") for step in steps))
        rows: list[tuple[Any, ...]] = [
            ("line voltage at the amp", *((step.mains_v, "V RMS") for step in steps)),
            ("line current right after the step", *((step.first_a, "A RMS") for step in steps)),
            ("wait", *("switch off" if step is self.shorted else f"{step.wait_s:.0f} s" for step in steps)),
            ("settled line current", *((step.mains_a, "A RMS") for step in steps)),
            ("heaters", *(f"{100 * step.heater_share:.0f} %" for step in steps)),
        ]
        if not any(np.isfinite(step.first_a) for step in steps):  # a lamp shows it by a flare
            del rows[1]
        rails = {rail.node for rail in self.amp.topology.wired.rails}
        rows += [
            (self.amp.topology.place(p.place[0]), *(
                (_least(s.volts[k], p.place[0] in rails and cold_rectifier(self.amp, s.heater_share)), "V")
                for s in steps
            ))
            for k, p in enumerate(self.probes)
        ]  # fmt: skip
        first = [(str(number), text) for number, text in enumerate(self.before, 1)]
        look = [(step.setting, step.watch) for step in steps]
        stops = [(str(number), text) for number, text in enumerate(self.stops, 1)]
        two = headed("", "")
        note = "\n".join(self.notes)
        return [
            Table("BEFORE YOU START", two, first),
            Table("Steps (volts to ground after the wait)", columns, rows),
            Table("What to look at", two, look),
            Table("Stop, switch off and discharge if", two, stops, note=note),
        ]

    def answer(self) -> str:
        """How, and when to stop."""
        return (
            f"{self.headline()} Stop, switch off and discharge if the line current is over 1.3 times the "
            "table, a cathode 15 % above it, B+ 15 % below it, a plate glows, or anything smells or smokes."
        )

    def short(self) -> list[Table]:
        """Preparations, then the steps."""
        first, steps, *_ = self.tables()
        rows = [row for row in steps.rows if row[0] not in ("heaters", "line current right after the step")]
        rows[4:] = sorted(rows[4:], key=lambda row: " grid " not in str(row[0]))
        text = " ".join(text for _, text in first.rows)
        return [replace(first, rows=[("", text)]), replace(steps, rows=rows).alike("reading")]


def _least(volts: float, cold: bool) -> Array:
    """Volts as a meter reads them; from 0 V on where a `cold` rectifier sets them."""
    return np.array([0.0, volts] if cold else volts) if abs(volts) >= LEAST_V else np.zeros(())


def cold_rectifier(amp: Amp, heater_share: float) -> bool:
    """Whether a tube rectifies whose heater is dark: B+ is then from 0 V to what is calculated."""
    heated = any(isinstance(p, RectifierTube) and not p.silicon for p in amp.parts.values())
    return heated and heater_share < DARK


def bring_up(
    amp: Amp,
    lamp: LimiterLamp | None = None,
    *,
    lamps: Sequence[float] = (40.0, 60.0, 100.0, 150.0),
    steps: Sequence[float] = STEPS,
    in_series: bool = False,
) -> BringUp:
    """Calculate the readings to expect while an amp is brought up.

    Parameters
    ----------
    amp
        The amp, from `load_amp`, changed or not.
    lamp
        A single lamp to bring the amp up behind.
    lamps
        Watts of lamps at the line voltage, tried in turn.
    steps
        Shares of the line for a variable supply, rising, up to 1.2.
    in_series
        Behind lamps of rising power instead of on a variable supply.

    Returns
    -------
    BringUp
        What to measure at each step, and what a faulty amp would show.

    Raises
    ------
    InputError
        A batch, steps out of range.
    SolveError
        A step has no steady state.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> result = bring_up(load_amp("teasel"))
    >>> [round(step.mains_v) for step in result.steps]
    [29, 58, 88, 117]
    >>> result.steps[0].volts[0] < 30 < result.steps[1].volts[0]
    True
    """
    amp.refuse_batch()
    supply = supply_report(amp)
    bias = fixed_bias_nodes(amp, supply)
    probes = (
        *tube_readings(amp, 4), *(p for p in tube_readings(amp, 99) if _is_output_cathode(amp, p)),
        *(Probe("dc_v", (node, GROUND)) for node in bias),
    )  # fmt: skip
    asked = _Asked(amp, supply, tuple(dict.fromkeys(probes)), bias)
    if in_series or lamp is not None:
        given = [lamp] if lamp is not None else [usual_lamp(w, float(amp.mains_rms)) for w in lamps]
        return _behind_lamps(asked, given)
    if not steps or not all(0.05 <= s <= 1.2 for s in steps):
        raise InputError(
            "steps must be 0.05 to 1.2 times the line voltage", where=amp.name, fix="Give steps=(0.25, …)"
        )
    stepped = tuple(
        _on_supply(asked, share, before) for before, share in zip((0.0, *steps[:-1]), steps, strict=True)
    )
    notes = (cold_note(supply), WARMING, EMISSION)
    return BringUp(
        amp, "on a variable transformer", asked.probes, stepped,
        stops(supply, stepped[-1].mains_a, bias), prepare(amp, bias), notes,
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class _Asked:
    """What every step needs: the amp, its supply at full mains, what is read, nodes of fixed bias."""

    amp: Amp
    supply: SupplyReport
    probes: tuple[Probe, ...]
    bias: Mapping[str, float]

    def watch(self, heaters: float, solved: SolvedAmp) -> str:
        """Words for what to look at: heaters and B+ against full line voltage."""
        rail = self.probes[0].place[0]
        working = float(self.supply.report.solved.state.mean(rail)[0])
        cold = cold_rectifier(self.amp, heaters)
        return watch(heaters, float(solved.state.mean(rail)[0]), working, self.bias, cold=cold)


def _is_output_cathode(amp: Amp, probe: Probe) -> bool:
    powers = [p for p in amp.parts.values() if isinstance(p, Tube) and any(s.screen for s in p.sections)]
    return probe.place[1] == GROUND and any(s.cathode == probe.place[0] for p in powers for s in p.sections)


def _on_supply(asked: _Asked, share: float, before: float) -> BringUpStep:
    """A step; heaters are at first as cold as the step before left them, and draw the more."""
    at = asked.amp.changed({}, mains_rms=share * float(asked.amp.mains_rms))
    heat = float(at.mains_rms) / at.design_mains_rms
    settled = solve_amp(at)
    first = float(plug_amps(solve_amp(at, settled, heat=heat * before / share).state)[0])
    return _step(asked, f"{100 * share:.0f} %", settled, heat, asked.watch(heat, settled), first_a=first)


def _behind_lamps(asked: _Asked, given: Sequence[LimiterLamp]) -> BringUp:
    result = tuple(_behind(asked, one) for one in given)
    shorted = _shorted(asked, given[0])  # one begins with the smallest lamp
    looks = result[0].watch.partition(";")[0].removeprefix("lamp ")
    short = f"; {shorted.watch}" if shorted else ""
    stops = lamp_stops(looks, short, asked.supply, asked.bias)
    notes = (cold_note(asked.supply), LAW, EMISSION)
    before = prepare(asked.amp, asked.bias)
    return BringUp(
        asked.amp, "through a light-bulb limiter", asked.probes, result, stops, before, notes, shorted
    )


def _behind(asked: _Asked, lamp: LimiterLamp) -> BringUpStep:
    result = behind_lamp(asked.amp, lamp)
    heat = result.amp_v / asked.amp.design_mains_rms
    watch = f"lamp {_looks(lamp, result.lamp_v)}; {asked.watch(heat, result.solved)}"
    return _step(asked, _lamp_words(lamp), result.solved, heat, watch)


def _lamp_words(lamp: LimiterLamp) -> str:
    return f"lamp {lamp.watts:g} W"


def _shorted(asked: _Asked, lamp: LimiterLamp) -> BringUpStep | None:
    """The same lamp with the reservoir shorted: how a short looks."""
    rail = asked.probes[0].place[0]
    held = [p for p in asked.amp.parts.values() if isinstance(p, drawn.Capacitor)
            and set(p.ends) == {rail, GROUND}]  # fmt: skip
    if not held:
        return None
    name = held[0].designator
    result = behind_lamp(asked.amp.changed({name: "short"}), lamp)
    heat = result.amp_v / asked.amp.design_mains_rms
    watch = f"if {name} is shorted, the lamp {_looks(lamp, result.lamp_v)}"
    return _step(asked, f"{_lamp_words(lamp)} if {name} is shorted", result.solved, heat, watch)


def _looks(lamp: LimiterLamp, across: float) -> str:
    """What the eye sees and the meter reads."""
    return f"{lamp.looks(across)} ({across:.0f} V across it)"


def _step(
    asked: _Asked, setting: str, solved: SolvedAmp, heat: float, watch: str, *, first_a: float = float("nan")
) -> BringUpStep:
    state = solved.state
    known = state.operating_point.network.index
    volts = tuple(float(state.mean(*p.place)[0]) if p.place[0] in known else 0.0 for p in asked.probes)
    mains = heat * asked.amp.design_mains_rms
    return BringUpStep(
        setting, mains, float(plug_amps(state)[0]), first_a, settling_s(asked.amp, heat), heat, volts, watch
    )

"""A dropping resistor or a bucking transformer that gives an old amp the line it was drawn for."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from tubekit.amp import Amp, analyze
from tubekit.amp.build import build
from tubekit.amp.parts import MainsPlug
from tubekit.amp.parts.part import HEAT
from tubekit.amp.solve import solve_amp
from tubekit.amp.supply import plug_amps
from tubekit.analyses.mains import MainsState, mains_steady_state
from tubekit.circuit.parts import Circuit, Resistor, VoltageSource
from tubekit.errors import ChangeError
from tubekit.result_fields import Array
from tubekit.series import series_values
from tubekit.text import Printed, Table, quantity

SERIES = "E24"
WATTS = (5.0, 7.0, 10.0, 15.0, 20.0, 25.0, 50.0, 100.0, 200.0)
"""Ratings of power resistors in trade [W]; common practice."""
DERATE = 2.0
"""A power resistor is rated twice what it turns into heat; common practice, no source."""
SECONDARIES = (5.0, 6.3, 8.0, 9.0, 10.0, 12.0, 12.6, 15.0, 16.0, 18.0, 20.0, 24.0, 25.0, 28.0, 30.0, 36.0)
"""Secondaries of small transformers in trade [V RMS]; common practice."""
MARGIN = 1.25
"""A bucking winding is rated for this many times the current of the amp; common practice."""
NOMINAL = (120.0, 230.0)
DROPPER = "dropper"
HEATINGS = 2
"""Solves for the heaters: a tenth of the line moves them by one in twenty."""


FIRST_CHECK = (
    "Check the output of a bucking transformer with a meter before you connect the amp: wired backwards it "
    "boosts the line instead of bucking it."
)


@dataclass(frozen=True, eq=False)
class DropperChoice:
    """One standard resistor in series with the hot lead."""

    ohms: float = quantity("Ω", "R", "standard value", label="resistor", format="g")
    watts: float = quantity("W", "P", "dissipation with the amp warm and idle", label="dissipates")
    rating_w: float = quantity("W", "", "next size above twice the dissipation", label="buy", format="g")
    amp_v: float = quantity("V RMS", "V", "line voltage left for the amp", label="line at the amp")
    off_percent: float = quantity(
        "%", "", "line voltage left, as a share of the design voltage", label="error", format="+.1f"
    )


@dataclass(frozen=True, eq=False)
class BuckChoice:
    """One small transformer, its secondary in series with the amp and opposed to the line."""

    secondary_v: float = quantity(
        "V RMS", "V_s", "secondary voltage at the nominal line voltage", label="secondary", format="g"
    )
    amp_v: float = quantity("V RMS", "V", "line voltage left for the amp", label="line at the amp")
    off_percent: float = quantity(
        "%", "", "line voltage left, as a share of the design voltage", label="error", format="+.1f"
    )
    rating_a: float = quantity("A", "I", "current rating of the secondary to buy", label="current at least")
    rating_va: float = quantity("VA", "S", "its volt-amperes", label="VA at least")


@dataclass(frozen=True, eq=False, repr=False)
class LineLowering(Printed):
    """Two ways back to the design line voltage, the closest first."""

    amp: Amp
    mains_rms: float = quantity("V RMS", "V", "line voltage at the outlet")
    droppers: tuple[DropperChoice, ...] = ()
    bucks: tuple[BuckChoice, ...] = ()
    mains_a: float = quantity("A", "I", "RMS current of the amp at its design voltage", default=np.nan)
    state: MainsState | None = field(default=None, repr=False)

    json_keys = (
        "amp=amp.title", "mains_rms", "design_mains_rms=amp.design_mains_rms", "mains_a", "droppers",
        "bucks",
    )  # fmt: skip

    def headline(self) -> str:
        """Best of both in one sentence."""
        r, b = self.droppers[0], self.bucks[0]
        return (
            f"{self.amp.title} on {self.mains_rms:g} V: a series resistor of {r.ohms:g} Ω, {r.rating_w:g} W "
            f"in the hot side of the primary gives {r.amp_v:.3g} V. "
            f"A {b.secondary_v:g} V, {b.rating_a:.2g} A bucking transformer gives {b.amp_v:.3g} V"
        )

    def answer(self) -> str:
        """The best of both, and what to check first."""
        return f"{self.headline()}. {FIRST_CHECK}"

    def tables(self) -> list[Table]:
        """Both ways."""
        note = (
            f"{FIRST_CHECK} Put either one after the fuse and the "
            "switch, enclosed and grounded. A resistor drops more at switch-on and at full power. Ratings "
            "include the usual margin (shop rule of thumb)."
        )
        return [
            Table.of("Dropping resistor", self.droppers, "ohms", "watts", "rating_w", "amp_v", "off_percent"),
            Table.of("Bucking transformer", self.bucks, "secondary_v", "rating_a", "rating_va", "amp_v",
                     "off_percent", note=note),
        ]  # fmt: skip


def lower_line_voltage(amp: Amp, mains_rms: float, *, choices: int = 5) -> LineLowering:
    """Standard dropping resistors and bucking transformers for an amp on too high a mains.

    Every resistor is solved with the whole amp behind it (its current is no sine); a transformer is
    taken as stiff.

    Parameters
    ----------
    amp
        The amp, from `load_amp`, changed or not.
    mains_rms
        The line voltage it runs on [V RMS]; above the design line voltage.
    choices
        How many of each.

    Returns
    -------
    LineLowering
        Resistors and transformers, with the heater voltage and the dissipation each one gives.

    Raises
    ------
    ChangeError
        A batch, or a line voltage not above the design line voltage.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> result = lower_line_voltage(load_amp("teasel"), 124.0)
    >>> abs(result.droppers[0].off_percent) < 1
    True
    """
    amp.refuse_batch()
    design = amp.design_mains_rms
    if not np.isfinite(mains_rms) or not design < mains_rms <= 2 * design:
        high = mains_rms > design
        raise ChangeError(
            f"{mains_rms:g} V is over twice the design line voltage, {design:g} V" if high else
            f"this amp is designed for {design:g} V, so there is nothing to lower at {mains_rms:g} V",
            where=amp.name, fix=f"Enter a line voltage above {design:g} V, up to twice that" if high else
            "On a lower line an amp needs a step-up transformer or another primary tap",
        )  # fmt: skip
    at_design = analyze(amp.changed({}, mains_rms=design))
    plug = next(part for part in amp.parts.values() if isinstance(part, MainsPlug))
    amps = plug_amps(at_design.solved.state)[0]
    state, ohms = _with_dropper(amp, plug, mains_rms, (mains_rms - design) / amps)
    flow = plug_amps(state)
    left = _left(state, plug)
    droppers = [
        DropperChoice(
            float(r), float(i**2 * r), _rating(DERATE * i**2 * r), float(v), 100 * float(v / design - 1)
        )
        for r, i, v in zip(ohms, flow, left, strict=True)
    ]
    return LineLowering(
        amp, float(mains_rms), tuple(sorted(droppers, key=lambda one: abs(one.off_percent))[:choices]),
        tuple(sorted(_bucks(mains_rms, design, amps), key=lambda one: abs(one.off_percent))[:choices]),
        float(amps), state,
    )  # fmt: skip


def _with_dropper(amp: Amp, plug: MainsPlug, mains_rms: float, ohms: float) -> tuple[MainsState, Array]:
    """The amp on that line behind each standard resistor around `ohms`, its heaters at what each leaves."""
    values = series_values(SERIES, 0.4 * ohms, 2.5 * ohms)
    line = amp.changed({}, mains_rms=mains_rms)
    state, heat = None, np.ones(len(values))
    for _ in range(HEATINGS):
        built = build(line, {**solve_amp(line).built.settled, HEAT: heat})
        state = mains_steady_state(
            _dropped(built.circuit, plug, values), frequency_hz=amp.mains_hz, near=state
        )
        heat = _left(state, plug) / amp.design_mains_rms
    assert state is not None
    return state, values


def _dropped(circuit: Circuit, plug: MainsPlug, values: Array) -> Circuit:
    raw = f"{plug.line} before the dropping resistor"
    parts = [
        replace(part, a=raw) if isinstance(part, VoltageSource) and part.name == plug.designator else part
        for part in circuit.parts
    ]
    return circuit.made_of((*parts, Resistor(DROPPER, raw, plug.line, values)))


def _left(state: MainsState, plug: MainsPlug) -> Array:
    ripple = state.ripple_rms(plug.line, plug.neutral)
    return np.asarray(np.hypot(state.mean(plug.line, plug.neutral), ripple))


def _rating(watts: float) -> float:
    return next((size for size in WATTS if size >= watts), float(np.ceil(watts / 100.0) * 100.0))


def _bucks(mains_rms: float, design: float, amps: float) -> list[BuckChoice]:
    nominal = min(NOMINAL, key=lambda volts: abs(volts - mains_rms))
    choices = []
    for volts in SECONDARIES:
        left = mains_rms * (1.0 - volts / nominal)
        rating = MARGIN * amps
        choices.append(
            BuckChoice(volts, left, 100 * (left / design - 1), float(rating), float(rating * volts))
        )
    return choices

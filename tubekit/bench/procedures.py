"""Bench procedures with the numbers to expect: unplugged, current under drive, hum balance."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

import numpy as np

from tubekit.amp import Amp, AmpReport, analyze, parts as drawn
from tubekit.amp.hum_balance import HumBalance, hum_balance
from tubekit.amp.parts import Loudspeaker, input_jacks
from tubekit.amp.sag import TONE_HZ, FullDrive, full_drive, sag_words
from tubekit.amp.signal import noise_floor
from tubekit.amp.signal_order import in_parallel, load_of, output_sections, speakers
from tubekit.amp.stability import refuse_unstable
from tubekit.analyses.large_signal import LargeSignal
from tubekit.circuit.parts import GROUND
from tubekit.decisions.probe import Probe
from tubekit.decisions.rating import AT_LIMIT
from tubekit.decisions.spread import spread
from tubekit.text import Printed, Table, headed, quantity
from tubekit.units import show

WORN = 0.10
"""At full power two tubes that match at idle may differ by this fraction (common practice, no source)."""
Array = np.ndarray

FEW = 4
"""So many rows of numbers are above the steps that read them."""
NEAR = 0.25
"""Cathode bias: a driven current within this fraction of idle is called near it (common practice)."""


@dataclass(frozen=True)
class DrivenTube:
    """One output tube at idle and at full drive."""

    tube: str
    bias: str
    idle_a: float = quantity("A", "I_0", "mean cathode current at idle")
    driven_a: float = quantity("A", "I_1", "mean cathode current at full drive, after B+ has sagged")
    idle_k_v: float = quantity("V", "V_k", "cathode at idle")
    driven_k_v: float = quantity("V", "V_k1", "cathode voltage at full drive")
    plate_w: float = quantity("W", "P", "plate dissipation at full drive")
    screen_w: float = quantity("W", "P_g2", "screen dissipation at full drive; none for a triode")
    plate_share: float = quantity("", "", "plate dissipation at full drive, of the rating")
    screen_share: float = quantity("", "", "screen dissipation at full drive, of the rating")

    @property
    def change(self) -> float:
        """Driven over idle, less one."""
        return self.driven_a / self.idle_a - 1.0


@dataclass(frozen=True, eq=False, repr=False)
class Procedure(Printed):
    """Steps at the bench, numbered, with the tables they refer to."""

    amp: Amp
    name: str
    verdict: str
    steps: tuple[str, ...]
    numbers: tuple[Table, ...]
    result: Any = None

    json_keys = ("amp=amp.title", "procedure=name", "verdict", "steps", "numbers=result")

    def headline(self) -> str:
        """The procedure and what to expect in a sentence."""
        return f"{self.amp.title}, {self.name}: {self.verdict}"

    def tables(self) -> Sequence[Table]:
        """Steps first, then numbers."""
        rows = list(enumerate(self.steps, 1))
        return [Table("Steps", headed("", ""), rows), *self.numbers]

    def short(self) -> Sequence[Table]:
        """A few numbers above the steps, many below them."""
        return sorted(self.tables(), key=lambda table: table not in self.numbers or len(table.rows) > FEW)


def current_under_drive(amp: Amp) -> Procedure:
    """Calculate the output tubes' currents from idle to full drive, B+ sagging with them.

    Parameters
    ----------
    amp
        The amp, from `load_amp`, changed or not.

    Returns
    -------
    Procedure
        Steps with the currents to expect.

    Raises
    ------
    ChangeError
        A batch, no input jack, or no output tube on an output transformer.
    SolveError
        The amp oscillates; no drive brings the output tubes to full drive.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> result = current_under_drive(load_amp("teasel"))
    >>> [tube.tube for tube in result.result]
    ['V3', 'V4']
    """
    report = analyze(amp)
    # The speaker may make it oscillate where the dummy load does not.
    refuse_unstable(amp, report.stability)
    driven = full_drive(on_dummy_load(amp), near=report)
    tubes = tuple(driven_tube(driven, report, name) for name in driven.output_tubes)
    fall = driven.sag_percent
    jack = driven_jack(amp)
    steps = (
        _joined(
            "Switch off, unplug and discharge. Connect a dummy load of the rated impedance and power in",
            "place of the speaker. Clip a meter across the cathode resistor, or across 1 Ω in each cathode",
        ),
        "Switch on. Let it warm up for ten minutes, then read the idle current",
        _joined(
            f"Feed {TONE_HZ:g} Hz into {jack} and turn it up to about",
            f"{show(driven.input_v / np.sqrt(2), 'V RMS', 2)} at the present knob settings:",
            f"full power, just short of grid current{_load_words(amp, driven)}",
        ),
        "Read the current within a few seconds. Remove the signal: the current must return to idle",
        _joined(
            f"If tubes that match at idle differ by more than {100 * WORN:.0f} % at full power, one is worn",
            "or gets less signal",
        ),
        _joined(
            "Stop if a plate or screen glows, a current keeps climbing with a steady signal or stays high "
            "after",
            "you remove the signal, or anything smells",
        ),
    )
    return Procedure(
        amp,
        "output tubes at full power",
        _drive_words(tubes, fall),
        steps,
        (_drive_table(tubes, fall),),
        tubes,
    )


def _drive_table(tubes: Sequence[DrivenTube], fall: float) -> Table:
    heads = ["tube", "idle [A]", "full power [A]", "change [%] +.0f", "plate W [W]", "% of rating [%] .0f",
             "screen W [W]", "% of rating [%] .0f", "bias"]  # fmt: skip
    rows: list[tuple[Any, ...]] = [
        (t.tube, t.idle_a, t.driven_a, 100 * t.change, t.plate_w, 100 * t.plate_share, t.screen_w,
         100 * t.screen_share, t.bias)
        for t in tubes
    ]  # fmt: skip
    if any(t.driven_k_v for t in tubes):  # a grounded cathode reads nothing
        heads[-1:-1] = ["cathode, idle [V]", "cathode, full power [V]"]
        rows = [(*row[:-1], t.idle_k_v, t.driven_k_v, row[-1]) for row, t in zip(rows, tubes, strict=True)]
    columns = headed(*heads)
    return Table(
        "Output tubes",
        columns,
        rows,
        note=f"Plate W and screen W are at full power, where {sag_words(fall)}.",
    )


def driven_tube(driven: FullDrive, report: AmpReport, name: str) -> DrivenTube:
    """One output tube between idle and full drive."""
    idle, drive = report.tube(name), driven.drive
    cathode = next(d.cathode for d in drive.circuit.parts if d.name == name)  # type: ignore[union-attr]
    volts = 0.0 if cathode == "ground" else float(drive.harmonics(cathode)[0, 0].real)
    plate = float(drive.dissipation_w(name)[0])
    screen = float(drive.dissipation_w(name, "screen")[0]) if np.isfinite(idle.screen_v) else float("nan")
    return DrivenTube(
        name, idle.bias, float(idle.cathode_a), float(drive.current(name, "cathode").mean()),
        float(idle.cathode_v), volts, plate, screen, plate * float(idle.plate_share / idle.plate_w),
        screen * float(idle.screen_share / idle.screen_w),
    )  # fmt: skip


def driven_jack(amp: Amp) -> str:
    """The input that is driven: the plugged one, else the first."""
    jacks = input_jacks(amp.parts)
    return next((p.designator for p in jacks if p.plugged), jacks[0].designator)


def on_dummy_load(amp: Amp) -> Amp:
    """The amp with each loudspeaker as a resistor of its rated ohms."""
    plain = {
        name: replace(part, dummy=True) for name, part in amp.parts.items() if isinstance(part, Loudspeaker)
    }
    return replace(amp, parts=MappingProxyType({**amp.parts, **plain}))


def across_load(amp: Amp, driven: FullDrive) -> tuple[float, float] | None:
    """Voltage a meter across the load then shows [V RMS], and the power in the load [W]; None without one."""
    load = next(speakers(amp), None)
    if load is None:
        return None
    volts, watts = power_of(amp, load, driven.drive)
    return float(volts[0]), float(watts[0])


def power_of(amp: Amp, load: Loudspeaker, drive: LargeSignal) -> tuple[Array, Array]:
    """Volts RMS across a load and the power in it, at each drive (N,)."""
    volts = np.sqrt(0.5 * (np.abs(drive.harmonics(load.a, load.b)[:, 1:]) ** 2).sum(axis=1))
    return volts, volts**2 * sum(1.0 / float(np.max(one.ohms)) for one in in_parallel(load_of(amp, load)))


def _load_words(amp: Amp, driven: FullDrive) -> str:
    result = across_load(amp, driven)
    if result is None:
        return ""
    return f", about {show(result[0], 'V RMS', 2)} across the load ({show(result[1], 'W', 2)})"


def _drive_words(tubes: Sequence[DrivenTube], fall: float) -> str:
    change = float(np.mean([t.change for t in tubes]))
    only = "only " if all(t.bias == "cathode" for t in tubes) and abs(change) <= NEAR else ""
    moved = f"current {'rises' if change >= 0 else 'falls'} {only}{100 * abs(change):.0f} %"
    over = [f"{what} dissipation of {', '.join(t.tube for t in hot)} reaches "
            f"{100 * max(getattr(t, share) for t in hot):.0f} % of its rating"
            for what, share in (("plate", "plate_share"), ("screen", "screen_share"))
            if (hot := [t for t in tubes if getattr(t, share) > AT_LIMIT])]  # fmt: skip
    caution = f". STOP AFTER A FEW SECONDS: {'; '.join(over)}" if over else ""
    return f"{moved} ({tubes[0].bias} bias), {sag_words(fall)}{caution}"


def hum_procedure(amp: Amp, control: str | None = None) -> Procedure:
    """Setting the hum-balance control, with where the null is to be expected.

    Parameters
    ----------
    amp
        The amp, from `load_amp`, changed or not.
    control
        Designator of the potentiometer; the one across the heaters when not given.

    Returns
    -------
    Procedure
        Steps with the hum to expect.

    Raises
    ------
    ChangeError
        No such control, or none across the heaters; a batch of amps.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> print(hum_procedure(load_amp("fescue")).name)
    hum balance R54
    """
    null: HumBalance = hum_balance(amp, control)
    worst = float(max(null.total_v[0], null.total_v[-1]))
    turn = f"Turn {null.control} for the lowest reading: expect the {null.finding}"
    hiss = float(noise_floor(amp).output_rms[0])
    if hiss > null.null_v:
        turn += (
            f". The hiss there is {show(hiss, 'V RMS', 2)}, which hides it from the meter: read through a "
            "low-pass filter below 1 kHz, or set it by ear"
        )
    third: tuple[str, ...] = (
        _joined(
            "If the null is not in the middle third, swap the first tube. If the null shifts, it was the",
            "tube; if not, it is the wiring",
        ),
    )
    if not null.works:
        turn, third = f"Turning {null.control} does not help: {null.finding}", ()
    steps = (
        _joined(
            "Connect the speaker or a dummy load. Set the volume controls as usual.",
            null.hum.view.input_words,
        ),
        _joined(
            "Clip a sensitive AC meter across the load while the amp is off. Expect",
            f"{show(null.now_v, 'V RMS', 2)} of hum with {null.control} where it is now, up to "
            f"{show(worst, 'V RMS', 2)}",
            "with it at either end",
        ),
        turn,
        *third,
        "Hum that the control does not change comes from ripple or the power transformer's magnetic field",
    )
    return Procedure(
        amp, f"hum balance {null.control}", null.finding, steps,
        tuple(null.tables()), null.to_json(),
    )  # fmt: skip


LEAST_OHMS = 1.0
"""What a hand meter shows of less is its leads (common practice, no source)."""
COLD_SIZE = 500


def cold_ohms(amp: Amp) -> Procedure:
    """Calculate the resistances to expect before an unknown amp is plugged in for the first time.

    Parameters
    ----------
    amp
        The amp, from `load_amp`, changed or not.

    Returns
    -------
    Procedure
        Windings, B+ to ground, and grids and cathodes of output tubes, with their normal ranges.

    Raises
    ------
    InputError
        A batch.
    SolveError
        The amp has no idle state.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> result = cold_ohms(load_amp("teasel"))
    >>> result.numbers[0].rows[0][:2]
    ('mains_line to mains_neutral', '4.57 Ω')
    """
    probes = tuple(dict.fromkeys(_cold_probes(amp)))
    bands = spread(amp, probes, size=COLD_SIZE, with_effects=False)
    rows = [
        (probe.words(amp).partition(" ")[2].removeprefix("at "), *(probe.format(float(x)) for x in ends))
        for probe, *ends in zip(probes, bands.nominal, bands.low, bands.high, strict=True)
    ]  # fmt: skip
    steps = (
        _joined(
            "Unplug. Discharge each filter capacitor to 0 V through a resistor and check with a meter:",
            "charge destroys an ohmmeter",
        ),
        "Leave it unplugged, power switch on. Across a capacitor wait until the reading stops rising",
        _joined(
            "Do NOT plug it in if B+ stays far below its range (a shorted or leaky filter capacitor),",
            "a winding is open, or its halves differ more than here",
        ),
    )
    heads = headed("measure", "per schematic [] >", "normal low [] >", "normal high [] >")
    table = Table("Resistance to ground, or between two places", heads, rows)
    return Procedure(amp, "checks unplugged", f"{len(rows)} resistances", steps, (table,), None)


def _cold_probes(amp: Amp) -> Iterator[Probe]:
    whole = any(isinstance(part, drawn.PowerTransformer) for part in amp.parts.values())
    for part in amp.parts.values():
        if isinstance(part, drawn.MainsPlug) and whole:  # heaters across the line are cold, and far below
            yield Probe("ohms", (part.line, part.neutral))
    rails = [rail.node for rail in amp.topology.wired.rails]
    yield from (Probe("ohms", (node, GROUND)) for node in rails)
    for part in amp.parts.values():
        for winding in getattr(part, "windings", ()):
            for one, two, ohms in zip(winding.taps, winding.taps[1:], winding.ohms, strict=False):
                if float(np.max(ohms)) >= LEAST_OHMS:
                    yield Probe("ohms", (one, two) if one != GROUND else (two, one))
    for section in output_sections(amp):
        for node in (section.grid, section.cathode):
            if node != GROUND:
                yield Probe("ohms", (node, GROUND))


def _joined(*lines: str) -> str:
    """One sentence of several lines."""
    return " ".join(lines)

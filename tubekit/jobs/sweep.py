"""The last sheet before hand-back: every jack and control, hum, noise, speaker, and a soak."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from itertools import product

import numpy as np

from tubekit.amp import Amp
from tubekit.amp.controls import control_family, controls
from tubekit.amp.headroom import headroom
from tubekit.amp.hum import Hum, hum
from tubekit.amp.hum_balance import balance_control, hum_balance
from tubekit.amp.parts import MainsPlug, Switch, input_jacks
from tubekit.amp.sag import full_drive
from tubekit.amp.signal import noise_floor
from tubekit.amp.signal_order import in_parallel, load_of, speakers
from tubekit.amp.supply import supply_report
from tubekit.bench.preparations import prepare
from tubekit.bench.procedures import across_load, on_dummy_load
from tubekit.bench.trace import first_tone, trace
from tubekit.decisions.probe import QUANTITIES, Tone
from tubekit.errors import TubekitError
from tubekit.jobs.limits import Ranges, cathode_limits
from tubekit.jobs.steps import Step, look, measure
from tubekit.units import show

AC = QUANTITIES["ac_rms_v"].words
LEVEL_DB, LEVEL_HZ, SILENT_DB = 30.0, 1000.0, 60.0
"""A control that takes so much off the level at its lower end is a volume control [dB] (common practice)."""
ACTS_DB = 3.0
"""A control that does less from one jack is tried from the next [dB] (common practice)."""
HEARD_HZ = np.geomspace(80.0, 8e3, 41)
OPEN_LEAD = 1e9
"""A lead that is open at its far end [Ω]."""
NOISE_TIMES = 3.0
SOAK = (
    "Soak for 30 minutes at the line voltage it will run on: dummy load on the output, covers on",
    "Power still on: hold a hand near each output tube and the rectifier. Hot is normal, a glow is not",
    "Switch off, unplug, discharge, check with a meter. You can keep a hand on each transformer for 5 s",
    "Filter capacitors are lukewarm at most; one warmer than the others leaks. Coupling capacitors are cold",
    "Do not touch power resistors: they may be hot. Nothing near them is brown, no solder joint is soft",
)
"""Common practice, no source."""
CORD = "Amp unplugged: below 0.5 Ω from chassis to ground pin while you move the cord; strain relief tight"
WIDE = (
    "Soak times and what is too hot are shop rules of thumb. Hum and noise are calculated without "
    "magnetic fields and wiring, so their ranges are wide."
)


def sweep(amp: Amp, ranges: Ranges | None = None) -> tuple[tuple[str, ...], list[Step], str]:
    """Cautions, steps and a note; a part of the amp that has no answer is left out and named in the note."""
    steps: list[Step] = []
    left_out: list[str] = []
    for name, made in (
        ("cord", _cord), ("jacks", _jacks), ("controls", _controls), ("switches", _switches), ("hum", _hum),
        ("noise", _noise), ("speaker", speaker_steps), ("soak", partial(_soak, ranges=ranges)),
    ):  # fmt: skip
        try:
            steps += made(amp)
        except TubekitError as error:
            left_out.append(f"Not calculated: {name}. {error}")
    return (*prepare(amp)[:2], prepare(amp)[-1]), steps, " ".join((WIDE, *left_out))


def _cord(amp: Amp) -> Iterator[Step]:
    if any(isinstance(part, MainsPlug) and part.earth for part in amp.parts.values()):
        yield look(CORD)


def _jacks(amp: Amp) -> Iterator[Step]:
    """The level at the speaker for one tone in each input jack."""
    usual = first_tone(amp)
    for name in (jack.designator for jack in input_jacks(amp.parts)):
        result = trace(amp, Tone(name, usual.level_rms_v, usual.frequency_hz))
        last = result.points[-1]
        wide = 10.0 ** (last.within_db / 20.0)
        role = amp.parts[name].role.partition(";")[0]
        tone = f"{usual.level_rms_v * 1e3:.3g} mV, {usual.frequency_hz:g} Hz into {name}"
        yield measure(
            f"{tone}{f' ({role})' if role else ''}, controls as set, wiggle the plug: meter at {last.node}",
            f"{name} level", last.level_v, (last.level_v / wide, last.level_v * wide), reading=AC,
            unit="V RMS",
            below=f"{name} or its contacts, or the stage after it: trace the tone from the jack",
        )  # fmt: skip


def _controls(amp: Amp) -> Iterator[Step]:
    """What each control does from end to end, where it does most."""
    for name, role in controls(amp).items():
        named = name if role == name else f"{name} ({role})"
        moved, frequencies = _end_to_end(amp, name)
        if not np.isfinite(moved).any():
            yield look(f"{named}: calculated to oscillate at an end; listen there before pickup")
            continue
        k = int(np.nanargmax(moved))
        most, at = float(moved[k]), show(float(frequencies[k]), "Hz", 2)
        size = (
            "to silence"
            if most > SILENT_DB
            else f"{most:.0f} dB at {at}"
            if most > 0.5
            else "no change heard"
        )
        yield look(f"{named} from end to end: {size}; no scratch, no dead spot")


def _end_to_end(amp: Amp, name: str) -> tuple[np.ndarray, np.ndarray]:
    """What a control changes from end to end [dB] (F,) from the jack that it acts on, and the frequencies."""
    moved = np.full(len(HEARD_HZ), np.nan)
    for jack in input_jacks(amp.parts):
        own = control_family(amp, {name: [0.0, 1.0]}, jack=jack.designator, frequencies_hz=HEARD_HZ)
        moved = np.fmax(moved, np.abs(np.diff(own.gain_db, axis=0)[0]))
        if np.nanmax(moved, initial=0.0) > ACTS_DB:
            break
    return moved, HEARD_HZ


def _switches(amp: Amp) -> Iterator[Step]:
    for name, part in amp.parts.items():
        if isinstance(part, Switch):
            yield look(
                f"{name} ({part.role or 'switch'}) three times: it does what its label says, no arc, no thump"
            )


def full_volume(amp: Amp) -> Amp:
    """The amp with every volume control at its loud end.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> full_volume(load_amp("teasel")).changes
    mappingproxy({'R31.position': ('0.5', '1')})
    """
    turned: dict[str, object] = {}
    for name, jack in product(controls(amp), input_jacks(amp.parts)):
        ends = control_family(amp, {name: [0.0, 1.0]}, jack=jack.designator, frequencies_hz=[LEVEL_HZ])
        low, high = ends.gain_db[:, 0]
        if abs(high - low) > LEVEL_DB:
            turned[f"{name}.position"] = 1.0 if high > low else 0.0
    return amp.changed(turned)


def _hum(amp: Amp) -> Iterator[Step]:
    result = hum(full_volume(amp))
    volts = float(result.total_rms[0])
    yield measure(
        f"Hum at full volume, {silent(result)}: AC meter at {result.output}", "hum, full volume", volts,
        (0.0, NOISE_TIMES * volts), reading=AC, unit="V RMS",
        above="a filter capacitor, heater wiring, a ground loop",
    )  # fmt: skip
    if balance_control(amp) is not None:
        null = hum_balance(amp)
        if null.works:
            deep = f"{null.depth_db:.0f} dB below the worse end, at {100 * null.null:.0f} % of its travel"
            yield look(f"{null.control} at its null: {deep}")


def silent(hum: Hum) -> str:
    """Words for what is in the input while hum is read."""
    return "nothing plugged in" if hum.view.empty else f"a silent generator in {hum.view.jack.designator}"


def _noise(amp: Amp) -> Iterator[Step]:
    """Hiss at full volume with an open lead in each input."""
    loud = full_volume(amp)
    for name in (jack.designator for jack in input_jacks(amp.parts)):
        volts = float(noise_floor(loud, jack=name, source_ohms=OPEN_LEAD).output_rms[0])
        yield measure(
            f"Hiss at full volume, an unwired plug in {name}: AC meter across the output",
            f"{name} noise", volts, (0.0, NOISE_TIMES * volts), reading=AC, unit="V RMS",
            above="a noisy first tube or plate resistor, a grid lead that picks up hum",
        )  # fmt: skip


def speaker_steps(amp: Amp) -> Iterator[Step]:
    """Speaker rating against the power of a sine at full drive: what a player who turns it up gives it."""
    if not np.isfinite(headroom(amp).rated_w):  # no power that a rating could be compared with
        return
    loaded = across_load(amp, full_drive(on_dummy_load(amp)))
    if loaded is None:
        return
    watts, load = loaded[1], in_parallel(load_of(amp, next(speakers(amp))))
    names = ", ".join(each.designator for each in load)
    gives = f"the {show(watts, 'W', 2)} of a sine at full drive"
    if any(each.watts is None for each in load):
        yield look(f"{names}: read its power rating; it has to be enough for {gives}")
        return
    rated = sum(float(np.max(each.watts)) for each in load if each.watts is not None)
    short = "" if rated >= watts else "Do not hand it back on this speaker without saying so."
    words = "is LESS THAN" if short else "is enough for"
    yield look(f"{names}: {show(rated, 'W', 2)} {words} {gives}; plug tight, cone free", short)


def _soak(amp: Amp, ranges: Ranges | None = None) -> Iterator[Step]:
    for text in SOAK:
        yield look(text)
    for node, limit in cathode_limits(amp, supply_report(amp), ranges):
        yield limit.step(
            f"After the soak: meter on {amp.topology.place(node)}", f"{node} after soak",
            above="a coupling capacitor that leaks once it is warm, a gassy tube",
        )  # fmt: skip

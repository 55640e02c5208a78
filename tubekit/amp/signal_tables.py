"""How a signal path is printed: response, levels, stages, corners, ends."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tubekit.amp.clipping import beyond
from tubekit.amp.signal_view import gain_at
from tubekit.amp.stages import corner_words
from tubekit.text import Table, headed

if TYPE_CHECKING:
    from tubekit.amp.signal import SignalPath

PRINTED_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
"""Octave centres, as in IEC 61260 (from memory)."""


def signal_tables(path: SignalPath) -> list[Table]:
    """Everything; only the finding where nothing is stable."""
    if not path.stable.any():
        note = "No response is shown, because the amp oscillates."
        return [Table("Stability", headed("finding"), [(path.naturals.describe(),)], note=note)]
    tanks = [_tanks(path)] if path.tanks else []
    return [_response(path), _levels(path), *tanks, _stages(path), _corners(path), *_taken(path), _ends(path)]


def _response(path: SignalPath) -> Table:
    gain = 20 * np.log10(
        np.abs(np.where(path.stable[:, None], gain_at(path.view, np.array(PRINTED_HZ)), np.nan))
    )
    reference = 20 * np.log10(np.abs(path.reference_gain))
    rows = [(hz, gain[:, k], gain[:, k] - reference) for k, hz in enumerate(PRINTED_HZ)]
    heads = headed("frequency [Hz]", "gain [dB] .1f", f"re {path.reference_hz:g} Hz [dB] +.1f")
    return Table("Response", heads, rows)


def _levels(path: SignalPath) -> Table:
    rows = [
        (place, node, volts, 20 * np.log10(np.maximum(volts / path.level_rms, 1e-15)), phase)
        for place, node, volts, phase in path.levels()
    ]
    heads = headed("place", "node", "level [V RMS] tiny", "gain from jack [dB] +.1f", "phase [°] .0f")
    title = f"Levels at {path.reference_hz:g} Hz with {path.level_rms * 1e3:g} mV at the jack"
    return Table(title, heads, rows, note=beyond(path.clips, path.level_rms))


def _tanks(path: SignalPath) -> Table:
    level = path.level_rms
    rows = [
        (each.tank.designator, level * np.abs(each.coil_gain), level * np.abs(each.drive_s),
         each.tank.rated_a, 100 * level / each.full_v, each.full_v, each.output_v(level))
        for each in path.tanks
    ]  # fmt: skip
    heads = headed(
        "tank",
        "input coil [V RMS] tiny",
        "drive [A RMS]",
        "rated drive [A RMS]",
        "% of rated [] .0f",
        "jack level for rated drive [V RMS]",
        "output coil [V RMS]",
    )
    note = (
        f"{'; '.join(each.stated() for each in path.tanks)}. The output level is a rough estimate, "
        "within a factor of 2; the response of the springs is not calculated."
    )
    title = f"Reverb drive at {path.reference_hz:g} Hz with {level * 1e3:g} mV at the jack"
    return Table(title, heads, rows, note=note, key="tanks")


def _stages(path: SignalPath) -> Table:
    rows = [
        (each.section, each.before or "the jack", np.abs(each.gain), np.abs(each.input_ohms),
         each.input_farads, np.abs(each.output_ohms))
        for each in path.stages
    ]  # fmt: skip
    heads = headed(
        "stage",
        "driven by",
        "grid to plate [×]",
        "input impedance [ohm]",
        "capacitance [F]",
        "output impedance [ohm]",
    )
    alone = ", ".join(each.section for each in path.stages if np.isnan(each.input_ohms).all())
    note = f"{alone}: nothing there draws signal current" if alone else ""
    return Table(f"Stages at {path.reference_hz:g} Hz", heads, rows, note=note)


def _corners(path: SignalPath) -> Table:
    rows = []
    for each in (*path.stretches, path.whole):
        rows += [
            (f"{each.start} to {each.stop}", corner.side, corner.hz, corner_words(corner))
            for corner in (each.low, each.high)
        ]
    heads = headed("signal path", "rolloff", "-3 dB [Hz]", "set by")
    note = (
        "In parentheses: how strongly the part sets the frequency (-1: double the part, half the frequency). "
        "Each row covers one grid to the next."
    )
    return Table("Rolloffs (-3 dB)", heads, rows, note=note)


def _taken(path: SignalPath) -> list[Table]:
    heads = headed("assumed", "part", "entry in the amp file", "high rolloff without it [Hz]")
    rows = [(one.words, one.of, one.key, hz) for one, hz in path.taken]
    note = "Shop rule of thumb: measure them if the high end matters."
    title = "Typical values, used where the amp file gives none"
    return [Table(title, heads, rows, note=note, key="taken")] if rows else []


def _ends(path: SignalPath) -> Table:
    output = path.view.output_words
    rows = [
        ("impedance at the jack", (np.abs(path.input_ohms), "ohm")),
        (f"output impedance at the {output}", (np.abs(path.output_ohms), "ohm")),
        ("damping factor", (path.damping_factor, "")),
        (
            "speaker impedance" if path.view.load else "load at the output jack",
            (np.abs(path.loaded_ohms), "ohm"),
        ),
        ("load on the output tubes, across the primary", (np.abs(path.load_ohms), "ohm")),
    ]
    rows = [row for row in rows if path.view.load or np.isfinite(row[1][0]).any()]
    note = "\n".join((*path.view.notes, path.naturals.describe() + "."))
    return Table(f"Impedances at {path.reference_hz:g} Hz", headed("", "value"), rows, note=note)

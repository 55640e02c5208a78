"""What the output tubes draw while the amp plays: a sine and music, from nothing to full power."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tubekit.amp import Amp, analyze
from tubekit.amp.sag import driven_at_levels, full_drive, sag_words
from tubekit.amp.signal_order import speakers
from tubekit.amp.stability import refuse_unstable
from tubekit.bench.procedures import NEAR, on_dummy_load, power_of
from tubekit.errors import ChangeError
from tubekit.result_fields import Array
from tubekit.text import Printed, Table, quantity
from tubekit.units import show

CREST = 4.0
"""Peak over RMS of music: 12 dB, Gaussian noise whose peaks are cut at four deviations (common practice, no
source; a sine has 3 dB)."""
POWERS_W = (1.0, 5.0)
SHARES = np.geomspace(0.02, 1.0, 14)
RETURNS = 0.10
"""Idle has to come back this near after the signal is removed (common practice, no source)."""
SINE, MUSIC, NOTHING = "sine", "music-like", "no signal"


@dataclass(frozen=True)
class PlayingRow:
    """One output tube at one power: the mean of all tubes of the stage, in the lead where the meter is."""

    signal: str
    power_w: float = quantity("W", "P", "power of the sine, or of the peaks of music", label="power")
    plate_a: float = quantity("A", "I_p", "mean current in a plate lead", label="plate lead, per tube")
    cathode_a: float = quantity("A", "I_k", "mean current in a cathode lead", label="cathode lead, per tube")
    change: float = quantity(
        "", "", "of the cathode current against idle", label="change", share=True, format="+.0f"
    )
    b_plus_v: float = quantity("V", "V", "B+ of the output tubes", label="B+")
    sag: float = quantity("", "", "how far B+ is below idle", label="B+ drop", share=True, format=".1f")


@dataclass(frozen=True, eq=False, repr=False)
class Playing(Printed):
    """Currents of the output tubes while the amp plays into a dummy load."""

    amp: Amp
    bias: str
    rows: tuple[PlayingRow, ...]

    json_keys = ("amp=amp.title", "bias", "stable", "rows")

    @property
    def stable(self) -> bool:
        """Whether cathode bias stays near idle at any power; fixed bias is judged by what comes back."""
        return self.bias != "cathode" or all(abs(row.change) <= NEAR for row in self.rows)

    def headline(self) -> str:
        """Idle, music and full power in one sentence, and what counts as stable."""
        idle = self.rows[0]
        loud = {row.signal: row for row in self.rows}
        words = ", ".join(
            f"{show(loud[kind].cathode_a, 'A')} with a {name}"
            for kind, name in ((MUSIC, "music-like signal of that peak power"), (SINE, "full sine"))
        )
        band = (
            f"Cathode bias: within {100 * NEAR:.0f} % of idle is stable; this one "
            f"{'is' if self.stable else 'moves farther'}."
            if self.bias == "cathode"
            else f"Fixed bias: a rise with the signal is normal; stable is what returns to idle within "
            f"{100 * RETURNS:.0f} %."
        )
        return (
            f"{self.amp.title}: the cathodes draw {show(idle.cathode_a, 'A')} per tube at idle; at "
            f"{loud[SINE].power_w:.2g} W {words}; {sag_words(100 * loud[SINE].sag)}. {band}"
        )

    def tables(self) -> list[Table]:
        """A row for each signal and power."""
        note = (
            f"Into a dummy load, 400 Hz, settled. Music-like: peaks reach that power, peak to RMS "
            f"{20 * np.log10(CREST):.0f} dB, {2 / CREST**2:.1%} of it on average (Gaussian noise). Bands: "
            f"{100 * NEAR:.0f} % for cathode bias, {100 * RETURNS:.0f} % for the return to idle. These "
            "figures are common practice, no source."
        )
        heads = ("signal", "power_w", "plate_a", "cathode_a", "change", "b_plus_v", "sag")
        return [Table.of("Current while playing", self.rows, *heads, note=note, key="rows")]


def playing(amp: Amp) -> Playing:
    """Currents of the output tubes at idle, 1 W, 5 W and full power, for a sine and for music.

    Parameters
    ----------
    amp
        The amp, from `load_amp`, changed or not.

    Returns
    -------
    Playing
        Plate and cathode current per tube with B+, and what counts as stable for its bias.

    Raises
    ------
    ChangeError
        A batch, no input jack, no speaker, or no output tube on an output transformer.
    SolveError
        The amp oscillates; no drive brings the output tubes to full drive.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> result = playing(load_amp("teasel"))
    >>> [row.signal for row in result.rows[:3]], result.stable
    (['no signal', 'sine', 'music-like'], True)
    """
    report, load = analyze(amp), next(speakers(amp), None)
    refuse_unstable(amp, report.stability)
    if load is None:
        raise ChangeError("no speaker is connected, so there is no power", where=amp.name)
    hard = full_drive(on_dummy_load(amp), near=report)
    run, rail = driven_at_levels(hard, SHARES)
    watts = power_of(amp, load, run)[1]
    idle = [report.tube(name) for name in hard.output_tubes]
    still = [float(np.mean([getattr(t, key) for t in idle])) for key in ("plate_a", "cathode_a")]
    means = [
        np.mean([run.current(name, lead).mean(axis=1) for name in hard.output_tubes], axis=0)
        for lead in ("plate", "cathode")
    ]
    top = float(hard.supply.report.solved.state.mean(hard.b_plus_node)[0])
    volts = np.concatenate(([0.0], np.sqrt(watts)))  # the output, in proportion
    curves = [np.concatenate(([one], each)) for one, each in zip((*still, top), (*means, rail), strict=True)]
    powers = [*(p for p in POWERS_W if p < watts[-1]), float(watts[-1])]
    rows = [_row(NOTHING, 0.0, [curve[0] for curve in curves], still[1], top)]
    for kind in (SINE, MUSIC):
        for power in powers:
            found = [_mean(kind, volts, curve, np.sqrt(power)) for curve in curves]
            rows.append(_row(kind, power, found, still[1], top))
    order = sorted(rows, key=lambda row: (row.power_w, row.signal == MUSIC))
    return Playing(amp, idle[0].bias, tuple(order))


def _row(kind: str, power: float, found: list[float], idle: float, top: float) -> PlayingRow:
    plate, cathode, rail = found
    return PlayingRow(kind, power, plate, cathode, cathode / idle - 1.0, rail, 1.0 - rail / top)


def _mean(kind: str, volts: Array, curve: Array, peak: float) -> float:
    """A current while a sine of this output plays, or music of this peak: the envelope of Gaussian noise has
    Rayleigh's distribution, here up to its peak (S. O. Rice, Bell Syst. Tech. J. 24 (1945), from
    memory).
    """
    if kind == SINE:
        return float(np.interp(peak, volts, curve))
    level = np.linspace(0.0, 1.0, 400)
    weight = level * np.exp(-0.5 * np.square(CREST * level))
    return float(np.interp(peak * level, volts, curve) @ weight / weight.sum())

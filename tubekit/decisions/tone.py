"""What a change of parts does to level, tone and stability, before anyone solders."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from tubekit.amp.amp import Amp
from tubekit.amp.loop import overall_feedback
from tubekit.amp.signal import SignalPath, signal_path
from tubekit.amp.signal_tables import PRINTED_HZ
from tubekit.amp.signal_view import SOURCE_OHMS, gain_at
from tubekit.amp.stability import REVERSED
from tubekit.amp.stages import corner_words
from tubekit.analyses.feedback import LoopGain
from tubekit.errors import ChangeError
from tubekit.result_fields import Array
from tubekit.text import Printed, Table, headed
from tubekit.units import mark

MOVED, SEEN_DB = 0.05, 0.05
"""Rolloffs that change by less than this share, and levels by fewer decibels, are not mentioned."""


@dataclass(frozen=True, eq=False, repr=False)
class ToneChange(Printed):
    """An amp's signal path before and after a change."""

    before: SignalPath
    after: SignalPath
    loop_before: LoopGain | None
    loop_after: LoopGain | None

    json_keys = ("amp=before.amp.title", "level_db", "change_db", "before", "after")

    @property
    def change_db(self) -> Array:
        """After over before at every frequency of the paths [dB], (K,); NaN where either oscillates."""
        return np.asarray(self.after.gain_db[0] - self.before.gain_db[0])

    @property
    def level_db(self) -> float:
        """Change of the gain at the reference frequency [dB]."""
        return float(
            20 * np.log10(np.abs(self.after.reference_gain[0]))
            - 20 * np.log10(np.abs(self.before.reference_gain[0]))
        )

    def headline(self) -> str:
        """Level, tone and stability in one sentence."""
        words = f"{self.before.amp.title}, {_changes(self.before.amp, self.after.amp)}"
        if not self.after.stable[0]:
            return f"{words}: {self.after.naturals.describe()}"
        if not self.before.stable[0]:
            return f"{words}: stable now; before, {self.before.naturals.describe()}"
        hertz = self.after.frequencies_hz
        heard = (PRINTED_HZ[0] <= hertz) & (hertz <= PRINTED_HZ[-1])
        change = np.where(heard, self.change_db - self.level_db, 0.0)
        k, at = int(np.argmax(np.abs(change))), mark(self.before.reference_hz, "Hz")
        level = f"{abs(self.level_db):.1f} dB {'more' if self.level_db > 0 else 'less'} gain"
        level = level if abs(self.level_db) >= SEEN_DB else "no change in gain"
        tone = (
            f"tone changes most at {mark(float(hertz[k]), 'Hz', 3)} ({change[k]:+.1f} dB compared with {at})"
        )
        tone = tone if abs(change[k]) >= SEEN_DB else "no change in tone"
        return f"{words}: {level} at {at}, {tone}{'; stable' if self.loop_after or self.loop_before else ''}"

    def tables(self) -> list[Table]:
        """Stability first where it fails; else response, corners, ends, loop."""
        if not self.after.stable[0]:
            rows = [(self.after.naturals.describe(),), (REVERSED,)]
            return [Table("Stability", headed("finding"), rows, key="response")]
        tables = [self._response(), self._corners(), self._ends()]
        return [*tables, self._loop()] if self.loop_after or self.loop_before else tables

    def _response(self) -> Table:
        hertz = np.array(PRINTED_HZ)
        sides = [20 * np.log10(np.abs(gain_at(path.view, hertz)[0])) for path in (self.before, self.after)]
        if not self.before.stable[0]:
            sides[0] = np.full(len(hertz), np.nan)
        old, new = sides
        change = new - old
        rows = list(zip(PRINTED_HZ, old, new, change, change - self.level_db, strict=True))
        heads = headed(
            "frequency [Hz]", "before [dB] .1f", "after [dB] .1f", "change [dB] +.1f",
            f"relative to {mark(self.before.reference_hz, 'Hz')} [dB] +.1f",
        )  # fmt: skip
        return Table(f"Gain, {self.after.jack} to {self.after.output}", heads, rows, key="response")

    def _corners(self) -> Table:
        def listed(path: SignalPath) -> dict[tuple[str, str], tuple[float, str]]:
            return {
                (f"{each.start} to {each.stop}", corner.side): (float(corner.hz[0]), corner_words(corner))
                for each in (*path.stretches, path.whole) for corner in (each.low, each.high)
            }  # fmt: skip

        old, new = listed(self.before), listed(self.after)
        rows = []
        for key in dict.fromkeys((*old, *new)):
            was, now = (side.get(key, (np.nan, "")) for side in (old, new))
            same = abs(now[0] / was[0] - 1) < MOVED if np.isfinite(now[0] * was[0]) else False
            if not same and np.isfinite([now[0], was[0]]).any():
                rows.append((*key, was[0], now[0], now[1] or was[1]))
        heads = headed("signal path", "rolloff (-3 dB)", "before [Hz]", "after [Hz]", "set by")
        note = "" if rows else f"No rolloff changes by more than {100 * MOVED:.0f} %."
        return Table("Rolloffs that change", heads, rows, note=note)

    def _ends(self) -> Table:
        def line(name: str, unit: str, pick: Any) -> tuple[Any, ...]:
            old, new = (np.abs(pick(path))[0] for path in (self.before, self.after))
            return name, (float(old), unit), (float(new), unit)

        rows = [
            line("output impedance", "ohm", lambda path: path.output_ohms),
            line("damping factor", "", lambda path: path.damping_factor),
            line("load across the primary", "ohm", lambda path: path.load_ohms),
            line("impedance at the jack", "ohm", lambda path: path.input_ohms),
        ]
        rows = [row for row in rows if not np.isnan([row[1][0], row[2][0]]).all()]  # a preamp has neither
        note = "\n".join((self.after.naturals.describe() + ".", *self.after.view.assumptions))
        return Table("Impedances", headed("", "before", "after"), rows, note=note)

    def _loop(self) -> Table:
        def figures(loop: LoopGain | None) -> list[float]:
            if loop is None or not loop.stable[0]:
                return [np.nan] * 3
            phase = min((each.margin for each in loop.phase_margins()), default=np.nan)
            gain = min((each.margin for each in loop.gain_margins() if each.margin > 0), default=np.nan)
            return [float(loop.feedback_db()[0]), phase, gain]

        names = (("feedback at 1 kHz", "dB"), ("phase margin (worst)", "°"), ("gain margin (worst)", "dB"))
        rows = [
            (name, (old, unit), (new, unit))
            for (name, unit), old, new in zip(
                names, figures(self.loop_before), figures(self.loop_after), strict=True
            )
        ]
        return Table("Overall feedback", headed("", "before", "after"), rows)

    def short(self) -> list[Table]:
        """Response, the ends of the whole, the loop."""
        response, *rest = self.tables()
        if not rest:
            return [response]
        corners, ends, *loop = rest
        whole = [row for row in corners.rows if row[0].startswith("jack to ")] or corners.rows
        moved = [row for row in ends.rows if _moved(row[1][0], row[2][0])]
        return [
            response,
            *loop,
            replace(corners, rows=whole),
            replace(ends, title="Impedances that change", rows=moved),
        ]


def _moved(old: float, new: float) -> bool:
    return bool(abs(new - old) > MOVED * abs(old))


def tone_change(
    amp: Amp,
    changes: Mapping[str, object],
    *,
    jack: str | None = None,
    source_ohms: float = SOURCE_OHMS,
    near: ToneChange | None = None,
) -> ToneChange:
    """Signal path of an amp before and after a change.

    Parameters
    ----------
    amp
        The amp, from `load_amp`, changed or not.
    changes
        Designator to new value or type, as for `Amp.changed`; 'R33.position' turns a control.
    jack
        Designator of the driven input jack, as for `signal_path`.
    source_ohms
        Resistance of the generator [Ω].
    near
        An earlier change of the same amp, to start the solves from.

    Returns
    -------
    ToneChange
        The signal path before and after.

    Raises
    ------
    ChangeError
        Nothing to change, a batch, or a change that cannot be.
    SolveError
        Before or after has no idle state that can be found.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> less_bass = tone_change(load_amp("teasel"), {"C2": "1n"})
    >>> bool(less_bass.change_db[20] < -3)
    True
    """
    after = amp.changed(changes)
    if not changes or after.batch is not None:
        problem = "this calculates one amp at a time" if changes else "nothing to change"
        raise ChangeError(problem, where=amp.name, fix="Name a part and its new value, such as C2=10n")
    old = signal_path(amp, jack=jack, source_ohms=source_ohms, near=near.before if near else None)
    new = signal_path(after, jack=jack, source_ohms=source_ohms, near=near.after if near else old)
    return ToneChange(old, new, *(loop_of(one, path) for one, path in ((amp, old), (after, new))))


def loop_of(amp: Amp, path: SignalPath | None = None) -> LoopGain | None:
    """Overall feedback of an amp; None where there is none."""
    try:
        return overall_feedback(amp, view=path.view if path else None)
    except ChangeError:  # no feedback resistor, or it is in no loop
        return None


def _changes(before: Amp, after: Amp) -> str:
    words = [
        f"{part} {texts[0]} → {texts[1]}" for part, texts in after.changes.items()
        if before.changes.get(part) != texts
    ]  # fmt: skip
    return ", ".join(words) or "nothing changed"

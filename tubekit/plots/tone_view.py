"""Gain against frequency: the setting that stands, what the controls reach, what it was before."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
from matplotlib.artist import Artist
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure

from tubekit.amp.controls import ControlFamily
from tubekit.amp.findings import part_words
from tubekit.amp.signal import SignalPath
from tubekit.analyses.corners import Corner
from tubekit.decisions.tone import ToneChange
from tubekit.errors import InputError
from tubekit.plots import ink
from tubekit.plots.handles import Handle, Trace, Track
from tubekit.plots.ink import Drawing

Array = npt.NDArray[np.float64]

WIDTH, HEIGHT = 634, 560
PLACES = ((44, 34, 570, 342), (44, 422, 570, 104))
SPAN_HZ = (10.0, 50e3)
TICKS = {20: "20", 50: "50", 100: "100", 200: "200", 500: "500", 1000: "1k", 2000: "2k", 5000: "5k",
         10000: "10k", 20000: "20 kHz"}  # fmt: skip
REACH_DB = 70.0
CHANGES_DB = (6.0, 12.0, 24.0, 40.0, 60.0)
FAMILY = "#b6b6b0"
"""Settings that do not stand: darker than the grid, fainter than 'before'."""
BEFORE = ink.Stroke(ink.FAINT, (0, (1.2, 1.2)), 1.5)
NO_RESPONSE = "An amp that oscillates has no response."


@dataclass(frozen=True, eq=False)
class Lever:
    """A control of the amp: the setting it is, its position, and the gain [dB] at `hertz` over its turn."""

    name: str
    key: str
    hertz: float
    position: float
    positions: Array
    gain_db: Array


@dataclass(frozen=True, eq=False)
class Curve:
    """What is drawn of one setting: gain [dB] (K,), NaN where it oscillates and `said` says so.

    `family_db` (M, L) are other settings of the controls, `family_words` which; `corners` are
    (hertz, words) of the -3 dB points; `levers` what each control does where it does most.
    """

    hertz: Array
    gain_db: Array
    finding: str = ""
    family_hz: Array = field(default_factory=lambda: np.empty(0))
    family_db: Array = field(default_factory=lambda: np.empty((0, 0)))
    family_words: str = ""
    corners: tuple[tuple[float, str], ...] = ()
    levers: tuple[Lever, ...] = ()

    @property
    def nothing(self) -> Curve:
        """A curve without points."""
        return Curve(np.empty(0), np.empty(0))


def curve(path: SignalPath, family: ControlFamily | None = None, member: int = 0) -> Curve:
    """One member of a signal path, its -3 dB corners and the settings of a family."""
    gain = path.gain_db
    if not 0 <= member < len(gain):
        raise InputError(f"no amp number {member}: there are {len(gain)}", fix="The first is number 0")
    stable = bool(path.stable[member])
    corners = tuple(_corner_words(each, member) for each in (path.whole.low, path.whole.high))
    others: dict[str, Any] = {}
    if family is not None:
        others = {"family_hz": family.frequencies_hz, "family_db": family.gain_db}
        others["family_words"] = f"Gray: {len(family.gain)} settings of {', '.join(family.settings)}"
    return Curve(
        path.frequencies_hz, gain[member], "" if stable else path.naturals.describe(member), **others,
        corners=tuple(each for each in corners if stable and math.isfinite(each[0])),
    )  # fmt: skip


def _corner_words(corner: Corner, member: int) -> tuple[float, str]:
    hertz = float(corner.hz[member])
    text = f"{hertz:.0f} Hz" if hertz < 1000 else f"{hertz / 1e3:.1f} kHz"
    setters = corner.setters(member, count=1)
    return hertz, f"{text}: {part_words(setters[0][0])}" if setters else text


class ToneView:
    """Gain above, the change of gain below; scales as `first` needs them."""

    def __init__(self, figure: Figure, first: Curve) -> None:
        self.axes = ink.spread(figure, PLACES)
        top = _top(first)
        self.axes[0].set(ylim=(top - REACH_DB, top), title="Gain, jack to output, dB   (dotted: before)")
        self.axes[1].set(ylim=(-18, 18), yticks=[-12, 0, 12], title="Change from before, dB")
        self.axes[1].axhline(0.0, color=ink.FAINT, linewidth=0.7, zorder=1)
        for axes in self.axes:
            ink.decades(axes, SPAN_HZ, TICKS)
        self._artists()

    def _artists(self) -> None:
        above, below = self.axes
        self.family = LineCollection([], colors=FAMILY, linewidths=0.9, zorder=1.5)
        above.add_collection(self.family, autolim=False)
        self.before, self.change = ink.curve(above, BEFORE, 2), ink.curve(below, ink.stroke(1))
        self.after = ink.curve(above, ink.stroke(0), linewidth=2.4)
        self.marks = ink.mark(above, "o", 6, zorder=4)
        within: dict[str, Any] = {"transform": above.transAxes}
        self.words = [
            above.text(0.985, y, "", ha="right", va="top", fontsize=8, **within) for y in (0.97, 0.92, 0.87)
        ]
        alarm = {"ha": "center", "color": ink.OXIDE, "fontweight": "bold", **within}
        self.alarm = [
            above.text(0.5, y, "", **alarm, fontsize=10.5 - 1.2 * row)
            for row, y in enumerate((0.56, 0.48, 0.41))
        ]

    @property
    def moving(self) -> list[Artist]:
        """Everything that `show` changes, the lowest first."""
        curves = (self.family, self.before, self.after, self.change, self.marks)
        return [*curves, *self.words, *self.alarm]

    def show(self, now: Curve, before: Curve | None = None) -> None:
        """Another setting on the same scales, the earlier one faint behind it."""
        self.now = now
        segments = [np.column_stack([now.family_hz, each]) for each in _finite(now.family_db)]
        self.family.set_segments(segments)
        self.after.set_data(now.hertz, now.gain_db)
        old = now.nothing if before is None or before is now else before
        self.before.set_data(old.hertz, old.gain_db)
        self.change.set_data(*_change(now, before))
        self._say(now, before)

    def _say(self, now: Curve, before: Curve | None) -> None:
        at = [hertz for hertz, _ in now.corners]
        self.marks.set_data(at, [_gain_at(now, hertz) for hertz in at])
        lines = [now.family_words, *("-3 dB at " + words for _, words in now.corners)]
        if before is not None and before.finding and not now.finding:
            lines.append("Before: unstable, no curve")
        for place, text in enumerate(self.words):
            text.set_text(lines[place] if place < len(lines) and not now.finding else "")
        what, _, how_fast = now.finding.partition(", growing ")
        alarm = (what, f"It grows {how_fast}." if how_fast else "", NO_RESPONSE)
        for text, words in zip(self.alarm, alarm, strict=True):
            text.set_text(words if now.finding else "")

    def handles(self) -> Iterator[Handle]:
        """The curve where each control does most: pulled up or down, it turns that control."""
        now = self.now
        for each in () if now.finding or not len(now.hertz) else now.levers:
            level = _gain_at(now, each.hertz)
            here = float(np.interp(each.position, each.positions, each.gain_db))
            turn = np.linspace(0.0, 1.0, 101)
            y = np.interp(turn, each.positions, each.gain_db) - here + level
            x = np.full(len(turn), each.hertz)
            yield Handle(each.name, 0, (each.hertz, level), (Track(each.key, x, y, turn),))

    def traces(self) -> Iterator[Trace]:
        """The curves; the gray settings of a control last."""
        for axes, line, words in (
            (0, self.after, "gain"),
            (0, self.before, "gain before"),
            (1, self.change, "change"),
        ):
            yield Trace.of(words, axes, line, ("Hz", "dB"))
        for row in self.now.family_db:
            yield Trace(
                self.now.family_words.removeprefix("Gray: "), 0, self.now.family_hz, row, ("Hz", "dB")
            )

    def fade(self, faded: bool) -> None:
        """Gray everything out, or ink it again."""
        ink.fade((self.after, self.change, *self.words), faded)


def _finite(lines: Array) -> Array:
    """Lines with a member at gain nil put far below the scale; those that oscillate left out."""
    return np.array([np.maximum(each, -200.0) for each in lines if not np.isnan(each).any()])


def _top(first: Curve) -> float:
    """Upper end of the scale: above everything that is drawn [dB]."""
    tops = [np.nanmax(each) for each in (first.gain_db, first.family_db) if np.isfinite(each).any()]
    return 10.0 * math.ceil(0.1 * (max(tops, default=30.0) + 14.0))


def _gain_at(now: Curve, hertz: float) -> float:
    return float(np.interp(math.log(hertz), np.log(now.hertz), now.gain_db))


def _change(now: Curve, before: Curve | None) -> tuple[Array, Array]:
    if before is None or before is now or now.finding or before.finding:
        return np.empty(0), np.empty(0)
    with np.errstate(invalid="ignore"):
        return now.hertz, now.gain_db - np.interp(now.hertz, before.hertz, before.gain_db)


def tone(result: SignalPath | ToneChange, *, family: ControlFamily | None = None, member: int = 0) -> Drawing:
    """Gain [dB] against frequency [Hz], and the change against before.

    Parameters
    ----------
    result
        Of `tubekit.signal_path`, or of `tubekit.tone_change` (before faint, after in ink).
    family
        Of `tubekit.control_family`: its settings are in gray behind.
    member
        Which member of a batch.

    Returns
    -------
    Drawing
        Figure, axes (gain, change), lines (gain, gain before, change). An unstable amp has no curve; the
        figure says so.

    Examples
    --------
    >>> from tubekit import load_amp, plots
    >>> from tubekit.decisions.tone import tone_change
    >>> figure, axes, lines = plots.tone(tone_change(load_amp("teasel"), {"C2": "4n7"}))
    >>> axes[1].get_title(loc="left")
    'Change from before, dB'
    """
    after, before = (result.after, result.before) if isinstance(result, ToneChange) else (result, None)
    now = curve(after, family, member)
    old = None if before is None else curve(before)
    with ink.style():
        figure = ink.paper(WIDTH / ink.DPI, HEIGHT / ink.DPI)
        view = ToneView(figure, now)
        far = float(np.nanmax(np.abs(_change(now, old)[1]), initial=0.0))
        reach = next((each for each in CHANGES_DB if each >= far), CHANGES_DB[-1])
        view.axes[1].set(ylim=(-reach, reach), yticks=[-reach / 2, 0, reach / 2])
        view.show(now, old)
    text = result.headline() if after.stable[member] else f"{after.amp.title}: {now.finding}. {NO_RESPONSE}"
    figure.set_label(f"Gain against frequency. {text}")
    return Drawing(figure, view.axes, (view.after, view.before, view.change))

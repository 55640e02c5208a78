"""An amp while a signal plays: currents, rails and cathodes over time, spectrum and transfer curve."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt
from matplotlib.artist import Artist
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from tubekit.amp.sound import METER_S, AmpSound
from tubekit.decisions.listen import Listening
from tubekit.plots import ink
from tubekit.plots.handles import Trace
from tubekit.plots.ink import Drawing

Array = npt.NDArray[Any]
Curve = tuple[str, Array, Array]
"""Name, x and y."""

WIDTH, HEIGHT = 634, 588
MOST = 4
SPAN_HZ, FLOOR_DB = (30.0, 18e3), -90.0
TICKS = {50: "50", 100: "100", 200: "200", 500: "500", 1000: "1k", 2000: "2k", 5000: "5k", 10000: "10k Hz"}
PLACES = (
    (44, 44, 576, 110), (44, 202, 262, 104), (364, 202, 256, 104), (44, 356, 350, 202), (448, 356, 172, 202),
)  # fmt: skip
UNITS = (("s", "mA"), ("s", "V"), ("s", "V"), ("Hz", "dB"), ("V", "V"))
NOTHING = "Press 'Play through amp'."
SHADES = 24
"""Parts of an octave, each with its loudest line."""
CURVE = 256


def curves(sound: AmpSound) -> tuple[list[Curve], ...]:
    """What is drawn of one sound, in the order of the axes.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> from tubekit.amp.sound import play_amp
    >>> [[name for name, *_ in each] for each in curves(play_amp(load_amp("vetch"), np.zeros(4800), 48_000))]
    [['V2 plate'], ['B1', 'B2', 'B3'], ['V2 cathode'], ['output'], ['output']]
    """
    time = sound.played.run.time
    plates = [
        (f"{tube.section} plate", time, 1e3 * sound.shown(tube.section, "plate")) for tube in sound.tubes
    ]
    rails, cathodes = (
        [(name, *sound.smooth(node)) for name, node in named]
        for named in (
            [(one.node, one.node) for one in sound.rails],
            [(one.place, one.node) for one in sound.cathodes],
        )
    )
    return (
        plates[:MOST], rails[:MOST], cathodes[:MOST], [("output", *_spectrum(sound))],
        [("output", *_transfer(sound))],
    )  # fmt: skip


def _spectrum(sound: AmpSound) -> tuple[Array, Array]:
    """The loudest line in each part of an octave, against the loudest of all [dB]: level does not count."""
    if len(sound.volts) < 2 or not sound.volts.any():
        return np.empty(0), np.empty(0)
    lines = np.abs(np.fft.rfft((sound.volts - sound.volts.mean()) * np.hanning(len(sound.volts))))
    hertz = np.fft.rfftfreq(len(sound.volts), 1.0 / sound.rate_hz)
    bins = np.round(SHADES * np.log2(np.maximum(hertz, 1.0)))
    inside = (hertz >= SPAN_HZ[0]) & (hertz <= SPAN_HZ[1])
    first = np.unique(bins[inside], return_index=True)[1]
    most = np.maximum.reduceat(lines[inside], first)
    return hertz[inside][first], np.maximum(20.0 * np.log10(most / most.max() + 1e-30), FLOOR_DB)


def _transfer(sound: AmpSound) -> tuple[Array, Array]:
    """Output against jack over one cycle of the steady 1 kHz tone, its delay taken out [V]."""
    tone = sound.tone
    if len(tone) < 2 or not abs(tone[1]) > 0.0:
        return np.empty(0), np.empty(0)
    turn = np.linspace(0.0, 2.0 * np.pi, CURVE) - np.angle(tone[1])
    orders = np.arange(1, len(tone))
    return sound.tone_v * np.cos(turn + np.angle(tone[1])), np.asarray(
        (np.exp(1j * np.outer(turn, orders)) @ tone[1:]).real
    )


class ListenView:
    """Plate current as a meter shows it; rails and cathodes; spectrum and transfer curve."""

    def __init__(self, figure: Figure, first: AmpSound | None) -> None:
        self.axes = ink.spread(figure, PLACES)
        titles = (
            f"Plate current, mA versus s, as a moving-coil meter shows it ({METER_S:g} s)",
            "Rails, change from idle, V", "Cathodes, change from idle, V",
            "Spectrum, dB below the loudest line", "Out versus in, 1 kHz, V",
        )  # fmt: skip
        for axes, title in zip(self.axes, titles, strict=True):
            axes.set_title(title)
            axes.set(xlim=(0.0, 1.0), ylim=(-1.0, 1.0))
        self.axes[3].set_ylim(FLOOR_DB, 5.0)
        ink.decades(self.axes[3], SPAN_HZ, TICKS)
        self.axes[4].locator_params(axis="x", nbins=3)
        self.before, self.after, self.words = (
            [self._made(place, kind) for place in range(5)] for kind in (ink.BEFORE, None, "words")
        )
        self.said = figure.text(0.5, 0.8, "", ha="center", fontsize=10.5)
        self.fit(first)

    def _made(self, place: int, kind: Any) -> list[Any]:
        axes, count = self.axes[place], MOST if place < 3 else 1
        if kind == "words":
            spread = [axes.text(0.01 + 0.25 * k, 0.9, "", transform=axes.transAxes) for k in range(count)]
            return spread if place < 3 else []
        return [ink.curve(axes, kind or ink.stroke(k), 2 if kind else 3) for k in range(count)]

    def fit(self, *sounds: AmpSound | None) -> None:
        """Scales for what is shown."""
        drawn = [curves(one) for one in sounds if one is not None]
        for place in (0, 1, 2, 4):
            x, y = (
                np.concatenate([np.empty(0), *(each[k] for one in drawn for each in one[place])])
                for k in (1, 2)
            )
            if len(x):
                low, high = min(float(y.min()), 0.0 if place else np.inf), float(y.max())
                room = max(0.06 * (high - low), 0.02 * abs(high), 1e-3)
                self.axes[place].set(xlim=(x.min(), x.max()), ylim=(low - room, high + 5.0 * room))

    @property
    def moving(self) -> list[Artist]:
        """Everything that `show` changes, the lowest first."""
        kinds = (self.before, self.after, self.words)
        return [artist for kind in kinds for place in kind for artist in place] + [self.said]

    def show(self, now: AmpSound | None, before: AmpSound | None = None) -> None:
        """Another sound on the same scales, the earlier one faint behind it."""
        old = None if before is now else before
        self.said.set_text(NOTHING if now is None else "")
        for lines, sound in ((self.after, now), (self.before, old)):
            drawn = curves(sound) if sound is not None else ([],) * 5
            for place in range(5):
                _put(lines[place], drawn[place])
                if lines is self.after:
                    for text, name in zip(self.words[place], _names(drawn[place]), strict=False):
                        text.set_text(name)

    def traces(self) -> Iterator[Trace]:
        """Every curve by its name."""
        for when, kind in (("", self.after), (" before", self.before)):
            for place, lines in enumerate(kind):
                for line in lines:
                    if len(line.get_xdata()):
                        yield Trace.of(f"{line.get_label()}{when}", place, line, UNITS[place])

    def fade(self, faded: bool) -> None:
        """Gray everything out, or ink it again."""
        ink.fade((line for lines in self.after for line in lines), faded)


def _names(drawn: list[Curve]) -> list[str]:
    marks = ("—", "– –", "– ·", "· ·")
    return [f"{marks[k]} {drawn[k][0]}" if k < len(drawn) else "" for k in range(MOST)]


def _put(lines: list[Line2D], drawn: list[Curve]) -> None:
    none = np.empty(0)
    for place, line in enumerate(lines):
        name, x, y = drawn[place] if place < len(drawn) else ("", none, none)
        line.set_data(x, y)
        line.set_label(name)


def listen(result: Listening) -> Drawing:
    """What moves while a signal plays, the amp before the change faint behind.

    Parameters
    ----------
    result
        Of `tubekit.decisions.listen.listen`.

    Returns
    -------
    Drawing
        Figure, axes (plate current, rails, cathodes, spectrum, transfer curve), lines of the amp after.

    Examples
    --------
    >>> from tubekit import load_amp, plots
    >>> from tubekit.decisions.listen import listen, signal
    >>> figure, axes, lines = plots.listen(listen(load_amp("vetch"), what=signal("step", seconds=0.1)))
    >>> axes[1].get_title(loc="left")
    'Rails, change from idle, V'
    """
    with ink.style():
        figure = ink.paper(WIDTH / ink.DPI, HEIGHT / ink.DPI)
        view = ListenView(figure, None)
        view.fit(*result.both)
        view.show(result.after, result.before)
    figure.set_label(f"Plate currents, rails, cathodes, spectrum and transfer curve. {result.headline()}")
    return Drawing(figure, view.axes, tuple(line for lines in view.after for line in lines))

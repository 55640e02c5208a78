"""A cable as it lies on the bench: plugs with their pins, wires between them, straps; faults marked in words.

Wires the drawing has are plain lines; what was found open is broken and says so, what was found joined that
the drawing has not is dashed and says so. Nothing is said by color alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle, FancyBboxPatch

from tubekit.amp import Amp, parts as drawn
from tubekit.bench.cable import CableReport
from tubekit.bench.continuity import Pair, cable_graph, connectors, joined_pairs, pins, way
from tubekit.plots import ink
from tubekit.plots.ink import Drawing

WIDE, PITCH, PLUG, PIN = 540.0, 38.0, 132.0, 11.0
TOP, GAP, UNDER = 14.0, 34.0, 34.0
LABEL = 8.0


@dataclass(frozen=True)
class Place:
    """Where a pin is drawn, and on which side its wires leave (+1 right, -1 left)."""

    x: float
    y: float
    side: int


class CableView:
    """Draws one report of an amp; nothing on it moves or is out of date."""

    moving = ()

    def __init__(self, figure: Figure, report: CableReport) -> None:
        self.amp = report.amp
        self.places = dict(_places(report.amp))
        self.high = height(report.amp)
        self.axes: Axes = figure.add_axes((0, 0, 1, 1))
        self.axes.set(xlim=(0, WIDE), ylim=(self.high, 0))
        self.axes.set_axis_off()
        self.lines: list[Artist] = []
        self.marked: list[str] = []
        self._plugs()
        self._wires(report)

    def show(self, now: CableReport, before: CableReport | None = None) -> None:
        """Another report has a figure of its own."""

    def fade(self, faded: bool) -> None:
        """Nothing is out of date."""

    # ---- what stays

    def _plugs(self) -> None:
        for name, part in connectors(self.amp).items():
            own = [p for pin, p in self.places.items() if pin.startswith(f"{name}.")]
            left = min(p.x for p in own) - (PLUG - 24 if own[0].side > 0 else 24)
            top = min(p.y for p in own) - 20
            tall = max(p.y for p in own) - top + 20
            self.axes.add_patch(
                FancyBboxPatch((left, top), PLUG, tall, boxstyle="round,pad=0,rounding_size=8",
                               facecolor=ink.PAPER, edgecolor=ink.IRON, linewidth=1.1, zorder=1)
            )  # fmt: skip
            right = own[0].side < 0
            self._say(left + (PLUG if right else 0), top - 9, f"{name}  {part.role[:46]}", weight="bold",
                      align="right" if right else "left")  # fmt: skip
        for pin, place in self.places.items():
            self.axes.add_patch(Circle((place.x, place.y), PIN, facecolor=ink.PAPER, edgecolor=ink.IRON,
                                       linewidth=1.2, zorder=5))  # fmt: skip
            number = pin.partition(".")[2]
            self._say(place.x, place.y, number, align="center", weight="bold", above=6)
            node = _node(self.amp, pin)
            away = -16 if place.side > 0 else 16
            self._say(place.x + away, place.y, node, align="right" if place.side > 0 else "left", faint=True)

    # ---- what was found

    def _wires(self, report: CableReport) -> None:
        graph = cable_graph(self.amp)
        expected = joined_pairs(graph, pins(self.amp))
        read = {reading.pair: reading.beeps for reading in report.readings}
        self._crossed = {frozenset(p) for f in report.faults if f.kind == "swapped"
                         for a, b, c, d in [f.pins] for p in ((a, b), (c, d), (a, d), (c, b))}  # fmt: skip
        for pair in sorted(expected, key=sorted):
            result = read.get(pair)
            word = "" if result is not False else "SWAPPED" if pair in self._crossed else "OPEN"
            self._wire(pair, way(graph, *sorted(pair)), word, tried=result is not None)
        extra = [pair for pair, beeps in read.items() if beeps and pair not in expected]
        for pair in sorted(extra, key=sorted):
            self._extra(pair)

    def _wire(self, pair: Pair, by: str, word: str, *, tried: bool) -> None:
        one, two = sorted(pair)
        a, b = self.places[one], self.places[two]
        part = self.amp.parts.get(by)
        text = f"{by} {part.color}".strip() if isinstance(part, drawn.Wire) else by
        color = ink.OXIDE if word else ink.IRON if tried else ink.FAINT
        if word:
            self.marked.append(f"{one} to {two} {word.lower()}")
        if a.x == b.x:
            self._strap(a, b, f"{text}  {word}".strip(), color, broken=bool(word))
            return
        middle = 0.5 * (a.x + b.x)
        if word:
            middle -= 26.0  # room for what comes from elsewhere
            for x0, y0, x1, y1 in ((a.x, a.y, middle - 78, a.y), (middle + 78, b.y, b.x, b.y)):
                self._line([x0, x1], [y0, y1], color, "solid", 1.8)
            self._say(middle, a.y, f"✖ {text} {word}", align="center", color=color, weight="bold")
            return
        self._line([a.x, b.x], [a.y, b.y], color, "solid", 1.8 if tried else 1.2)
        self._say(middle, a.y - LABEL, text, align="center", faint=not tried)

    def _strap(self, a: Place, b: Place, text: str, color: str, *, broken: bool, dash: Any = "solid") -> None:
        """Two pins of one plug: an arc beside it."""
        out = a.x + a.side * (30.0 + 5.0 * abs(a.y - b.y) / PITCH)
        xs, ys = [a.x, out, out, b.x], [a.y, a.y, b.y, b.y]
        if broken:
            middle = 0.5 * (a.y + b.y)
            self._line([a.x, out, out], [a.y, a.y, middle - 7], color, "solid", 1.8)
            self._line([out, out, b.x], [middle + 7, b.y, b.y], color, "solid", 1.8)
        else:
            self._line(xs, ys, color, dash, 2.2)
        mark = "✖ " if broken else ""
        align = "left" if a.side > 0 else "right"
        weight = "bold" if broken or dash != "solid" else "normal"
        self._say(out + a.side * 6, 0.5 * (a.y + b.y), mark + text, align=align, color=color, weight=weight)

    def _extra(self, pair: Pair) -> None:
        one, two = sorted(pair)
        a, b = self.places[one], self.places[two]
        self.marked.append(f"{one} to {two} joined")
        dash = (0, (5, 2))
        if a.x == b.x and one.partition(".")[0] == two.partition(".")[0]:
            self._strap(a, b, "JOINED", ink.OXIDE, broken=False, dash=dash)
            return
        self._line([a.x, b.x], [a.y, b.y], ink.OXIDE, dash, 1.9)
        x, y = a.x + 0.87 * (b.x - a.x), a.y + 0.87 * (b.y - a.y)
        word = "from" if pair in self._crossed else "JOINED to"
        self.axes.text(x, y, f"{word} {one}", ha="center", va="center", fontsize=8, color=ink.OXIDE,
                       fontweight="bold", zorder=7,
                       bbox={"facecolor": ink.PAPER, "edgecolor": "none", "pad": 1.0})  # fmt: skip

    def _line(self, x: Sequence[float], y: Sequence[float], color: str, dash: Any, width: float) -> None:
        self.lines += self.axes.plot(x, y, color=color, linestyle=dash, linewidth=width, zorder=3)

    def _say(
        self, x: float, y: float, words: str, *, align: str = "left", weight: str = "normal",
        faint: bool = False, color: str = "", above: int = 4,
    ) -> None:  # fmt: skip
        self.axes.text(x, y, words, ha=align, va="center", fontsize=8.5, fontweight=weight, zorder=above,
                       color=color or (ink.FAINT if faint else ink.IRON))  # fmt: skip


def height(amp: Amp) -> float:
    """Height of the drawing of an amp's cables, in pixels."""
    return max((p.y for _, p in _places(amp)), default=0.0) + UNDER


def _places(amp: Amp) -> Iterator[tuple[str, Place]]:
    """Plugs in pairs, left and right; those no wire joins to another stand below, to the left."""
    known = pins(amp)
    y = TOP + 26.0
    for row in _rows(amp):
        count = 0
        for side, name in zip((1, -1), row, strict=False):
            own = [pin for pin in known if pin.startswith(f"{name}.")]
            x = 24.0 + PLUG - 24.0 if side > 0 else WIDE - PLUG
            for pin in own:
                number = int(pin.partition(".")[2]) - 1
                yield pin, Place(x, y + PITCH * number, side)
                count = max(count, number + 1)
        y += PITCH * count + GAP


def _rows(amp: Amp) -> list[tuple[str, ...]]:
    graph = cable_graph(amp)
    joined = joined_pairs(graph, pins(amp))
    names = list(connectors(amp))
    rows: list[tuple[str, ...]] = []
    while names:
        one = names.pop(0)
        other = next(
            (n for n in names if any({p.partition(".")[0] for p in pair} == {one, n} for pair in joined)),
            None,
        )
        if other is not None:
            names.remove(other)
        rows.append((one,) if other is None else (one, other))
    return rows


def _node(amp: Amp, pin: str) -> str:
    """What stands behind a pin on the chassis: the node of the socket."""
    name, _, number = pin.partition(".")
    part = connectors(amp)[name]
    return part.socket[int(number) - 1] if int(number) <= len(part.socket) else ""


def cable(report: CableReport) -> Drawing:
    """The cables of an amp with what the meter found on them.

    Parameters
    ----------
    report
        From `check_cable`.

    Returns
    -------
    Drawing
        Figure, axes (one), lines (wires and straps).

    Examples
    --------
    >>> from tubekit import load_amp, plots
    >>> from tubekit.bench.cable import check_cable
    >>> plots.cable(check_cable(load_amp("fescue"), [("P4.3", "P4.4", "no")])).words
    'Ottermere Fescue, 1 continuity readings: 1 fault. P4.3 to P4.4 open.'
    """
    with ink.style():
        figure = ink.paper(WIDE / ink.DPI, height(report.amp) / ink.DPI)
        view = CableView(figure, report)
    marked = f" {'; '.join(view.marked)}." if view.marked else ""
    figure.set_label(report.headline() + marked)
    return Drawing(figure, (view.axes,), tuple(view.lines))

"""Readings against the bands of good amps, and the chances of suspects."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.artist import Artist
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.text import Text

from tubekit.bench.suspects import Suspects
from tubekit.decisions.judge import METER, WRONG_FROM, Judgement
from tubekit.plots import ink
from tubekit.plots.ink import Drawing

ROWS = 24
_FILL = {"fine": "within", METER: "within", "out of range": "exceeded"}
CUT = 3.0


def bands(result: Judgement) -> Drawing:
    r"""Each reading on the scale of its own band: the bar holds 95 of 100 good amps, the mark is the reading.

    Readings further out than three half bands stand at the edge as an arrow.

    Parameters
    ----------
    result
        From `judge`.

    Returns
    -------
    Drawing
        Figure, axes (one), lines (bars, then marks).

    Examples
    --------
    >>> from tubekit import load_amp, plots
    >>> from tubekit.bench.readings import readings_from_text
    >>> from tubekit.decisions.judge import judge
    >>> amp = load_amp("teasel")
    >>> taken = readings_from_text("place,quantity,value\nk34,DC volts,18.5\n", amp)
    >>> plots.bands(judge(taken, size=100)).words
    'Ottermere Teasel, 1 readings: 1 fine.'
    """
    shown = result.verdicts[:ROWS]
    with ink.style():
        high = 0.9 + 0.24 * len(shown)
        figure, axes = ink.sheet(7.2, high, len(shown), 0.27, 0.76, (0.45, 0.18 * high))
        axes.set_title("Readings and their normal ranges (bar: 95 % of good amps)")
        lines: list[Artist] = []
        marks: list[Artist] = []
        for row, verdict in enumerate(shown):
            bar = axes.barh(row, 2.0, left=-1.0, height=0.55, linewidth=0.7, zorder=2)[0]
            ink.fill(bar, _FILL.get(verdict.word, "near"))
            lines.append(bar)
            half = max(verdict.high - verdict.typical, verdict.typical - verdict.low, 1e-12)
            place = (verdict.reading.value - verdict.typical) / half
            marker = "<" if place < -CUT else ">" if place > CUT else "o"
            marks += axes.plot([max(-CUT, min(CUT, place))], [row], marker=marker, color=ink.IRON, zorder=4)
            axes.text(1.04, row, f"{verdict.reading.describe()}  {verdict.word}", va="center", fontsize=7.5,
                      transform=axes.get_yaxis_transform())  # fmt: skip
        axes.set_yticks(range(len(shown)), [str(v.reading.probe) for v in shown])
        axes.set_xlim(-CUT - 0.2, CUT + 0.2)
        axes.set_xticks([-1, 0, 1], ["low", "typical", "high"])
    figure.set_label(result.headline())
    return Drawing(figure, (axes,), (*lines, *marks))


def chances(result: Suspects) -> Drawing:
    r"""The chance of each suspect, and that nothing is wrong, as bars.

    Parameters
    ----------
    result
        From `suspects`.

    Returns
    -------
    Drawing
        Figure, axes (one), lines (bars).

    Examples
    --------
    >>> from tubekit import load_amp, plots
    >>> from tubekit.bench.readings import readings_from_text
    >>> from tubekit.bench.suspects import suspects
    >>> rows = "place,quantity,value\nB1,DC volts,334\np1a,DC volts,232\nk1a,DC volts,0.01\n"
    >>> len(plots.chances(suspects(readings_from_text(rows, load_amp("teasel")))).lines) > 2
    True
    """
    rows = [("no part bad", result.healthy), *((s.words, s.chance) for s in result.suspects)]
    with ink.style():
        high = 0.8 + 0.26 * len(rows)
        figure, axes = ink.sheet(7.2, high, len(rows), 0.34, 0.97, (0.4, 0.2 * high))
        axes.set_title("Likelihood of each fault")
        lines = [axes.barh(k, share, height=0.6, zorder=2)[0] for k, (_, share) in enumerate(rows)]
        for k, (line, (_, share)) in enumerate(zip(lines, rows, strict=True)):
            ink.fill(line, "near" if k else "within")
            axes.text(share + 0.01, k, f"{100 * share:.1f} %", va="center", fontsize=7.5)
        axes.set_yticks(range(len(rows)), [words for words, _ in rows])
        axes.set_xlim(0.0, 1.12)
        axes.set_xticks([0, 0.5, 1], ["0", "50 %", "100 %"])
    figure.set_label(result.headline())
    return Drawing(figure, (axes,), tuple(lines))


EDGE, ROOM = 3.0, 0.35
"""Readings further than this many half bands from the middle stand at the edge as an arrow."""
ROW, ABOVE, BELOW = 25, 46, 46
WIDE, NAMES, SAID, BAND = 560, 110, 252, 138
"""Pixels: a row, what stands above and below the rows; the figure, its names and words, where bands stand."""
ACROSS = WIDE - NAMES - SAID
FILL, BLANK = ink.FILLS["within"], ink.Fill(ink.PAPER, ink.FAINT)
SAYS = {"out of range": "OUT", "on the high side": "high", "on the low side": "low", "fine": "fine",
        METER: "fine (meter)"}  # fmt: skip
"""Verdicts as they fit between mark and range; what the meter may be off is kept in the list."""
INKS = {"out of range": ink.OXIDE, "on the high side": ink.OCHRE, "on the low side": ink.OCHRE}


@dataclass(frozen=True)
class BandRow:
    """One reading: its name, the band of good amps, and what was read, in numbers and words.

    `value` is None where nothing was read yet; `predicted` is what a fault would show, None without one.
    """

    name: str
    low: float
    typical: float
    high: float
    band: str
    value: float | None = None
    reading: str = ""
    word: str = ""
    predicted: float | None = None

    def place(self, value: float) -> float:
        """A value in half bands from the typical one; each side has its own half."""
        half = self.high - self.typical if value >= self.typical else self.typical - self.low
        return (value - self.typical) / max(half, 1e-12)


class ReadingBandsView:
    """Bars that hold 95 of 100 good amps, a mark for each reading, its verdict in words.

    A fine reading is a dot, one to the side a square, a wrong one a cross, or an arrow where it lies off the
    scale. `moving` are marks and words; bars and names stay while the list of places stays.
    """

    def __init__(self, figure: Figure, rows: Sequence[BandRow]) -> None:
        self.high = figure.get_size_inches()[1] * figure.dpi
        self.rows = tuple(rows)
        self.axes = figure.add_axes(
            (NAMES / WIDE, BELOW / self.high, ACROSS / WIDE, 1 - (ABOVE + BELOW) / self.high)
        )
        self._ground()
        self.marks = [self._mark(ink.IRON, 7.0) for _ in rows]
        self.predicted = [self._mark(ink.PAPER, 7.5) for _ in rows]
        self.words = [self._text(10, k, "") for k in range(len(rows))]
        self.show(rows)

    @property
    def moving(self) -> list[Artist]:
        """What `show` changes, the lowest first."""
        return [*self.bars, *self.predicted, *self.marks, *self.words]

    @property
    def in_words(self) -> str:
        """What is seen, for those who cannot see it."""
        words = (f"{row.name} {text.get_text()}" for row, text in zip(self.rows, self.words, strict=True))
        return f"Readings and their normal ranges: {'; '.join(words)}"

    def fits(self, rows: Sequence[BandRow]) -> bool:
        """Whether names and bands are those that stand here."""
        return [(r.name, r.band) for r in rows] == [(r.name, r.band) for r in self.rows]

    def show(self, now: Sequence[BandRow], before: Sequence[BandRow] | None = None) -> None:  # noqa: ARG002 - nothing is kept behind
        """Other readings on the same bars."""
        self.rows = tuple(now)
        for k, row in enumerate(self.rows):
            fill = FILL if row.word else BLANK
            self.bars[k].set(facecolor=fill.face, edgecolor=fill.edge)
            mark = "o" if row.word in ("fine", METER) else "X" if row.word == "out of range" else "s"
            _put(self.marks[k], row, row.value, k, mark)
            _put(self.predicted[k], row, row.predicted, k, "D")
            color = INKS.get(row.word, ink.IRON)
            self.marks[k].set(
                color=color, markerfacecolor=color, markersize=9.0 if row.word == "out of range" else 7.0
            )
            self.words[k].set_text(
                f"{row.reading}  {SAYS.get(row.word, row.word)}".strip() or "no reading yet"
            )
            self.words[k].set_fontweight("bold" if row.word == "out of range" else "normal")
        self.fade(False)

    def fade(self, faded: bool) -> None:
        """Gray the marks out: the verdicts are those of an earlier list."""
        for mark, words, row in zip(self.marks, self.words, self.rows, strict=True):
            mark.set_alpha(0.3 if faded else None)
            read = row.value is not None and not faded
            words.set_color((ink.OXIDE if row.word == "out of range" else ink.IRON) if read else ink.FAINT)

    def _ground(self) -> None:
        axes, count = self.axes, len(self.rows)
        ink.bare(axes)
        axes.set(xlim=(-EDGE - ROOM, EDGE + ROOM), ylim=(count - 0.45, -0.55))
        self.bars = list(axes.barh(range(count), 2.0, left=-1.0, height=0.6, linewidth=0.8, zorder=2))
        for x in (-WRONG_FROM, WRONG_FROM):
            axes.axvline(x, color=ink.OXIDE, linewidth=0.8, linestyle=(0, (2, 2)), zorder=1)
        axes.set_yticks(range(count), [row.name for row in self.rows])
        far = 0.5 * (WRONG_FROM + EDGE)
        axes.set_xticks([-far, 0, far], ["out of range", "typical", "out of range"])
        axes.tick_params(axis="x", length=0)
        down = self.high - ABOVE - BELOW
        axes.set_title("Each reading and its own normal range", x=(8 - NAMES) / ACROSS, y=1 + 20 / down)
        self._text(10, -0.95, "read", faint=True)
        self._text(BAND, -0.95, "normal range", faint=True)
        for k, row in enumerate(self.rows):
            self._text(BAND, k, row.band, faint=True)
        key = (
            "bar: normal range, 95 % of good amps   ● fine   ■ slightly off   ✖ wrong   ◇ with the "
            "fault below"
        )
        axes.text((8 - NAMES) / ACROSS, -34 / down, key, transform=axes.transAxes, fontsize=8, va="center",
                  clip_on=False)  # fmt: skip

    def _text(self, right: float, row: float, words: str, *, faint: bool = False) -> Text:
        """Words that many pixels right of the bars."""
        return self.axes.text(
            1 + right / ACROSS, row, words, transform=self.axes.get_yaxis_transform(), ha="left", va="center",
            clip_on=False, fontsize=8.0 if faint else 8.5, color=ink.FAINT if faint else ink.IRON,
        )  # fmt: skip

    def _mark(self, face: str, size: float) -> Line2D:
        return ink.mark(self.axes, "o", size, markerfacecolor=face, clip_on=False)


def paper_for(rows: Sequence[BandRow]) -> Figure:
    """Paper as high as the list needs."""
    return ink.paper(WIDE / ink.DPI, (ABOVE + BELOW + ROW * max(len(rows), 1)) / ink.DPI)


def _put(mark: Line2D, row: BandRow, value: float | None, k: int, marker: str) -> None:
    if value is None:
        mark.set_data([], [])
        return
    at = row.place(value)
    mark.set_marker("<" if at < -EDGE else ">" if at > EDGE else marker)
    mark.set_data([max(-EDGE, min(EDGE, at))], [k])

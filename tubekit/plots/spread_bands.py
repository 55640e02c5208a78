"""Readings against the bands of good amps, and the chances of suspects."""

from __future__ import annotations

from matplotlib.artist import Artist

from tubekit.bench.suspects import Suspects
from tubekit.decisions.judge import METER, Judgement
from tubekit.plots import ink
from tubekit.plots.drawing import Drawing

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
        figure = ink.paper(7.2, 0.9 + 0.24 * len(shown))
        axes = figure.add_subplot()
        ink.bare(axes)
        axes.set_title("Readings and their normal ranges (bar: 95 % of good amps)")
        lines: list[Artist] = []
        marks: list[Artist] = []
        for row, verdict in enumerate(shown):
            fill = ink.FILLS[_FILL.get(verdict.word, "near")]
            lines.append(
                axes.barh(row, 2.0, left=-1.0, height=0.55, facecolor=fill.face, edgecolor=fill.edge,
                          hatch=fill.hatch, linewidth=0.7, zorder=2)[0]
            )  # fmt: skip
            half = max(verdict.high - verdict.typical, verdict.typical - verdict.low, 1e-12)
            place = (verdict.reading.value - verdict.typical) / half
            marker = "<" if place < -CUT else ">" if place > CUT else "o"
            marks += axes.plot([max(-CUT, min(CUT, place))], [row], marker=marker, color=ink.IRON, zorder=4)
            axes.text(1.04, row, f"{verdict.reading.describe()}  {verdict.word}", va="center", fontsize=7.5,
                      transform=axes.get_yaxis_transform())  # fmt: skip
        axes.set_yticks(range(len(shown)), [str(v.reading.probe) for v in shown])
        axes.set(ylim=(len(shown) - 0.4, -0.6), xlim=(-CUT - 0.2, CUT + 0.2))
        axes.set_xticks([-1, 0, 1], ["low", "typical", "high"])
        figure.subplots_adjust(left=0.27, right=0.76, top=1 - 0.45 / (0.9 + 0.24 * len(shown)), bottom=0.18)
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
        figure = ink.paper(7.2, 0.8 + 0.26 * len(rows))
        axes = figure.add_subplot()
        ink.bare(axes)
        axes.set_title("Likelihood of each fault")
        fills = [ink.FILLS["within"], *(ink.FILLS["near"] for _ in result.suspects)]
        lines = [
            axes.barh(
                k, share, height=0.6, facecolor=fill.face, edgecolor=fill.edge, hatch=fill.hatch, zorder=2
            )[0]
            for k, ((_, share), fill) in enumerate(zip(rows, fills, strict=True))
        ]
        for k, (_, share) in enumerate(rows):
            axes.text(share + 0.01, k, f"{100 * share:.1f} %", va="center", fontsize=7.5)
        axes.set_yticks(range(len(rows)), [words for words, _ in rows])
        axes.set(xlim=(0.0, 1.12), ylim=(len(rows) - 0.4, -0.6))
        axes.set_xticks([0, 0.5, 1], ["0", "50 %", "100 %"])
        figure.subplots_adjust(left=0.34, right=0.97, top=1 - 0.4 / (0.8 + 0.26 * len(rows)), bottom=0.2)
    figure.set_label(result.headline())
    return Drawing(figure, (axes,), tuple(lines))

"""How much of each rating is used: bars with the word beside them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from matplotlib.artist import Artist
from matplotlib.axes import Axes

from tubekit.decisions import Limits, RatingCheck, SwapReport
from tubekit.plots import ink
from tubekit.plots.handles import Trace, ends
from tubekit.plots.ink import Drawing
from tubekit.units import show

ROWS = 12
FULL = 1.5
"""The scale ends at 150 % of a rating; longer bars are cut and say so in figures."""
SAYS = {"within": "", "near": "NEAR", "at limit": "AT LIMIT", "exceeded": "EXCEEDED"}
STATES = tuple(SAYS)

Key = tuple[str, str]


class RatingsView:
    """Bars for a fixed number of rows; which rating stands in a row is kept where it can be.

    `moving` are the artists that change; the scale (0 to 150 %) never does.
    """

    def __init__(self, axes: Axes, rows: int, *, title: str = "How much of each rating is used") -> None:
        self.axes, self.rows = axes, rows
        self.shown: tuple[RatingCheck, ...] = ()
        self._before: Iterable[RatingCheck] | None = None
        self._old: dict[Key, float] = {}
        axes.set_title(title)
        axes.set(xlim=(0.0, 100.0 * FULL), ylim=(rows - 0.45, -0.6), yticks=[])
        axes.set_xticks([0, 50, 90, 100, 150], ["0", "50", "", "100 %", "150"])
        ink.bare(axes)
        axes.axvline(90.0, color=ink.FAINT, linewidth=0.7, linestyle=(0, (1, 2)), zorder=4)
        axes.axvline(100.0, color=ink.IRON, linewidth=1.3, zorder=4)
        self.bars = [ink.bar(axes, 0.0, row - 0.3, 0.0, 0.6) for row in range(rows)]
        self.marks = [ink.mark(axes, "d", 4.5) for _ in range(rows)]
        self.names, self.words = (ink.beside(axes, rows, x) for x in (-0.02, 1.02))

    @property
    def moving(self) -> list[Artist]:
        """What `show` changes each time, the lowest first; the names change only with the rows."""
        return [*self.bars, *self.marks, *self.words]

    @property
    def row_names(self) -> tuple[str, ...]:
        """What stands before the rows."""
        return tuple(name.get_text() for name in self.names)

    def show(self, after: Iterable[RatingCheck], before: Iterable[RatingCheck] | None = None) -> None:
        """New checks in the rows; a diamond marks the share before."""
        self.shown = calm(tuple(after), self.shown, self.rows)
        if before is not self._before:  # the same one while a slider moves
            self._before, self._old = before, {check.key: check.worst for check in before or ()}
        old = self._old
        for row in range(self.rows):
            self._row(row, self.shown[row] if row < len(self.shown) else None, old)

    def _row(self, row: int, check: RatingCheck | None, old: dict[Key, float]) -> None:
        for artist in (self.bars[row], self.marks[row], self.words[row]):
            artist.set_visible(check is not None)
        if check is None:
            self.names[row].set_text("")
            return
        share = 100.0 * check.worst
        self.bars[row].set_width(min(share, 100.0 * FULL))
        ink.fill(self.bars[row], check.state)
        was = old.get(check.key)
        moved = was is not None and abs(100.0 * was - share) >= 0.5
        self.marks[row].set_data(
            [min(100.0 * (was or 0.0), 100.0 * FULL)] if moved else [], [row] if moved else []
        )
        self.names[row].set_text(f"{check.part}  {check.short}")
        self.words[row].set_text(f"{show(share, '%')}  {SAYS[check.state]}".rstrip())
        self.words[row].set_fontweight("bold" if check.state != "within" else "normal")

    def traces(self, axes: int) -> Iterator[Trace]:
        """Each row: the rating, how much of it is used."""
        for row, (check, words) in enumerate(zip(self.shown, self.words, strict=False)):
            yield Trace(
                f"{check.part} {check.what}: {words.get_text()} of its rating", axes, *ends(0.0, 150.0, row)
            )

    def fade(self, faded: bool) -> None:
        """Gray the bars out: they belong to an earlier state of the controls."""
        ink.fade((*self.bars, *self.words), faded)


def calm(checks: Sequence[RatingCheck], shown: Sequence[RatingCheck], rows: int) -> tuple[RatingCheck, ...]:
    """Which checks stand in the rows: those shown stay, unless a near or exceeded one needs a row."""
    present = {check.key: check for check in checks}
    gravity = {name: (STATES.index(check.state), check.worst) for name, check in present.items()}
    ranked = sorted(present, key=lambda name: -gravity[name][1])
    kept = [name for check in shown if (name := check.key) in present]
    for name in ranked:
        state, _ = gravity[name]
        if state == 0 or name in kept:
            continue
        if len(kept) >= rows:
            least = min(kept, key=lambda each: gravity[each])
            if gravity[least] >= (state, 0.0):
                break
            kept.remove(least)
        kept.append(name)
    kept += [name for name in ranked if name not in kept][: max(0, rows - len(kept))]
    return tuple(present[name] for name in kept[:rows])


def ratings(result: Limits | SwapReport, *, rows: int = ROWS) -> Drawing:
    """The most used ratings as bars; 'NEAR' and 'EXCEEDED' are printed beside them.

    Parameters
    ----------
    result
        Limits of one amp, or a swap (a diamond then marks the share before).
    rows
        How many ratings to show; those left out are counted below.

    Returns
    -------
    Drawing
        Figure, axes (one), lines (the bars, in the order of the rows).

    Examples
    --------
    >>> from tubekit import load_amp, plots, swap
    >>> figure, (axes,), bars = plots.ratings(swap(load_amp("teasel"), {"R14": "330"}))
    >>> len(bars)
    12
    """
    now = result.limits_after if isinstance(result, SwapReport) else result
    before = result.limits_before if isinstance(result, SwapReport) else None
    ranked = sorted(now, key=lambda check: -check.worst)
    count = max(1, min(rows, len(ranked)))
    with ink.style():
        figure, axes = ink.sheet(7.6, 0.8 + 0.27 * count, count, 0.36, 0.80)
        view = RatingsView(axes, count)
        view.show(ranked, before)
        axes.set_xlabel(_rest(ranked, count, before is not None), loc="left")
    graves = [
        f"{c.part} {c.what} {show(100 * c.worst, '%')} {c.state}" for c in ranked if c.state != "within"
    ]
    figure.set_label(f"How much of each rating is used: {'; '.join(graves) or 'none above 90 %'}")
    return Drawing(figure, (axes,), tuple(view.bars))


def _rest(ranked: Sequence[RatingCheck], count: int, swapped: bool) -> str:
    diamond = "◇ before the change.  " if swapped else ""
    left = len(ranked) - count
    return diamond + (
        f"{left} more ratings, none above {show(100 * ranked[count].worst, '%')}." if left > 0 else ""
    )

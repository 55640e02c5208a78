"""What a swap moves: node volts, currents and dissipation, each from before to after."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from tubekit.amp import AmpReport
from tubekit.decisions import SwapReport
from tubekit.plots import ink
from tubekit.plots.cycle import rounded_up
from tubekit.plots.ink import Drawing
from tubekit.plots.reading import of_member
from tubekit.units import show

ROWS = 6
LEAST_PERCENT = 0.5
LEAST_VOLTS = 1.0
WIDEST = 100.0
"""Bars end at ±100 %; what moves further is cut and tells its figures."""


@dataclass(frozen=True)
class ReadingChange:
    """One reading before and after."""

    name: str
    before: float
    after: float
    unit: str

    @property
    def kind(self) -> str:
        """Name of what is read, without the place: 'plate' of 'V3 plate', '' of a node."""
        return self.name.partition(" ")[2]

    @property
    def percent(self) -> float:
        """Change [% of the reading before]."""
        return 100.0 * (self.after - self.before) / abs(self.before)

    @property
    def words(self) -> str:
        """Both readings and the change."""
        return f"{show(self.before, self.unit)} → {show(self.after, self.unit)}  ({self.percent:+.0f} %)"


def moves(swap: SwapReport, member: int = 0) -> dict[str, tuple[ReadingChange, ...]]:
    """Readings that change by more than 0.5 %, by group, the largest change first."""
    groups = {"Nodes to ground": _nodes, "Currents": _currents, "Dissipation": _dissipation}
    result = {}
    for title, read in groups.items():
        old, new = (
            {name: (of_member(v, member), unit) for name, v, unit in read(r)}
            for r in (swap.before, swap.after)
        )
        rows = [
            ReadingChange(name, old[name][0], value, unit)
            for name, (value, unit) in new.items()
            if name in old
        ]
        rows = [row for row in rows if row.before and abs(row.percent) >= LEAST_PERCENT]
        result[title] = tuple(joined(sorted(rows, key=lambda row: -abs(row.percent))))
    return result


def joined(rows: Iterable[ReadingChange]) -> Iterator[ReadingChange]:
    """Readings of one kind that move alike, within 1 %, share a row; its figures are those of the first.

    Examples
    --------
    >>> pair = [ReadingChange("V4 plate", 11.38, 10.42, "W"), ReadingChange("V3 plate", 11.39, 10.43, "W")]
    >>> [(row.name, row.before) for row in joined(pair)]
    [('V3, V4 plate', 11.38)]
    """
    groups: list[list[ReadingChange]] = []
    for row in rows:
        like = next((group for group in groups if _alike(group[0], row)), None)
        if like is None:
            groups.append([row])
        else:
            like.append(row)
    for same in groups:
        places = ", ".join(sorted(row.name.partition(" ")[0] for row in same))
        yield replace(same[0], name=f"{places} {same[0].kind}".rstrip())


def _alike(one: ReadingChange, other: ReadingChange) -> bool:
    near = all(abs(a / b - 1.0) < 0.01 for a, b in ((one.before, other.before), (one.after, other.after)))
    return one.kind == other.kind and near


Reading = tuple[str, object, str]


def _nodes(report: AmpReport) -> Iterator[Reading]:
    """Nodes that carry direct voltage; on a winding's end the mean is no reading."""
    for node in report.nodes:
        direct = abs(of_member(node.dc_v, 0))
        if direct >= LEAST_VOLTS and direct > of_member(node.ac_rms_v, 0):
            yield node.node, node.dc_v, "V"


def _currents(report: AmpReport) -> Iterator[Reading]:
    for rectifier in report.rectifiers:
        yield f"{rectifier.designator} DC", rectifier.dc_a, "A"
        yield f"{rectifier.designator} peak per plate", rectifier.peak_a, "A"
    for tube in report.tubes:
        yield f"{tube.section} cathode", tube.cathode_a, "A"


def _dissipation(report: AmpReport) -> Iterator[Reading]:
    for tube in report.tubes:
        yield f"{tube.section} plate", tube.plate_w, "W"
        if of_member(tube.screen_w, 0) > 0:
            yield f"{tube.section} screen", tube.screen_w, "W"


def before_after(swap: SwapReport, *, rows: int = ROWS, member: int = 0) -> Drawing:
    """Draw what changes most, as the change in percent with both readings in words.

    Parameters
    ----------
    swap
        The swap to show.
    rows
        At most so many in each of the three groups (nodes, currents, dissipation).
    member
        Which amp of a batch.

    Returns
    -------
    Drawing
        Figure, axes (one per group that moves), lines (one per row: before to after, 0 to x %).

    Examples
    --------
    >>> from tubekit import load_amp, plots, swap
    >>> figure, axes, lines = plots.before_after(swap(load_amp("teasel"), {"R14": "330"}))
    >>> axes[0].get_title(loc="left")
    'Nodes to ground'
    """
    groups = {title: result[:rows] for title, result in moves(swap, member).items() if result}
    with ink.style():
        counts = [len(result) for result in groups.values()]
        figure = ink.paper(7.6, 0.45 + 0.42 * len(counts) + 0.25 * sum(counts) if counts else 1.0)
        if not groups:
            return _still(figure)
        height = figure.get_figheight()
        axes = figure.subplots(len(groups), 1, sharex=True, squeeze=False, height_ratios=counts)[:, 0]
        figure.subplots_adjust(
            left=0.20, right=0.64, top=1 - 0.3 / height, bottom=0.42 / height,
            hspace=0.42 * len(counts) / (0.25 * sum(counts)),
        )  # fmt: skip
        scale = _scale([move.percent for result in groups.values() for move in result])
        lines = [
            line
            for each, (title, result) in zip(axes, groups.items(), strict=True)
            for line in _group(each, title, result, scale)
        ]
        axes[-1].set_xlabel("change, % of the value before")
    sentences = [f"{move.name} {move.words}" for result in groups.values() for move in result]
    figure.set_label(f"Changes: {'; '.join(sentences)}")
    return Drawing(figure, tuple(axes), tuple(lines))


def _scale(percents: Sequence[float]) -> tuple[float, float]:
    """Ends of the axis: whichever side moves less keeps a sixth, so that the zero line stands clear."""
    down, up = (
        min(WIDEST, rounded_up(1.1 * far)) if (far := max(sign * p for p in percents)) > 0.0 else 0.0
        for sign in (-1.0, 1.0)
    )
    return -max(down, up / 6), max(up, down / 6)


def _group(
    axes: Axes, title: str, changes: Sequence[ReadingChange], scale: tuple[float, float]
) -> Iterator[Artist]:
    axes.set_title(title)
    axes.set(xlim=scale, ylim=(len(changes) - 0.4, -0.6))
    axes.set_yticks(range(len(changes)), [move.name for move in changes])
    ink.bare(axes)
    axes.axvline(0.0, color=ink.IRON, linewidth=0.7, zorder=1)
    across = axes.get_yaxis_transform()
    for row, move in enumerate(changes):
        end = max(scale[0], min(scale[1], move.percent))
        yield axes.plot([0.0, end], [row, row], color=ink.IRON, linewidth=1.4, zorder=2)[0]
        axes.plot(
            [0.0], [row], "o", markersize=5.5, markerfacecolor=ink.PAPER, markeredgecolor=ink.FAINT, zorder=3
        )
        shape = "o" if end == move.percent else (">" if end > 0 else "<")
        axes.plot([end], [row], shape, markersize=5.5, color=ink.IRON, zorder=4, clip_on=False)
        axes.text(1.03, row, move.words, transform=across, va="center")


def _still(figure: Figure) -> Drawing:
    """A figure that says that nothing moves."""
    words = f"Nothing changes by more than {LEAST_PERCENT:g} %"
    figure.text(0.02, 0.5, words, va="center")
    figure.set_label(words)
    return Drawing(figure, (), ())

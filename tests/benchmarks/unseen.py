"""Each published row left out of its tube's fit in turn: how well it is met unseen, beside seen.

``python -m tests.benchmarks.unseen [--rows] [--save] [type …]``; ``--save`` writes data/tubes/unseen.csv,
which the accuracy page shows. Rows that print one working point (the same plate and screen voltages, plate
current within 1 %) are left out together. A row that the fit keeps out is
unseen as it stands. The only working point of a type leaves nothing to fit and has no unseen figure.
"""

from __future__ import annotations

import csv
import sys
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tests.benchmarks.fit import fit_law, kind_of
from tests.say import say
from tubekit.devices import tube
from tubekit.devices.published import TOLERANCE, Published, residuals, rows_for
from tubekit.devices.tube_files import fit_plan, fitted_types
from tubekit.devices.tube_record import PLATE_CURRENTS
from tubekit.files import data_file
from tubekit.text import Column, Table

OF_BAND = {"current": PLATE_CURRENTS, "gain": ("gm", "gain"), "power": ("power",)}
SURE = 0.85  # confidence from which a row counts as sure


@dataclass(frozen=True)
class Figure:
    """A published figure and the errors of the law that saw its row and of one that did not (or None)."""

    type: str
    kind: str
    row: str
    quantity: str
    sure: bool
    tolerance: float
    seen: float | None
    unseen: float | None


def figures(type_: str, every: int = 1) -> Iterator[Figure]:
    """Figures of a type, of every n-th row."""
    plan = fit_plan(type_)
    kind, rows = kind_of(plan), rows_for(plan)
    whole = fit_law(kind, rows, plan.assumed, tube(type_).law, plan.usual)  # type: ignore[arg-type]
    for row in rows[::every]:
        others = [each for each in rows if not twins(row, each)]
        left = any(each.trust > 0 for each in others)
        blind = whole
        if row.trust > 0 and left:
            blind = fit_law(kind, others, plan.assumed, whole.law, plan.usual)
        pairs = zip(residuals(whole.law, [row]), residuals(blind.law, [row]), strict=True)
        for seen, unseen in pairs:
            yield Figure(
                type_, kind.__name__.lower(), row.label, seen.quantity, row.confidence >= SURE,
                row.tolerance(seen.quantity),
                seen.error if row.trust > 0 else None, unseen.error if left else None,
            )  # fmt: skip


def twins(row: Published, other: Published) -> bool:
    """Whether two rows print one working point."""
    if row.label == other.label:
        return True
    one, two = (each.values.get("plate", each.values.get("idle_plate")) for each in (row, other))
    if one is None or two is None or abs(one / two - 1.0) > 0.01:
        return False
    return all(row.at.get(name) == other.at.get(name) for name in ("plate", "screen"))


def summary(figures: Sequence[Figure]) -> list[Table]:
    """Seen beside unseen by quantity of each kind, then by tube; what stated uncertainties hold."""
    by = {f"{f.kind}, {f.quantity}{'' if f.sure else ', unsure'}": None for f in sorted(figures, key=_order)}
    kinds = {
        words: [f for f in figures if words == f"{f.kind}, {f.quantity}{'' if f.sure else ', unsure'}"]
        for words in by
    }
    tubes = {
        type_: [f for f in figures if f.type == type_] for type_ in dict.fromkeys(f.type for f in figures)
    }
    every = {
        "all": list(figures),
        "all sure": [f for f in figures if f.sure],
        "both seen and unseen": [f for f in figures if None not in (f.seen, f.unseen)],
    }
    return [_table("By kind and figure", kinds | every), _table("By tube", tubes | every), coverage(figures)]


def coverage(figures: Sequence[Figure]) -> Table:
    """How many of the unseen figures lie within the stated uncertainty of their law, meant for 90 %."""
    rows = []
    for word, quantities in OF_BAND.items():
        off = [
            100.0 * abs(f.unseen) / tube(f.type).law_bands[word]
            for f in figures
            if f.quantity in quantities and None not in (f.seen, f.unseen) and word in tube(f.type).law_bands
        ]
        rows.append((word, len(off), 100.0 * float(np.mean(np.array(off) <= 1.0)) if off else None))
    columns = (Column(""), Column("figures"), Column("within", "%", format=".0f"))
    return Table("Unseen figures within the stated uncertainty of the law, meant for 90 %", columns, rows)


def _order(figure: Figure) -> tuple[str, int, bool]:
    return figure.kind, list(TOLERANCE).index(figure.quantity), not figure.sure


def _table(title: str, groups: dict[str, list[Figure]]) -> Table:
    columns = (
        Column(""), Column("figures"),
        *(Column(f"{how}{word}", "%", format=form) for how in ("seen", "unseen")
          for word, form in ((", median", ".1f"), (", worst", ".0f"), (", met", ".0f"))),
    )  # fmt: skip
    rows = []
    for words, group in groups.items():
        cells: list[object] = []
        for errors in ([f.seen for f in group], [f.unseen for f in group]):
            both = np.array(
                [(abs(e), f.tolerance) for e, f in zip(errors, group, strict=True) if e is not None]
            )
            if both.size:
                share = both[:, 0] / both[:, 1]
                cells += [
                    100.0 * np.median(both[:, 0]),
                    100.0 * both[:, 0].max(),
                    100.0 * np.mean(share <= 1.0),
                ]
            else:
                cells += [None] * 3
        rows.append((words, len(group), *cells))
    return Table(title, columns, rows, "Medians without sign; distortions in points.")


def each_row(figures: Iterable[Figure]) -> Table:
    """Every figure of every row."""
    columns = (
        Column("row"), Column("figure"), Column("seen", "%", format="+.1f"),
        Column("unseen", "%", format="+.1f"), Column("tolerance", "%", format=".0f"),
    )  # fmt: skip
    rows = [
        (f.row, f.quantity, None if f.seen is None else 100.0 * f.seen,
         None if f.unseen is None else 100.0 * f.unseen, 100.0 * f.tolerance)
        for f in figures
    ]  # fmt: skip
    return Table("Every figure", columns, rows)


def save(figures: Iterable[Figure]) -> None:
    """Write the unseen differences of all types, for `tubekit.textbook.accuracy`."""
    with (data_file("tubes") / "unseen.csv").open("w", encoding="utf-8", newline="") as file:
        lines = csv.writer(file, lineterminator="\n")
        lines.writerow(("row", "quantity", "unseen"))
        lines.writerows((f.row, f.quantity, f"{f.unseen:.4f}") for f in figures if f.unseen is not None)


if __name__ == "__main__":
    types = [word for word in sys.argv[1:] if not word.startswith("--")]
    all_figures = [f for type_ in types or fitted_types() for f in figures(type_)]
    if "--rows" in sys.argv:
        say(each_row(all_figures).text())
    if "--save" in sys.argv and not types:
        save(all_figures)
    for table in summary(all_figures):
        say(table.text())

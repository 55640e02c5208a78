"""A result taken apart into sections, each of which can be laid out and inked."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from functools import cached_property
from typing import Any

from matplotlib.figure import Figure

from tubekit.amp import Amp, AmpReport
from tubekit.decisions import SwapReport
from tubekit.errors import InputError, near_matches
from tubekit.plots import ink
from tubekit.plots.ink import Drawing
from tubekit.plots.schematics.paint import Panel, inches, paint, prepare
from tubekit.plots.schematics.pen import UNIT
from tubekit.plots.schematics.sections import DrawnSection, Item, SectionMap, section_map
from tubekit.plots.schematics.stage import StagePlan, lay_stage
from tubekit.plots.schematics.supply import lay_heaters, lay_supply
from tubekit.plots.schematics.words import Reader
from tubekit.text import CAUTION

Result = Amp | AmpReport | SwapReport

TITLES = {"supply": "Power supply", "heaters": "Heaters", "others": "Other parts"}
EDGE = 0.15
"""White about a single drawing [inches]."""


def title(amp: Amp, section: DrawnSection) -> str:
    """Tubes with their types and what they are for; or the name of the section."""
    if section.kind != "stage":
        return TITLES[section.kind]
    parts = [amp.parts[tube.parts[0]] for tube in section.tubes]
    types = dict.fromkeys(t for p in parts for t in ((p.type,) if isinstance(p.type, str) else p.type))  # type: ignore[attr-defined]
    roles = dict.fromkeys(role for tube in section.tubes if (role := _role(amp, tube)))
    return f"{section.name} ({', '.join(types)})" + (f": {', '.join(roles)}" if roles else "")


def _role(amp: Amp, tube: Item) -> str:
    """What a section is for: its share of the tube's role, where that names one for each section."""
    part = amp.parts[tube.parts[0]]
    each = [words.strip(" ,") for words in part.role.split(" and ")]
    names = [section.name for section in getattr(part, "sections", ())]
    return each[names.index(tube.name)] if len(each) == len(names) > 1 else part.role


class View:
    """A result with its sections and the reader of its values."""

    def __init__(self, result: Result, member: int) -> None:
        self.result = result
        if isinstance(result, SwapReport):
            after, before = result.after, result.before
            self.reader = Reader(after.amp, before.amp, after, before, member)
        elif isinstance(result, AmpReport):
            self.reader = Reader(result.amp, result.amp.origin, result, None, member)
        else:
            self.reader = Reader(result, result.origin, None, None, member)
        self.amp = self.reader.amp
        self.map: SectionMap = section_map(self.amp)

    def section(self, name: str) -> DrawnSection:
        """By its own name, or by a part it draws."""
        for one in self.map.sections:
            if name in (one.name, TITLES.get(one.kind)):
                return one
        for one in self.map.sections:
            tubes = {tube.name for tube in one.tubes}
            if name in tubes or name in one.designators:
                return one
        known = [*(one.name for one in self.map.sections), *self.amp.parts]
        raise InputError(
            f"the schematic has no part and no section {name!r}", near=near_matches(name, known),
            fix=f"Write the designator of a part, or a section: {', '.join(known[: len(self.map.sections)])}",
        )  # fmt: skip

    def plan(self, section: DrawnSection, *, onward: bool) -> StagePlan:
        """A section laid out."""
        if section.kind == "supply":
            return lay_supply(section, self.reader)
        if section.kind == "heaters":
            return lay_heaters(self.map, section, self.reader)
        return lay_stage(self.map, section, self.reader, onward=onward)

    def conditions(self) -> str:
        """What the volts are, in a line."""
        if self.reader.report is None:
            return "No voltages calculated."
        text = (
            f"Calculated idle voltages at {self.reader.mains()[0].text} line; DC to ground, AC where marked"
        )
        return text + (", before → after" if self.reader.report_before is not None else "")

    def out(self) -> str:
        """Parts taken out, in a line."""
        return f"Removed: {', '.join(self.reader.taken_out)}" if self.reader.taken_out else ""

    def one(self, section: DrawnSection) -> Drawing:
        """One section by itself."""
        name = title(self.amp, section)
        lines = tuple(line for line in (f"{self.amp.title}, {name}", self.conditions(), self.out()) if line)
        with ink.style():
            panel = prepare(self.plan(section, onward=True), self.reader, lines)
            width, height = (each + 2 * EDGE for each in inches(panel.box))
            figure = ink.paper(width, height)
            texts = place(figure, panel, EDGE, height - EDGE, 1.0)
        figure.set_label(self.words(name, [panel]))
        return Drawing(figure, tuple(figure.axes), tuple(texts))

    @cached_property
    def panels(self) -> list[Panel]:
        """Every section, each with its title."""
        return [
            prepare(self.plan(one, onward=False), self.reader, (_short(self.amp, one),))
            for one in self.map.sections
        ]

    def whole(self) -> Drawing:
        """Everything on one sheet as wide as a lying A4 page."""
        with ink.style():
            panels = self.panels
            wide = PAPERS["A4"][0] - 2 * MARGIN
            rows = rows_of(panels, wide / LEAST)
            scale = scale_for(rows, wide, 1e6)
            tall = scale * sum(max(inches(p.box)[1] for p in row) for row in rows) + GAP * (len(rows) - 1)
            figure = ink.paper(PAPERS["A4"][0], tall + 2 * MARGIN + HEAD + FOOT)
            texts = self._inked(figure, rows, scale, "")
        figure.set_label(self.words("whole", panels))
        return Drawing(figure, tuple(figure.axes), tuple(texts))

    def pages(self, long: float, short: float) -> tuple[Drawing, ...]:
        """Everything on pages of that size [inches], upright or lying, whichever takes fewer of them."""
        with ink.style():
            panels = self.panels
            lying, upright = (self._paged(panels, *size) for size in ((long, short), (short, long)))
            (width, height), pages = (
                ((long, short), lying) if len(lying) <= len(upright) else ((short, long), upright)
            )
            return tuple(
                self._page(rows, width, height, f", page {number} of {len(pages)}")
                for number, rows in enumerate(pages, 1)
            )

    def _paged(self, panels: list[Panel], width: float, height: float) -> list[list[Row]]:
        rows = rows_of(panels, (width - 2 * MARGIN) / LEAST)
        return pages_of(rows, free(height) / LEAST)

    def _page(self, rows: list[Row], width: float, height: float, of: str) -> Drawing:
        figure = ink.paper(width, height)
        scale = scale_for(rows, width - 2 * MARGIN, free(height))
        texts = self._inked(figure, rows, scale, of)
        figure.set_label(self.words(f"whole{of}", [panel for row in rows for panel in row]))
        return Drawing(figure, tuple(figure.axes), tuple(texts))

    def _inked(self, figure: Any, rows: list[list[Panel]], scale: float, of: str) -> list[Any]:
        width, height = figure.get_size_inches()
        top = height - MARGIN
        head = f"{self.amp.title}: schematic{of}"
        text = "  ".join(line for line in (self.conditions(), self.out()) if line)
        texts = [write(figure, MARGIN, top - 0.12, head, fontsize=10, fontweight="bold", va="center")]
        texts.append(write(figure, MARGIN, top - 0.3, text, fontsize=6.5, va="center"))
        caution = textwrap.wrap(CAUTION, round(22 * width))
        for n, line in enumerate(caution):
            row = MARGIN + 0.11 * (len(caution) - 1 - n)
            texts.append(write(figure, MARGIN, row - 0.15, line, fontsize=5.5, va="center"))
        return texts + lay_page(figure, rows, scale, top - HEAD)

    def words(self, name: str, panels: list[Panel]) -> str:
        """What a drawing shows, in words: its parts with their values, then the volts at its nodes."""
        items = [item for p in panels for item in (*p.plan.section.tubes, *p.plan.section.items)]
        parts = dict.fromkeys(" ".join(line.text for line in self.reader.label(item)) for item in items)
        nodes = dict.fromkeys(node for item in items for node in item.nodes if node != "ground")
        volts = [f"{node} {self.reader.volts(node)}" for node in nodes if self.reader.volts(node)]
        text = f"Schematic of {self.amp.title}, {name}. {self.conditions()} Parts: {', '.join(parts)}."
        return (
            text
            + (f" Volts: {', '.join(volts)}." if volts else "")
            + (f" {self.out()}." if self.out() else "")
        )


def _short(amp: Amp, section: DrawnSection) -> str:
    return title(amp, section).partition(":")[0]


MARGIN, GAP, HEAD, FOOT = 0.4, 0.3, 0.42, 0.3
"""White border, distance between drawings, room for the title and for the caution [inches]."""

SCALE, LEAST = 0.75, 0.65
"""Scale of drawings on paper: the usual one, and the least before another page is begun."""

PAPERS = {"A4": (11.69, 8.27), "Letter": (11.0, 8.5)}
"""The long and the short side [inches]."""

Row = list[Panel]


def free(high: float) -> float:
    """Height of a page without borders, title and caution [inches]."""
    return high - 2 * MARGIN - HEAD - FOOT


def rows_of(panels: Sequence[Panel], wide: float) -> list[Row]:
    """Drawings side by side as far as they fit [inches at full scale]."""
    rows: list[Row] = []
    room = 0.0
    for panel in panels:
        need = inches(panel.box)[0] + GAP / SCALE
        if not rows or need > room:
            rows.append([])
            room = wide
        rows[-1].append(panel)
        room -= need
    return rows


def pages_of(rows: Sequence[Row], high: float) -> list[list[Row]]:
    """Rows on pages so high [inches at the least scale]."""
    pages: list[list[Row]] = []
    room = 0.0
    for row in rows:
        need = _height(row) + GAP / LEAST
        if not pages or need > room:
            pages.append([])
            room = high
        pages[-1].append(row)
        room -= need
    return pages


def _height(row: Row) -> float:
    return max(inches(panel.box)[1] for panel in row)


def _width(row: Row) -> float:
    return sum(inches(panel.box)[0] for panel in row) + (len(row) - 1) * GAP / SCALE


def scale_for(rows: Sequence[Row], wide: float, high: float) -> float:
    """The scale at which rows fit, at most the usual one."""
    tall = sum(_height(row) for row in rows) + (len(rows) - 1) * GAP / SCALE
    return min(SCALE, wide / max(_width(row) for row in rows), high / tall)


def lay_page(figure: Figure, rows: Sequence[Row], scale: float, top: float) -> list[Any]:
    """Ink rows onto a figure from `top` down [inches from the lower edge]; returns the texts."""
    texts: list[Any] = []
    for row in rows:
        left = MARGIN
        for panel in row:
            texts += place(figure, panel, left, top, scale)
            left += scale * inches(panel.box)[0] + GAP
        top -= scale * _height(row) + GAP
    return texts


def place(figure: Figure, panel: Panel, left: float, top: float, scale: float) -> list[Any]:
    """Ink one drawing with its upper left corner there [inches]."""
    wide, high = figure.get_size_inches()
    width, height = (scale * each for each in inches(panel.box))
    axes = figure.add_axes((left / wide, (top - height) / high, width / wide, height / high))
    axes.set_axis_off()
    texts = paint(axes, panel, scale=scale)
    axes.set_xlim(panel.box.left * UNIT, panel.box.right * UNIT)
    axes.set_ylim(panel.box.bottom * UNIT, panel.box.top * UNIT)
    axes.set_aspect("auto")
    return texts


def write(figure: Figure, x: float, y: float, text: str, **options: Any) -> Any:
    """A line of text on the paper itself [inches]."""
    wide, high = figure.get_size_inches()
    return figure.text(x / wide, y / high, text, color=ink.IRON, **options)

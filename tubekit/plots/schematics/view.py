"""A result taken apart into sections, each of which can be laid out and inked."""

from __future__ import annotations

import textwrap
from typing import Any

from tubekit.amp import Amp, AmpReport
from tubekit.decisions import SwapReport
from tubekit.errors import InputError, near_matches
from tubekit.plots import ink
from tubekit.plots.drawing import Drawing
from tubekit.plots.schematics import sheet
from tubekit.plots.schematics.items import Item
from tubekit.plots.schematics.paint import Panel, inches, prepare
from tubekit.plots.schematics.sections import DrawnSection, SectionMap, section_map
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
            texts = sheet.place(figure, panel, EDGE, height - EDGE, 1.0)
        figure.set_label(self.words(name, [panel]))
        return Drawing(figure, tuple(figure.axes), tuple(texts))

    def panels(self) -> list[Panel]:
        """Every section, each with its title."""
        return [
            prepare(self.plan(one, onward=False), self.reader, (_short(self.amp, one),))
            for one in self.map.sections
        ]

    def whole(self) -> Drawing:
        """Everything on one sheet as wide as a lying A4 page."""
        with ink.style():
            panels = self.panels()
            wide = sheet.PAPERS["A4"][0] - 2 * sheet.MARGIN
            rows = sheet.rows_of(panels, wide / sheet.LEAST)
            scale = sheet.scale_for(rows, wide, 1e6)
            tall = scale * sum(max(inches(p.box)[1] for p in row) for row in rows) + sheet.GAP * (
                len(rows) - 1
            )
            figure = ink.paper(sheet.PAPERS["A4"][0], tall + 2 * sheet.MARGIN + sheet.HEAD + sheet.FOOT)
            texts = self._inked(figure, rows, scale, "")
        figure.set_label(self.words("whole", panels))
        return Drawing(figure, tuple(figure.axes), tuple(texts))

    def pages(self, long: float, short: float) -> tuple[Drawing, ...]:
        """Everything on pages of that size [inches], upright or lying, whichever takes fewer of them."""
        with ink.style():
            panels = self.panels()
            lying, upright = (self._paged(panels, *size) for size in ((long, short), (short, long)))
            (width, height), pages = (
                ((long, short), lying) if len(lying) <= len(upright) else ((short, long), upright)
            )
            return tuple(
                self._page(rows, width, height, f", page {number} of {len(pages)}")
                for number, rows in enumerate(pages, 1)
            )

    def _paged(self, panels: list[Panel], width: float, height: float) -> list[list[sheet.Row]]:
        rows = sheet.rows_of(panels, (width - 2 * sheet.MARGIN) / sheet.LEAST)
        return sheet.pages_of(rows, sheet.free(height) / sheet.LEAST)

    def _page(self, rows: list[sheet.Row], width: float, height: float, of: str) -> Drawing:
        figure = ink.paper(width, height)
        scale = sheet.scale_for(rows, width - 2 * sheet.MARGIN, sheet.free(height))
        texts = self._inked(figure, rows, scale, of)
        figure.set_label(self.words(f"whole{of}", [panel for row in rows for panel in row]))
        return Drawing(figure, tuple(figure.axes), tuple(texts))

    def _inked(self, figure: Any, rows: list[list[Panel]], scale: float, of: str) -> list[Any]:
        width, height = figure.get_size_inches()
        top = height - sheet.MARGIN
        head = f"{self.amp.title}: schematic{of}"
        text = "  ".join(line for line in (self.conditions(), self.out()) if line)
        texts = [
            sheet.write(figure, sheet.MARGIN, top - 0.12, head, fontsize=10, fontweight="bold", va="center")
        ]
        texts.append(sheet.write(figure, sheet.MARGIN, top - 0.3, text, fontsize=6.5, va="center"))
        caution = textwrap.wrap(CAUTION, round(22 * width))
        for n, line in enumerate(caution):
            row = sheet.MARGIN + 0.11 * (len(caution) - 1 - n)
            texts.append(sheet.write(figure, sheet.MARGIN, row - 0.15, line, fontsize=5.5, va="center"))
        return texts + sheet.lay_page(figure, rows, scale, top - sheet.HEAD)

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

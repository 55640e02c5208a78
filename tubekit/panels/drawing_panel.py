"""The schematic as a fold of a panel: drawn while it is open, when the hand rests, never on a move's way."""

from __future__ import annotations

import base64
import html
from functools import partial
from typing import Any

import ipywidgets as widgets

from tubekit.amp import Amp, AmpReport, analyze
from tubekit.decisions import SwapReport
from tubekit.errors import InputError, SolveError
from tubekit.panels import layout, markup
from tubekit.panels.background import Debouncer
from tubekit.plots.ink import Drawing
from tubekit.plots.schematics import schematic, schematic_sections, schematic_table, section_of
from tubekit.text import CAUTION, caution_html

Result = Amp | AmpReport | SwapReport
DPI = 150
WHOLE = "whole amp"
HEADING = "Schematic with voltages"


class DrawingFold(widgets.VBox):
    """A schematic to open: choose a stage, see it with its volts; the same volts stand below as a list.

    Parameters
    ----------
    result : amp (without volts), report, or swap (volts before → after, changed parts marked).
    section : name of a section, or designator of a part: the section that draws it.
    opened : whether it is open at first.

    `show` takes another result at any time and costs nothing while the fold is shut. `drawing` is what was
    drawn last, None before.
    """

    def __init__(self, result: Result, section: str | None = None, *, opened: bool = False) -> None:
        self.drawing: Drawing | None = None
        self._result, self._debouncer, self._quiet, self._fresh = result, Debouncer(), False, False
        self.choice = layout.described(widgets.Dropdown, "draw", "Choose a stage or the whole amp")
        self.back, self.on = (
            layout.button(sign, f"Go to the {word} stage", partial(self._step, by), css="tubekit-step")
            for sign, word, by in (("◂", "previous", -1), ("▸", "next", 1))
        )
        self.picture = widgets.HTML(layout=widgets.Layout(width="auto"))
        self.choice.layout = widgets.Layout(flex="1 1 240px", max_width="520px", width="auto")
        row = widgets.HBox([self.choice, self.back, self.on], layout=widgets.Layout(flex_flow="row wrap"))
        inside = widgets.VBox([row, self.picture])
        self.fold = widgets.Accordion([inside], titles=(HEADING,), selected_index=0 if opened else None)
        super().__init__([self.fold])
        self.add_class("tubekit-panel")
        self.add_class("tubekit-drawing")
        self._list(section)
        self.fold.observe(lambda _: self._opened(), "selected_index")
        self.choice.observe(lambda _: self._chosen(), "value")
        self._opened()

    # ---- what a program asks and sets

    @property
    def section(self) -> str:
        """Name of the section that is drawn; WHOLE for the whole amp."""
        return str(self.choice.value)

    @section.setter
    def section(self, name: str) -> None:
        self.choice.value = self._named(name)

    @property
    def is_open(self) -> bool:
        """Whether the drawing is seen."""
        return self.fold.selected_index is not None

    @is_open.setter
    def is_open(self, wanted: bool) -> None:
        self.fold.selected_index = 0 if wanted else None

    def show(self, result: Result, part: str | None = None) -> None:
        """Another result; with `part` the section that draws it. Drawn when the hand rests, if open."""
        other = _amp(result).parts.keys() != _amp(self._result).parts.keys()
        self._result, self._fresh = result, False
        if other or (part is not None and self._named(part) != self.section):
            self._list(part or self.section)
        self.ink_again()
        if self.is_open:
            self._debouncer(self.draw)

    def gray_out(self) -> None:
        """The present setting has no answer: what stands here belongs to the last that had one."""
        self._debouncer.forget()
        self.picture.add_class("tubekit-gray")

    def ink_again(self) -> None:
        """Take the gray away."""
        self.picture.remove_class("tubekit-gray")

    def draw(self) -> None:
        """Draw what is chosen, now."""
        section = None if self.section == WHOLE else self.section
        self.drawing = schematic(self._result, section)
        self.picture.value = _html(self.drawing, self._result, section)
        self._fresh = True

    # ---- from the widgets

    def _opened(self) -> None:
        if self.is_open and not self._fresh:
            self._debouncer.forget()
            self.draw()

    def _chosen(self) -> None:
        self.back.disabled, self.on.disabled = (
            self._place() == 0,
            self._place() == len(self.choice.options) - 1,
        )
        if self._quiet:
            return
        self._fresh = False
        self._opened()

    def _step(self, way: int) -> None:
        options = [name for _, name in self.choice.options]
        self.choice.value = options[min(max(self._place() + way, 0), len(options) - 1)]

    def _place(self) -> int:
        return [name for _, name in self.choice.options].index(self.choice.value)

    def _list(self, wanted: str | None) -> None:
        """The sections of the present amp; what was chosen stays where there is such a one."""
        titles = schematic_sections(_amp(self._result))
        options = [(said, name) for name, said in titles.items()] + [("Whole amp, on one sheet", WHOLE)]
        self._titles, self._quiet = titles, True
        self.choice.options = options
        self.choice.value = self._named(wanted) if wanted else options[0][1]
        self._quiet = False
        self._chosen()

    def _named(self, name: str) -> str:
        """A section by its own name or by a part that it draws; else the one chosen, else the first."""
        if name in (*self._titles, WHOLE):
            return name
        try:
            return section_of(_amp(self._result), name)
        except InputError:
            return self.section if self.section in self._titles else next(iter(self._titles), WHOLE)


def _amp(result: Result) -> Amp:
    if isinstance(result, SwapReport):
        return result.after.amp
    return result.amp if isinstance(result, AmpReport) else result


def _html(drawing: Drawing, result: Result, section: str | None) -> str:
    """The picture with its words for a screen reader, and the volts as a list."""
    wide = round(float(drawing.figure.get_size_inches()[0] * 100))
    data = base64.b64encode(drawing.png(DPI)).decode()
    words = html.escape(drawing.words)
    picture = (
        f'<img class="tubekit-schematic" src="data:image/png;base64,{data}" alt="{words}" '
        f'style="width:100%;max-width:{wide}px;height:auto;outline:1px solid #d9d8d2;outline-offset:-1px">'
    )
    table = schematic_table(result, section).html()
    listed = f"<details><summary>The same voltages as a list</summary>{table}</details>"
    return markup.section(picture, listed, caution_html(CAUTION))


def drawing(amp: Amp | AmpReport | SwapReport, section: str | None = None) -> DrawingFold:
    """A panel with the schematic of an amp, open. An amp is solved first; one without answer has no volts.

    Parameters
    ----------
    amp
        An amp, a report or a swap.
    section
        Name of a section or designator of a part; the whole amp when not given.

    Returns
    -------
    DrawingFold
        Shows itself as the last line of a cell.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> panel = drawing(load_amp("teasel"), "R14")
    >>> panel.section
    'V3 V4'
    """
    result: Any = amp
    if isinstance(amp, Amp):
        try:
            result = analyze(amp)
        except SolveError:
            result = amp
    panel = DrawingFold(result, section, opened=True)
    panel.children = [widgets.HTML(layout.css()), *panel.children]
    return panel

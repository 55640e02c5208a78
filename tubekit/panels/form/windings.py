"""Transformers in the form: one winding at a time, its taps, and turns from two impedances."""

from __future__ import annotations

import math
from typing import Any

import ipywidgets as widgets

from tubekit.amp.parts.transformers import OutputTransformer
from tubekit.errors import InputError
from tubekit.panels import layout
from tubekit.panels.form import suggest
from tubekit.panels.form.boxes import Boxes, sections_of, winding_entries
from tubekit.panels.form.desk import Desk
from tubekit.panels.form.draft import Draft
from tubekit.panels.layout import button
from tubekit.units import parse

USUAL = ("high_voltage", "heater", "rectifier_heater", "bias", "secondary")


def windings_of(table: dict[str, Any]) -> list[tuple[str, dict[str, Any]]]:
    """(name, table) of the windings in a transformer's table."""
    return [(name, one) for name, one in table.items() if isinstance(one, dict)]


def turned(draft: Draft, part: str, primary: object, speaker: object) -> Draft:
    """The draft with the turns that two impedances ask for: their ratio is the square of that of the turns.

    Raises
    ------
    InputError : one of them is no impedance.

    Examples
    --------
    >>> turned(Draft.begun("teasel"), "T2", "8k", "8").parts["T2"]["primary"]["turns"]
    [15.81, 15.81]
    """
    high, low = (parse(one, "ohm", positive=True) for one in (primary, speaker))
    ratio = math.sqrt(high / low)
    count = sections_of(draft.get((part, "primary"), {}))
    for place in range(count):
        draft = draft.put((part, "primary", "turns", place), float(f"{ratio / count:.4g}"))
    rest = [name for name, _ in windings_of(draft.parts[part]) if name != "primary"]
    return draft.put((part, rest[0], "turns", 0), 1.0) if rest else draft


def tapped(draft: Draft, part: str, winding: str) -> Draft:
    """The draft with one more section at the end of a winding."""
    path = (part, winding)
    count = sections_of(draft.get(path, {}))
    measure = "volts" if draft.kind(part) == "power transformer" else "turns"
    for key, place in (("nodes", count + 1), (measure, count), ("resistance", count)):
        draft = draft.put((*path, key, place), "")
    return draft


def untapped(draft: Draft, part: str, winding: str) -> Draft:
    """The draft without the last section of a winding; the only one stays."""
    count = sections_of(draft.get((part, winding), {}))
    if count < 2:
        return draft
    for key, keep in (
        ("nodes", count),
        ("volts", count - 1),
        ("turns", count - 1),
        ("resistance", count - 1),
    ):
        old = draft.get((part, winding, key), None)
        if isinstance(old, list):
            draft = draft.put((part, winding, key), old[:keep])
    return draft


class WindingBoxes:
    """The boxes of a transformer. `winding` is the one that is shown."""

    def __init__(self, desk: Desk, turn_to: Any) -> None:
        self._desk, self._turn_to = desk, turn_to
        self.part, self.winding = "", ""

    def shape(self, part: str) -> tuple[Any, ...]:
        """What decides which boxes there are."""
        self.part = part
        found = [(name, sections_of(one)) for name, one in windings_of(self._desk.draft.parts[part])]
        if self.winding not in [name for name, _ in found]:
            self.winding = found[0][0] if found else ""
        return (*found, self.winding)

    def made(self, kind: type[Any]) -> tuple[list[Any], list[Boxes]]:
        """The rows of widgets, and those of them that hold entries."""
        draft, names = self._desk.draft, [name for name, _ in windings_of(self._desk.draft.parts[self.part])]
        choice = layout.described(
            widgets.Dropdown, "winding", "Choose the winding to edit", value=self.winding or None,
            options=[(one.replace("_", " "), one) for one in names],
        )  # fmt: skip
        choice.observe(lambda change: self._turn(change["new"]), "value")
        rows, boxes = [choice], []
        if self.winding:
            table = draft.parts[self.part][self.winding]
            found = [one for one in winding_entries(kind, self.winding, table) if not one.later]
            boxes.append(Boxes(found, (self.part,), draft, self._desk.put))
            rows.append(boxes[-1])
        rows += [self._taps(), self._further(names)]
        if kind is OutputTransformer:
            rows.append(self._impedances())
        return rows, boxes

    def _turn(self, winding: str) -> None:
        self.winding = winding
        self._turn_to()

    def _change(self, how: Any) -> None:
        self._desk.take(how(self._desk.draft, self.part, self.winding), self.part)

    def _taps(self) -> Any:
        made = [
            button("Add tap", "Add a section to this winding", lambda: self._change(tapped)),
            button("Remove tap", "Remove the last section of this winding", lambda: self._change(untapped)),
            button(
                "Remove winding", "Remove this winding; Undo restores it",
                lambda: self._desk.put((self.part, self.winding), None),
            ),
        ]  # fmt: skip
        return widgets.HBox(made, layout=widgets.Layout(flex_flow="row wrap"))

    def _further(self, names: list[str]) -> Any:
        new = layout.entry(
            "new", "Type the name of a new winding, then press Add winding", widgets.Combobox,
            placeholder="name of a new winding", options=[one for one in USUAL if one not in names],
        )  # fmt: skip
        add = button("Add winding", "Add a winding of this name", lambda: self.wind(new.value))
        return widgets.HBox([new, add])

    def wind(self, name: str) -> None:
        """Add a winding of that name; nothing happens where it is there or has no name."""
        draft, name = self._desk.draft, "_".join(name.split())
        if name and name not in draft.parts[self.part]:
            self.winding = name
            new = suggest.new_winding(draft.kind(self.part), name)
            self._desk.take(draft.put((self.part, name), new), self.part)

    def _impedances(self) -> Any:
        """Turns from the impedances that a catalogue or a sticker gives."""
        primary, speaker = (
            layout.entry(label, tip, placeholder=like)
            for label, like, tip in (
                ("primary", "8k", "Primary impedance, plate to plate or plate to B+"),
                ("speaker", "8", "Secondary impedance"),
            )
        )
        said = widgets.HTML()

        def fill_in() -> None:
            try:
                self._desk.take(turned(self._desk.draft, self.part, primary.value, speaker.value), self.part)
            except InputError as error:
                said.value = layout.complaint_html(f"{error.problem}. {error.fix}")

        put = button("Calculate turns", "Fill in the turns for these impedances", fill_in)
        head = widgets.HTML("<p class='tubekit-role'>Turns not known? Enter the two impedances:</p>")
        row = widgets.HBox([primary, speaker, put], layout=widgets.Layout(flex_flow="row wrap"))
        return widgets.VBox([head, row, said])

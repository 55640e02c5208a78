"""The boxes of the form: one widget for each entry, told apart by where its words go."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

import ipywidgets as widgets

from tubekit.panels import layout
from tubekit.panels.form.draft import Draft, Path_
from tubekit.panels.form.entries import CHOICE, NODE, TYPE, Entry

Put = Callable[[Path_, Any], None]
WIDE = {"role": "tubekit-wide", "note": "tubekit-wide", "story": "tubekit-wide", "title": "tubekit-title"}
"""Entries that run over several columns, with the class that says so in the style sheet."""
LABEL = "92px"
COLUMNS = "minmax(0, 1fr) minmax(0, 1fr)"


class Boxes(layout.Field):
    """The widgets of some entries in a grid of two columns.

    Parameters
    ----------
    found : the entries; paths count from `root`, which goes before each of them.
    put : told (path, value) when a box was left or a choice made.
    columns, label : how many columns of which width, and the room for the label in front.
    """

    def __init__(
        self,
        found: Sequence[Entry],
        root: Path_,
        draft: Draft,
        put: Put,
        *,
        columns: str = COLUMNS,
        label: str = LABEL,
    ) -> None:
        self._put, self._label = put, label
        self.entries = {(*root, *entry.path): entry for entry in found}
        self.inputs = {path: self._made(path, entry) for path, entry in self.entries.items()}
        wide = widgets.Layout(grid_template_columns=columns, grid_gap="0 12px", width="100%")
        super().__init__(widgets.GridBox(list(self.inputs.values()), layout=wide))
        for path, entry in self.entries.items():
            self.listen(self.inputs[path], partial(self._entered, path, entry))
        self.show(draft)

    def _made(self, path: Path_, entry: Entry) -> Any:
        owner = "" if path[0] in ("amp", "ports") else f"{path[0]} "
        like = f": {entry.like}" if entry.like else ""
        shared: dict[str, Any] = {
            "description": entry.label, "tooltip": f"{owner}{entry.label}{like}",
            "style": {"description_width": self._label},
            "layout": widgets.Layout(width="auto"),
        }  # fmt: skip
        if entry.kind == CHOICE:
            box = widgets.Dropdown(options=list(entry.choices), **shared)
        elif entry.kind in (NODE, TYPE):
            offered = [str(value) for _, value in entry.choices]
            box = widgets.Combobox(options=offered, continuous_update=False, placeholder=entry.like, **shared)
        else:
            box = widgets.Text(continuous_update=False, placeholder=entry.like, **shared)
        if entry.key in WIDE:
            box.add_class(WIDE[entry.key])
        return box

    def _entered(self, path: Path_, entry: Entry, value: Any) -> None:
        self._put(path, as_entered(entry, value))

    def show(self, draft: Draft) -> None:
        """What stands in the draft now; the names of its nodes are offered."""
        with self.quietly():
            for path, entry in self.entries.items():
                box, value = self.inputs[path], draft.get(path)
                if entry.kind == NODE and box.options != draft.nodes:
                    box.options = draft.nodes
                if entry.kind == CHOICE:
                    known = {str(choice).lower(): choice for _, choice in entry.choices}
                    box.value = known.get(str(value).lower(), "")
                elif box.value != in_words(value):
                    box.value = in_words(value)

    def mark(self, wrong: Callable[[Path_, Entry, str], bool]) -> None:
        """Frame the boxes whose words cannot be used."""
        for path, entry in self.entries.items():
            box = self.inputs[path]
            if wrong(path, entry, str(getattr(box, "value", ""))):
                box.add_class("tubekit-wrong")
            else:
                box.remove_class("tubekit-wrong")


def as_entered(entry: Entry, value: Any) -> Any:
    """What goes into the draft: the words as they are, a plain number where the file has one.

    Examples
    --------
    >>> as_entered(Entry(("position",), "position", "words", number=True), "0,5")
    '0,5'
    >>> as_entered(Entry(("position",), "position", "words", number=True), "0.5")
    0.5
    """
    if not isinstance(value, str):
        return value
    text = value.strip()
    if entry.key == "straps" and text:
        return [one.strip() for one in text.split(",") if one.strip()]
    if entry.number:
        try:
            return float(text)
        except ValueError:
            return text
    return text


def in_words(value: Any) -> str:
    """What was entered, as it was entered.

    Examples
    --------
    >>> in_words(1.0), in_words("4K7"), in_words(["1-2", "3-4"])
    ('1', '4K7', '1-2, 3-4')
    """
    if isinstance(value, list):
        return ", ".join(in_words(one) for one in value)
    if isinstance(value, float):
        return f"{value:.12g}"
    return "" if value is None else str(value)

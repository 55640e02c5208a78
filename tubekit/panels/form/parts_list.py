"""The parts of a draft as a list to choose from, and how far each and the whole have come."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import ipywidgets as widgets

from tubekit.amp import parts
from tubekit.panels import layout
from tubekit.panels.form.draft import GENERAL, Draft, letter_of, nodes_in
from tubekit.panels.form.editor import BLANK, OPEN, WRONG, complaints, in_short
from tubekit.panels.markup import paragraph

EMPTY = "an empty form"
BY_TYPE = {one for one in parts.KINDS if issubclass(one, parts.Tube)} - {parts.Tube}
KINDS = {one.bench or one.kind: (one.letters[0], one.kind) for one in parts.KINDS if one not in BY_TYPE}
"""What can be added, in the words of the bench: class letter and kind."""


ALL, TO_DO = "all parts", "only unfinished parts"
GROUPS = {
    "R": "resistors and controls", "C": "capacitors", "V": "tubes", "T": "transformers", "": "other parts",
}  # fmt: skip
MARKS = {WRONG: "✗", OPEN: "○", BLANK: "…", "": "✓"}


class PartList(widgets.VBox):
    """Buttons in drawn order; pressing one chooses that part. They are kept and reused."""

    def __init__(self, on_choice: Callable[[str], None]) -> None:
        self._on_choice = on_choice
        self._pool: list[widgets.Button] = []
        self.names: tuple[str, ...] = ()
        shown = [ALL, TO_DO, *GROUPS.values()]
        self.filter = layout.described(widgets.Dropdown, "show", "Choose which parts to list", options=shown)
        self.summary = widgets.HTML(layout=widgets.Layout(width="100%"))
        self.rows = widgets.VBox([], layout=widgets.Layout(width="100%"))
        self.rows.add_class("tubekit-rows")
        self.general = widgets.HTML(layout=widgets.Layout(width="100%"))
        super().__init__(
            [self.filter, self.summary, self.general, self.rows], layout=widgets.Layout(width="100%")
        )
        self._last: tuple[Draft, str] | None = None
        self.filter.observe(lambda _: self._show_again(), "value")

    def _show_again(self) -> None:
        if self._last is not None:
            self.show(*self._last)

    def show(self, draft: Draft, chosen: str) -> None:
        """The parts of a draft, the chosen one marked."""
        self._last = draft, chosen
        said = {name: complaints(draft.complaints.get(name, ())) for name in draft.parts}
        names = [name for name in draft.parts if self._listed(name, bool(said[name]))]
        while len(self._pool) < len(names):
            self._pool.append(self._button(len(self._pool)))
        for button, name in zip(self._pool, names, strict=False):
            grade = said[name][0].grade if said[name] else ""
            words = f"{MARKS[grade]} {line(draft, name)}"
            short = in_short(said[name])
            words += f"  —  {short}" if short else ""
            if button.description != words:
                button.description = words
                button.tooltip = f"{name}: click to edit"
            (button.add_class if name == chosen else button.remove_class)("tubekit-chosen")
            (button.add_class if grade == WRONG else button.remove_class)("tubekit-wrong")
        if len(names) != len(self.rows.children):
            self.rows.children = self._pool[: len(names)]
        self.names = tuple(names)
        self.general.value = general_html(draft)
        self.summary.value = f"<p class='tubekit-role' role='status'>{summary(draft)}</p>"

    def _listed(self, name: str, to_do: bool) -> bool:
        wanted = self.filter.value
        if wanted in (ALL, TO_DO):
            return wanted == ALL or to_do
        return GROUPS.get(letter_of(name), GROUPS[""]) == wanted

    def _button(self, place: int) -> widgets.Button:
        return layout.button("", "", lambda: self._on_choice(self.names[place]), css="tubekit-chip")


def line(draft: Draft, name: str) -> str:
    """One part in a line.

    Examples
    --------
    >>> line(Draft.begun("teasel"), "R14")
    'R14 · 270 · k34 – ground · common cathode resistor of the output pair'
    """
    table: dict[str, Any] = draft.parts[name]
    what = (
        table.get("value")
        or table.get("type")
        or table.get("rating")
        or table.get("ohms")
        or draft.kind(name)
    )
    nodes = list(dict.fromkeys(nodes_in(name, table)))
    joined = " – ".join(nodes) if len(nodes) <= 4 else f"{', '.join(nodes[:4])} …"
    return " · ".join(part for part in (name, str(what), joined, str(table.get("role", ""))) if part)


def general_html(draft: Draft) -> str:
    """What is to be done about the amp as a whole, and about its heading."""
    problems = [one for place in (GENERAL, "amp") for one in draft.complaints.get(place, ())]
    lines = []
    for one in complaints(problems) if draft.parts else ():
        words = str(one).removesuffix(".")
        said = f"{MARKS[one.grade]} {words[:1].upper() + words[1:]}."
        lines.append(paragraph(said, "complaint" if one.grade == WRONG else "role"))
    return "".join(lines)


def summary(draft: Draft) -> str:
    """How far the draft has come, in a sentence."""
    count = len(draft.parts)
    if not count:
        return "No parts yet."
    parts = f"{count} part{'' if count == 1 else 's'}"
    if not draft.problems:
        return f"{parts}. No errors: ready to solve and save."
    found = complaints(draft.problems)
    loose = sum(one.is_loose for one in found)
    words = (
        (sum(one.grade == WRONG for one in found), "to fix"),
        (sum(one.grade == BLANK for one in found), "to fill in"),
        (loose, "connection with only one part" if loose == 1 else "connections with only one part"),
        (sum(one.grade == OPEN and not one.is_loose for one in found), "still missing"),
    )
    return f"{parts}: {', '.join(f'{number} {what}' for number, what in words if number)}."

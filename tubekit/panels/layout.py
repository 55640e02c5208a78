"""Where things stand in a panel: buttons above; controls, figure, words side by side where there is room."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from tubekit.panels.markup import paragraph
from tubekit.text import style

CONTROLS, SEEN = "280px", "934px"
# As dictionaries, so that each widget has a layout of its own: what hides one would hide all that share it.
FULL: dict[str, Any] = {"width": "auto"}
GROWN: dict[str, Any] = {"flex": "1 1 0", "width": "auto", "min_width": "0"}
WORDS = {
    "undo": ("Undo", "Undo the last step"),
    "redo": ("Redo", "Redo the last undone step"),
    "keep": ("Set as baseline", "Use the present values as 'before' from now on"),
    "reset": ("Reset", "Undo all changes, including line voltage"),
    "rescale": ("Rescale", "Fit the scales of the figure to the present state"),
    "picture": ("Save picture", "Save the figure as a picture in the notebook's folder, at print quality"),
    "amp_file": (
        "Save as amp file",
        "Save the amp with its changes in the notebook's folder; no file is overwritten",
    ),
    "values": (
        "Save list of values",
        "Save the settings and results as text in the notebook's folder; no file is overwritten",
    ),
}
"""Every button a panel may have, in the order in which they stand on all of them."""


class Complaint(widgets.HTML):
    """A line below a control that says what was wrong; not there while nothing is."""

    value: str

    def __init__(self) -> None:
        super().__init__(layout=widgets.Layout(width="auto", display="none"))

    def say(self, words: str) -> None:
        """Say what was wrong; '' takes it away."""
        said = complaint_html(words)
        if self.value != said:
            self.value = said
            self.layout.display = "" if said else "none"


class Field(widgets.VBox):
    """Widgets with a line for complaints below them; they can be set without telling anyone."""

    _quiet = False

    def __init__(self, *rows: widgets.Widget) -> None:
        self.complaint = Complaint()
        super().__init__([*rows, self.complaint], layout=widgets.Layout(width="auto"))

    def complain(self, words: str) -> None:
        """Say what was wrong; '' takes it away."""
        self.complaint.say(words)

    @contextmanager
    def quietly(self) -> Iterator[None]:
        """Set widgets without telling."""
        was, self._quiet = self._quiet, True
        try:
            yield
        finally:
            self._quiet = was

    def listen(self, widget: widgets.Widget, act: Callable[[Any], object]) -> None:
        """Call `act` with each value a hand gives the widget."""
        widget.observe(lambda change: None if self._quiet else act(change["new"]), "value")


def complaint_html(words: str) -> str:
    """What was wrong, as HTML; '' for ''."""
    return paragraph(words, "complaint", alarm=True)


def words_place() -> widgets.HTML:
    """A place for words across the column."""
    return widgets.HTML(layout=widgets.Layout(width="100%"))


def described(
    kind: Any, label: str, tip: str, *, wide: str = "72px", room: Any = FULL, **options: Any
) -> Any:
    """A widget with its label in front: across the column, or with what `GROWN` gives it in a row."""
    style, place = {"description_width": wide}, widgets.Layout(**room)
    return kind(description=label, tooltip=tip, style=style, layout=place, **options)


def entry(label: str, tip: str, kind: Any = widgets.Text, **options: Any) -> Any:
    """A text to type, which counts when the box is left or Enter is pressed."""
    return described(kind, label, tip, continuous_update=False, **options)


def tick(words: str, tip: str) -> widgets.Checkbox:
    """A box to tick."""
    return widgets.Checkbox(description=words, indent=False, tooltip=tip, layout=FULL)


def button(
    words: str,
    tip: str,
    action: Callable[[], object],
    *,
    flex: str = "0 1 auto",
    min_width: str = "",
    css: str = "",
) -> widgets.Button:
    """A button as wide as its words, or as the style sheet has it for its class `css`.

    Examples
    --------
    >>> button("Add", "Add a part", lambda: None).description
    'Add'
    """
    wide = {} if css else {"width": "auto", "flex": flex, "min_width": min_width or None}
    made = widgets.Button(description=words, tooltip=tip, layout=widgets.Layout(**wide))
    if css:
        made.add_class(css)
    made.on_click(lambda _: action())
    return made


def buttons(**actions: Callable[[], None]) -> dict[str, widgets.Button]:
    """The buttons of a panel by name, in the order of `WORDS` whatever order they are given in."""
    return {name: button(*WORDS[name], actions[name]) for name in sorted(actions, key=[*WORDS].index)}


def tools(made: Mapping[str, widgets.Button], *said: widgets.Widget) -> widgets.HBox:
    """The row of buttons above a panel, and what the last of them says."""
    row = across(*made.values(), *said)
    row.add_class("tubekit-tools")
    return row


def row(*held: widgets.Widget) -> widgets.HBox:
    """Widgets side by side across the column, on more lines where it is narrow."""
    return widgets.HBox(list(held), layout=widgets.Layout(width="auto", flex_flow="row wrap"))


def no_answer(words: str) -> str:
    """What stands over the words while the setting has no answer, as HTML."""
    said = f"No result for this setting: {words} The gray values are from the last setting that worked."
    return paragraph(said, "stale", alarm=True)


@cache
def css() -> str:
    """Style elements for tables and panels."""
    sheet = Path(__file__).with_name("panel.css").read_text(encoding="utf-8")
    return f"{style()}<style>{sheet}</style>"


def column(rows: Sequence[widgets.Widget]) -> widgets.VBox:
    """The controls, one below the other."""
    box = widgets.VBox(list(rows), layout=widgets.Layout(flex=f"0 0 {CONTROLS}", width=CONTROLS))
    box.add_class("tubekit-under")
    return box


def side_by_side(
    under: widgets.Widget,
    frame: widgets.Widget,
    words: Sequence[widgets.Widget],
    tools: widgets.Widget | None = None,
) -> list[widgets.Widget]:
    """Buttons above; controls, figure and words, the words below where the window is narrow."""
    figure = widgets.VBox([frame], layout=widgets.Layout(flex="1 1 auto", min_width="360px"))
    seen = widgets.HBox([under, figure], layout=widgets.Layout(flex=f"0 1 {SEEN}", max_width=SEEN))
    told = widgets.VBox(list(words), layout=widgets.Layout(flex="1 1 240px", min_width="240px"))
    seen.add_class("tubekit-seen")
    columns = across(seen, told)
    seen.add_class("tubekit-panel")
    return page(columns) if tools is None else page(tools, columns)


def page(*boxes: widgets.Widget) -> list[widgets.Widget]:
    """The boxes of a panel one below the other, with the style sheet in front."""
    for box in boxes:
        box.add_class("tubekit-panel")
    return [widgets.HTML(css()), *boxes]


def across(*boxes: widgets.Widget) -> widgets.HBox:
    """Boxes side by side where there is room, one below the other where there is not."""
    return widgets.HBox(list(boxes), layout=widgets.Layout(flex_flow="row wrap", width="100%"))


def rule(words: str) -> widgets.HTML:
    """A heading over the controls below it."""
    return widgets.HTML(f'<div class="tubekit-rule">{words}</div>', layout=widgets.Layout(width="100%"))

"""Where things stand in a panel: buttons above; controls, figure, words side by side where there is room."""

from __future__ import annotations

import html
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from tubekit.text import style

CONTROLS, SEEN = "280px", "934px"
WORDS = {
    "undo": ("Undo", "Undo the last step"),
    "redo": ("Redo", "Redo the last undone step"),
    "keep": ("Set as baseline", "Use the present state as the reference for 'before'"),
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


def described(kind: Any, description: str, **options: Any) -> Any:
    """A widget across the column with its label in front."""
    full = widgets.Layout(width="auto")
    return kind(description=description, style={"description_width": "60px"}, layout=full, **options)


def button(
    words: str,
    tip: str,
    action: Callable[[], object],
    *,
    flex: str = "0 1 auto",
    min_width: str | None = None,
) -> widgets.Button:
    """A button as wide as its words.

    Examples
    --------
    >>> button("Add", "Add a part", lambda: None).description
    'Add'
    """
    wide = widgets.Layout(width="auto", flex=flex, min_width=min_width)
    made = widgets.Button(description=words, tooltip=tip, layout=wide)
    made.on_click(lambda _: action())
    return made


def buttons(**actions: Callable[[], None]) -> dict[str, widgets.Button]:
    """The buttons of a panel by name, in the order of `WORDS` whatever order they are given in."""
    return {name: button(*WORDS[name], actions[name]) for name in sorted(actions, key=[*WORDS].index)}


def tools(made: Mapping[str, widgets.Button], *said: widgets.Widget) -> widgets.HBox:
    """The row of buttons above a panel, and what the last of them says."""
    row = widgets.HBox([*made.values(), *said], layout=widgets.Layout(flex_flow="row wrap", width="100%"))
    row.add_class("tubekit-tools")
    return row


def no_answer(words: str) -> str:
    """What stands over the words while the setting has no answer, as HTML."""
    return (
        f'<p class="tubekit-stale" role="alert">No result for this setting: {html.escape(words)} '
        "The gray figures are from the last setting that worked.</p>"
    )


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
    columns = widgets.HBox([seen, told], layout=widgets.Layout(flex_flow="row wrap", width="100%"))
    boxes = [columns] if tools is None else [tools, columns]
    for box in (seen, *boxes):
        box.add_class("tubekit-panel")
    return [widgets.HTML(css()), *boxes]


def rule(words: str) -> widgets.HTML:
    """A heading over the controls below it."""
    return widgets.HTML(f'<div class="tubekit-rule">{words}</div>', layout=widgets.Layout(width="100%"))

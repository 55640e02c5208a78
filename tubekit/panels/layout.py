"""Where things stand in a panel: controls, figure, words, side by side where there is room."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from tubekit.text import style

CONTROLS, SEEN = "280px", "934px"
WORDS = {
    "undo": ("Undo", "One step back"),
    "redo": ("Redo", "One step forward again"),
    "reset": ("As it came", "Take every change back, mains included"),
    "keep": ("Keep as before", "Compare the next change with what is on trial now"),
    "rescale": ("Fit the scales", "Scales of the figure to what is on trial now"),
}


def described(kind: Any, description: str, **options: Any) -> Any:
    """A widget across the column with its label in front."""
    full = widgets.Layout(width="auto")
    return kind(description=description, style={"description_width": "60px"}, layout=full, **options)


def buttons(**actions: Callable[[], None]) -> dict[str, widgets.Button]:
    """The buttons below the controls, by name."""
    made = {}
    for name, action in actions.items():
        words, tooltip = WORDS[name]
        made[name] = widgets.Button(
            description=words, tooltip=tooltip, layout=widgets.Layout(width="auto", flex="1 1 90px")
        )
        made[name].on_click(lambda _, action=action: action())
    return made


@cache
def css() -> str:
    """Style elements for tables and panels."""
    sheet = Path(__file__).with_name("panel.css").read_text(encoding="utf-8")
    return f"{style()}<style>{sheet}</style>"


def arranged(panel: Any) -> list[widgets.Widget]:
    """The children of the part-swap panel."""
    under = column(
        [
            _rule("Part"), panel.amps, panel.parts, panel.place,
            _rule("Mains"), panel.mains_place,
            _rule("Changes on trial"), panel.chips.box,
            widgets.HBox(list(panel.buttons.values()), layout=widgets.Layout(flex_flow="row wrap")),
        ]
    )  # fmt: skip
    return side_by_side(under, panel.frame, panel.answer.widgets)


def column(rows: Sequence[widgets.Widget]) -> widgets.VBox:
    """The controls, one below the other."""
    box = widgets.VBox(list(rows), layout=widgets.Layout(flex=f"0 0 {CONTROLS}", width=CONTROLS))
    box.add_class("tubekit-under")
    return box


def side_by_side(
    under: widgets.Widget, frame: widgets.Widget, words: Sequence[widgets.Widget]
) -> list[widgets.Widget]:
    """Controls, figure and words; the words go below the others where the window is narrow."""
    figure = widgets.VBox([frame], layout=widgets.Layout(flex="1 1 auto", min_width="360px"))
    seen = widgets.HBox([under, figure], layout=widgets.Layout(flex=f"0 1 {SEEN}", max_width=SEEN))
    told = widgets.VBox(list(words), layout=widgets.Layout(flex="1 1 240px", min_width="240px"))
    seen.add_class("tubekit-seen")
    columns = widgets.HBox([seen, told], layout=widgets.Layout(flex_flow="row wrap", width="100%"))
    for box in (seen, columns):
        box.add_class("tubekit-panel")
    return [widgets.HTML(css()), columns]


def _rule(words: str) -> widgets.HTML:
    return widgets.HTML(f'<div class="tubekit-rule">{words}</div>', layout=widgets.Layout(width="100%"))

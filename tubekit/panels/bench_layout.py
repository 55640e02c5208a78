"""Where things stand on the bench's panels: the list to fill in, the figure, the words; keeping a list."""

from __future__ import annotations

import html
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import ipywidgets as widgets

from tubekit.errors import TubekitError
from tubekit.panels import layout
from tubekit.panels.keep import said_of


class SaveLine:
    """A name to give, a button that saves, and what became of it."""

    def __init__(self, save: Callable[[str], Path], done: Callable[[], None]) -> None:
        self._save, self._done = save, done
        self.name = widgets.Text(
            tooltip="File name for the list",
            layout={"width": "auto", "flex": "1 1 0", "min_width": "0"},
        )
        self.button = widgets.Button(
            description="Save as CSV",
            tooltip="Save the list in the notebook's folder; no file is overwritten",
            layout={"width": "auto", "flex": "0 0 auto"},
        )
        self.said = widgets.HTML(layout={"width": "100%"})
        row = widgets.HBox([self.name, self.button], layout={"width": "auto"})
        self.box = widgets.VBox([row, self.said], layout={"width": "auto"})
        self.button.on_click(lambda _: self._pressed())

    def begin(self, stem: str) -> None:
        """Another amp: the name that is taken where none is given."""
        self.name.placeholder, self.name.value = stem, ""
        self.clear()

    def clear(self) -> None:
        """Say nothing more of the last file."""
        if self.said.value:
            self.said.value = ""

    def _pressed(self) -> None:
        try:
            path = self._save(self.name.value)
        except TubekitError as error:
            words = html.escape(f"Nothing was saved: {error}")
            self.said.value = f'<p class="tubekit-complaint" role="alert">{words}</p>'
            return
        self.said.value = said_of(path, path.read_bytes())
        self._done()


def three_columns(
    listed: Sequence[widgets.Widget],
    seen: Sequence[widgets.Widget],
    told: Sequence[widgets.Widget],
    buttons: Mapping[str, widgets.Button],
    said: widgets.Widget,
    *,
    wide: tuple[int, int],
) -> list[widgets.Widget]:
    """Buttons above; the list, the figure and the words side by side, on a tablet one below the other.

    Parameters
    ----------
    wide : pixels of the list and of the figure; the words take what is left.
    """
    one, two = wide
    columns = [
        widgets.VBox(list(listed), layout={"flex": f"0 0 {one}px", "width": f"{one}px"}),
        widgets.VBox(
            list(seen), layout={"flex": f"0 1 {two}px", "min_width": "400px", "max_width": f"{two}px"}
        ),
        widgets.VBox(list(told), layout={"flex": "1 1 220px", "min_width": "220px"}),
    ]
    for column, name in zip(columns, ("list", "figure", "words"), strict=True):
        column.add_class(f"tubekit-bench-{name}")
    body = widgets.HBox(columns, layout={"flex_flow": "row wrap", "width": "100%"})
    tools = layout.tools(buttons, said)
    for box in (body, tools):
        box.add_class("tubekit-panel")
    body.add_class("tubekit-bench")
    return [widgets.HTML(layout.css()), tools, body]

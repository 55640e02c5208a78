"""A schematic whose nodes are touched to measure there: a button at the label of each, with its reading."""

from __future__ import annotations

import base64
import html
from collections.abc import Callable, Iterable, Mapping
from functools import partial

import ipywidgets as widgets
from matplotlib.backends.backend_agg import FigureCanvasAgg

from tubekit.amp import Amp
from tubekit.panels import layout
from tubekit.panels.figure_widget import WIDTH
from tubekit.panels.layout import FULL
from tubekit.plots.schematics import schematic, schematic_sections

DPI = 144
BUTTON = (60, 42)
"""Width and height of a button [px]."""


class TouchSchematic(widgets.VBox):
    """One stage at a time; `on_touch` is called with the node that was touched.

    `choice` is the list of stages, `points` the buttons that are seen, by node. `put` puts readings there.
    """

    def __init__(self, amp: Amp, nodes: Iterable[str], on_touch: Callable[[str], object]) -> None:
        self.amp, self.nodes, self.on_touch = amp, frozenset(nodes), on_touch
        self.points: dict[str, widgets.Button] = {}
        self.readings: Mapping[str, str] = {}
        stages = [(title, name) for name, title in schematic_sections(amp).items() if self._drawn(name)]
        tip = "Choose the stage that is drawn"
        self.choice = layout.described(widgets.Dropdown, "stage", tip, options=stages[::-1])
        self.sheet = widgets.Box([], layout=widgets.Layout(width="100%", max_width=f"{WIDTH}px"))
        self.sheet.add_class("tubekit-touch")
        super().__init__([self.choice, self.sheet], layout=FULL)
        self.choice.observe(lambda _: self.draw(), "value")
        self.draw()

    def _drawn(self, section: str) -> bool:
        return any(text.get_text() in self.nodes for text in schematic(self.amp, section).lines)  # type: ignore[attr-defined]

    def draw(self) -> None:
        """Draw the stage that is chosen, with its buttons."""
        drawing = schematic(self.amp, self.choice.value)
        canvas = FigureCanvasAgg(drawing.figure)
        canvas.draw()
        wide, high = canvas.get_width_height()
        places: dict[str, tuple[float, float]] = {}
        tall = WIDTH * high / wide
        for text in drawing.lines:
            node = text.get_text()  # type: ignore[attr-defined]
            if node in self.nodes:  # the last label of a node is that on its wire
                box = text.get_window_extent(canvas.get_renderer())
                at = WIDTH * (box.x0 + box.x1) / 2 / wide, tall * (1 - box.y0 / high) - BUTTON[1] / 2
                others = [place for other, place in places.items() if other != node]
                places[node] = _free(at, others, tall)
        words = html.escape(drawing.words)
        data = base64.b64encode(drawing.png(DPI)).decode()
        picture = widgets.HTML(f'<img src="data:image/png;base64,{data}" alt="{words}">', layout=FULL)
        picture.add_class("tubekit-picture")
        self.points = {
            node: self._button(node, x / WIDTH, y / tall) for node, (x, y) in sorted(places.items())
        }
        self.sheet.children = [picture, *self.points.values()]
        self.put(self.readings)

    def _button(self, node: str, x: float, y: float) -> widgets.Button:
        place = self.amp.topology.place(node)
        made = layout.button(
            node, f"Measure DC volts at {place}", partial(self.on_touch, node), css="tubekit-node"
        )
        made.layout.left, made.layout.top = f"{100 * x:.2f}%", f"{100 * y:.2f}%"
        return made

    def put(self, readings: Mapping[str, str], frozen: bool = False) -> None:
        """Readings by node, in words; `frozen` takes no more."""
        self.readings = dict(readings)
        for node, point in self.points.items():
            point.description = f"{node}\n{self.readings.get(node, '…')}"
            point.disabled = frozen


def _free(at: tuple[float, float], taken: Iterable[tuple[float, float]], tall: float) -> tuple[float, float]:
    """The nearest place up or down where a button covers no other, within the picture [px]."""
    (wide, high), others = BUTTON, list(taken)
    x = min(max(at[0], wide / 2), WIDTH - wide / 2)
    steps = sorted((k * high / 4 for k in range(-12, 13)), key=abs)
    inside = [at[1] + step for step in steps if high / 2 <= at[1] + step <= tall - high / 2]
    for y in inside:
        if all(abs(x - u) >= wide or abs(y - v) >= high for u, v in others):
            return x, y
    return x, at[1]

"""Questions or cases in a row, as a page: what a lesson and the fault hunt have in common."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import ClassVar

import ipywidgets as widgets

from tubekit.lessons.store import Kept, Store
from tubekit.panels import layout
from tubekit.panels.layout import FULL
from tubekit.panels.markup import item, paragraph


class CoursePage(widgets.VBox):
    """Questions or cases in a row: a button for each, what is kept of them, the words beside the figure."""

    WORDS: ClassVar[Mapping[str, tuple[str, str]]] = {}
    STEP = "Question"
    ONWARD = ("other", "forward")
    FIRST = "commit"
    place = 0

    def __init__(self, number: str, names: Sequence[str], store: Store) -> None:
        self.number, self.names, self.store = number, tuple(names), store
        self.head, self.told, self.notice = (widgets.HTML(layout=FULL) for _ in range(3))
        self.buttons = {name: self._button(name, *words) for name, words in self.WORDS.items()}
        self.buttons[self.FIRST].button_style = "primary"
        self.steps = [
            layout.button("", "", partial(self.go, k), min_width="48px") for k in range(len(self.names))
        ]
        self._begin(*self._where_to_begin())
        super().__init__(self.arranged())
        self.add_class("tubekit-lesson")

    def _button(self, name: str, words: str, tooltip: str) -> widgets.Button:
        flex = "1 1 110px" if name in self.ONWARD else "0 1 auto"
        return layout.button(words, tooltip, self.actions()[name], flex=flex)

    def actions(self) -> dict[str, Callable[[], object]]:
        """What the buttons do."""
        return {
            "back": lambda: self.go(self.place - 1),
            "forward": lambda: self.go(self.place + 1),
            "reset": self.reset,
        }

    def go(self, place: int) -> None:
        """Another question, counted from 0."""
        self.place = min(max(0, place), len(self.names) - 1)
        self.show()

    def reset(self) -> None:
        """The page as it came; what is kept in the file stays there."""
        self._begin(*self._came)

    def begin(self, variants: Sequence[int]) -> None:
        """Every question anew, with the numbers of its variant."""
        raise NotImplementedError

    def show(self) -> None:
        """Bring everything in step with the question that is seen."""
        raise NotImplementedError

    def arranged(self) -> list[widgets.Widget]:
        """The children."""
        raise NotImplementedError

    def _where_to_begin(self) -> tuple[int, tuple[int, ...]]:
        """The first question not yet answered right; numbers that were not seen before."""
        each = self._kept()
        return next((k for k, one in enumerate(each) if not one.right), 0), tuple(one.tries for one in each)

    def _begin(self, place: int, variants: tuple[int, ...]) -> None:
        self._came = place, variants
        self.begin(variants)
        self.go(place)

    def _kept(self) -> list[Kept]:
        kept = self.store.of(self.number)
        return [kept.get(name, Kept()) for name in self.names]

    def show_buttons(self, done: bool) -> None:
        """Buttons that can be pressed, and what is kept of each question."""
        for name in ("take", "commit", "hint"):
            if name in self.buttons:
                self.buttons[name].disabled = done
        self.buttons["other"].disabled = not done
        self.buttons["back"].disabled = self.place == 0
        self.buttons["forward"].disabled = self.place == len(self.names) - 1
        for place, (step, one) in enumerate(zip(self.steps, self._kept(), strict=True)):
            word, sign = ("right", " ✓") if one.right else ("tried", " ·") if one.tries else ("open", "")
            step.description = f"{'▸ ' if place == self.place else ''}{place + 1}{sign}"
            step.tooltip = f"{self.STEP} {place + 1}: {word}"
        self.notice.value = trouble(self.store.trouble)

    def withseries(self, under: Sequence[widgets.Widget], frame: widgets.Widget) -> list[widgets.Widget]:
        """The steps above, then controls, figure and words."""
        above = {f"step{k}": step for k, step in enumerate(self.steps)}
        above |= {name: self.buttons[name] for name in ("back", "reset")}
        top = widgets.VBox([layout.tools(above), self.head], layout=FULL)
        return layout.side_by_side(layout.column(under), frame, [self.notice, self.told], top)


def hints_html(hints: Sequence[str]) -> str:
    """The hints shown so far."""
    lines = "".join(map(item, hints))
    return f'<ol class="tubekit-hints" aria-live="polite">{lines}</ol>' if lines else ""


def reason_html(head: str, lines: Sequence[str], more: str = "", *, live: bool = False) -> str:
    """Why, or what was overlooked, under a head of its own; `live`: read out when it changes."""
    look, inside = ' aria-live="polite"' if live else "", "".join(map(paragraph, lines)) + more
    return f'<div class="tubekit-reason"{look}><strong>{head}</strong> {inside}</div>'


def trouble(words: str) -> str:
    """What went wrong, over the words; nothing for ''."""
    return paragraph(words, "stale", alarm=True)

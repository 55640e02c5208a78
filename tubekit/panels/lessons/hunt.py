"""The last lesson: an amp with one fault, readings that cost, and a part to name."""

from __future__ import annotations

from typing import Any

import ipywidgets as widgets

from tubekit.errors import ChangeError, near_matches
from tubekit.panels import layout
from tubekit.panels.knobs import FULL, Choice
from tubekit.panels.lessons.hunt_case import CASES, Case, case_of
from tubekit.panels.lessons.hunt_words import asked, listed, row, told
from tubekit.panels.lessons.page_words import trouble
from tubekit.panels.lessons.roster import BAND, PROBES, ROSTER, next_best
from tubekit.panels.lessons.sight_hunt import HuntView, Row
from tubekit.panels.lessons.store import Kept, Store
from tubekit.panels.live import LiveFigure

NUMBER = "10"
HINTS = (
    "Start with B+ at the reservoir, then follow the filter chain.",
    "Next, check each tube's plate and cathode: no current, or too much?",
)
WORDS = {
    "take": ("Take this reading", "Take the chosen reading; it adds to your cost"),
    "commit": ("Name this fault", "Name the chosen fault and see whether it is right"),
    "hint": ("A hint", "Show one more hint; the last one names the most useful reading"),
    "other": ("Another amp", "Try this case with another fault"),
    "back": ("Back", "Go to the previous case"),
    "forward": ("Next case", "Go to the next case"),
    "reset": ("Reset", "Reset this page; your saved progress is kept"),
}


class HuntPage(widgets.VBox):
    """Find the fault. By program: `take`, `name`, `hint`, `other_amp`, `go`, `reset`."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.head, self.told, self.notice = (widgets.HTML(layout=FULL) for _ in range(3))
        self.places = Choice(
            "reading", "measure", [(listed(k), k) for k in range(len(PROBES))], "What to measure next"
        )
        named = sorted(range(len(ROSTER)), key=lambda k: ROSTER[k].words)
        self.faults = Choice("fault", "fault", [(ROSTER[k].words, k) for k in named], "Which part is bad")
        self.buttons = {name: self._button(name) for name in WORDS}
        self.buttons["take"].button_style = "primary"
        self.steps = [self._step(place) for place in range(CASES)]
        self.figure: LiveFigure[list[Row]] = LiveFigure(
            lambda figure, _: HuntView(figure, BAND), [], height=430
        )
        self._begin(*self._where_to_begin())
        super().__init__(self._arranged())
        self.add_class("tubekit-lesson")

    # ---- what a program asks and does

    @property
    def case(self) -> Case:
        """The amp that is on the bench."""
        return self._cases[self.place]

    @property
    def result(self) -> bool | None:
        """Whether the fault was named rightly; None before one was named."""
        return None if self.case.named is None else self.case.named == self.case.hidden

    def take(self, place: int | str) -> float:
        """Take a reading, by its place in PROBES or its words; taken again it costs nothing.

        Raises
        ------
        ChangeError : a fault was named already, or there is no such reading.
        """
        self._open()
        words = {str(probe): k for k, probe in enumerate(PROBES)}
        if isinstance(place, str) and place not in words:
            raise ChangeError("there is no such reading", part=place, near=near_matches(place, words))
        at = words[place] if isinstance(place, str) else place
        self.case.taken.setdefault(at, self.case.reading(at))
        self._show()
        return self.case.taken[at]

    def name(self, words: str | int) -> bool:
        """Name the fault, by its words or place in ROSTER; True where it is right.

        Raises
        ------
        ChangeError : no reading was taken yet, one was named already, or there is no such fault.
        """
        self._open()
        known = {entry.words: k for k, entry in enumerate(ROSTER)}
        if isinstance(words, str) and words not in known:
            raise ChangeError("there is no such fault here", part=words, near=near_matches(words, known))
        if not self.case.taken:
            self.faults.complain("Take a reading before you name a fault.")
            raise ChangeError("no reading was taken yet", fix="Take one first")
        self.case.named = known[words] if isinstance(words, str) else words
        self.store.note(NUMBER, f"case{self.place + 1}", right=bool(self.result), hints=self.case.hints)
        self._show()
        return bool(self.result)

    def hint(self) -> None:
        """One hint more: where to begin, and then each time the reading that tells most."""
        case = self.case
        case.hints += 1
        if len(case.told) < len(HINTS):
            case.told.append(HINTS[len(case.told)])
        else:
            best = next_best(case.taken)
            case.told.append(
                "No further reading on the list helps."
                if best is None
                else f"Most useful reading now: {PROBES[best]}."
            )
        self._show()

    def other_amp(self) -> None:
        """Another fault in the same case."""
        self._cases[self.place] = case_of(self.place, self.case.variant + 1)
        self.go(self.place)

    def go(self, place: int) -> None:
        """Another case, counted from 0."""
        self.place = min(max(0, place), CASES - 1)
        self._show()

    def reset(self) -> None:
        """The page as it came; what is kept in the file stays there."""
        self._begin(*self._came)

    # ---- how it stands

    def _open(self) -> None:
        if self.case.named is not None:
            raise ChangeError("the fault of this amp has been shown", fix="Ask for other_amp()")

    def _where_to_begin(self) -> tuple[int, tuple[int, ...]]:
        kept = self.store.of(NUMBER)
        each = [kept.get(f"case{k + 1}", Kept()) for k in range(CASES)]
        return next((k for k, one in enumerate(each) if not one.right), 0), tuple(one.tries for one in each)

    def _begin(self, place: int, variants: tuple[int, ...]) -> None:
        self._came = place, variants
        self._cases = [case_of(k, n) for k, n in enumerate(variants)]
        for knob in (self.places, self.faults):
            knob.put(knob.choice.options[0][1])
        self.go(place)

    def _named_by_hand(self) -> None:
        if self.case.named is None and self.case.taken:
            self.name(int(self.faults.choice.value))
        elif self.case.named is None:
            self.faults.complain("Take a reading before you name a fault.")

    # ---- what is seen

    def _show(self) -> None:
        case = self.case
        self.figure.show([row(k, value) for k, value in case.taken.items()])
        self.head.value = asked(self.place, case)
        self.told.value = told(case)
        self.notice.value = trouble(self.store.trouble)
        if case.taken:
            self.faults.complain("")
        self._set_buttons(case.named is not None)

    def _set_buttons(self, done: bool) -> None:
        for name in ("take", "commit", "hint"):
            self.buttons[name].disabled = done
        self.buttons["other"].disabled = not done
        self.buttons["back"].disabled = self.place == 0
        self.buttons["forward"].disabled = self.place == CASES - 1
        kept = self.store.of(NUMBER)
        for place, step in enumerate(self.steps):
            one = kept.get(f"case{place + 1}", Kept())
            word, sign = ("right", " ✓") if one.right else ("tried", " ·") if one.tries else ("open", "")
            step.description = f"{'▸ ' if place == self.place else ''}{place + 1}{sign}"
            step.tooltip = f"Case {place + 1}: {word}"

    def _button(self, name: str) -> widgets.Button:
        words, tooltip = WORDS[name]
        flex = "1 1 110px" if name in ("other", "forward") else "0 1 auto"
        made = widgets.Button(
            description=words, tooltip=tooltip, layout=widgets.Layout(width="auto", flex=flex)
        )
        act: Any = {
            "take": lambda: self.case.named is None and self.take(int(self.places.choice.value)),
            "commit": self._named_by_hand, "hint": self.hint, "other": self.other_amp, "reset": self.reset,
            "back": lambda: self.go(self.place - 1), "forward": lambda: self.go(self.place + 1),
        }[name]  # fmt: skip
        made.on_click(lambda _: act())
        return made

    def _step(self, place: int) -> widgets.Button:
        made = widgets.Button(layout=widgets.Layout(width="auto", min_width="48px"))
        made.on_click(lambda _: self.go(place))
        return made

    def _arranged(self) -> list[widgets.Widget]:
        onward = widgets.HBox([self.buttons["other"], self.buttons["forward"]], layout=FULL)
        under = layout.column(
            [
                self.places.box,
                self.buttons["take"],
                self.faults.box,
                self.buttons["commit"],
                self.buttons["hint"],
                onward,
            ]
        )
        above = {f"step{k}": step for k, step in enumerate(self.steps)}
        above |= {name: self.buttons[name] for name in ("back", "reset")}
        top = widgets.VBox([layout.tools(above), self.head], layout=FULL)
        frame = widgets.VBox([self.figure.picture.image])
        return layout.side_by_side(under, frame, [self.notice, self.told], top)

"""The last lesson, an amp with one fault to find by readings that cost; and the page of one's progress."""

from __future__ import annotations

import html
from collections.abc import Callable, Sequence
from typing import ClassVar, NamedTuple

import ipywidgets as widgets

from tubekit.errors import ChangeError, near_matches
from tubekit.lessons.book import LESSONS
from tubekit.lessons.fault_hunt import (
    BAND,
    CASES,
    FAULTS,
    NIL_V,
    NUMBER,
    PROBES,
    Case,
    case_of,
    cost,
    next_best,
    par,
    predictions,
    still_possible,
)
from tubekit.lessons.store import Kept, Store
from tubekit.panels import layout
from tubekit.panels.course_page import CoursePage, hints_html, trouble
from tubekit.panels.figure_widget import WIDTH, FigureWidget
from tubekit.panels.prediction_views import ProgressView, ReadingRow, ReadingsView
from tubekit.panels.settings import FULL, ChoiceSetting
from tubekit.text import Table, headed

HINTS = (
    "Start with B+ at the reservoir, then follow the filter chain.",
    "Next, check each tube's plate and cathode: no current, or too much?",
)
FIRST_READ = "Take a reading before you name a fault."
CAUTION = (
    "On a real amp: unplug and discharge the filter caps before you clip on, and work with one hand. "
    "Measure before you touch anything. Follow local codes; leave licensed work to licensed people."
)
OWN = "The readings for each fault are calculated, not measured."
TITLE = "Which part is bad?"
NOTE = "Saved in my-progress.json, in the folder of the lessons. To start over, delete that file."


class HuntPage(CoursePage):
    """Find the fault. By program: `take`, `name`, `hint`, `other_amp`, `go`, `reset`."""

    WORDS: ClassVar = {
        "take": ("Take this reading", "Take the chosen reading; it adds to your cost"),
        "commit": ("Name this fault", "Name the chosen fault and see whether it is right"),
        "hint": ("A hint", "Show one more hint; the last one names the most useful reading"),
        "other": ("Another amp", "Try this case with another fault"),
        "back": ("Back", "Go to the previous case"),
        "forward": ("Next case", "Go to the next case"),
        "reset": ("Reset", "Reset this page; your saved progress is kept"),
    }
    STEP, FIRST = "Case", "take"

    def __init__(self, store: Store) -> None:
        listed = [(f"{probe} (costs {cost(probe):g})", k) for k, probe in enumerate(PROBES)]
        self.places = ChoiceSetting("reading", "measure", listed, "What to measure next")
        named = sorted((each.words, k) for k, each in enumerate(FAULTS))
        self.faults = ChoiceSetting("fault", "fault", named, "Which part is bad")
        self.figure: FigureWidget[Sequence[ReadingRow]] = FigureWidget(
            lambda figure, _: ReadingsView(figure, BAND), [], size=(WIDTH, 430)
        )
        super().__init__(NUMBER, [f"case{k + 1}" for k in range(CASES)], store)

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
        self.show()
        return self.case.taken[at]

    def name(self, words: str | int) -> bool:
        """Name the fault, by its words or place in FAULTS; True where it is right.

        Raises
        ------
        ChangeError : no reading was taken yet, one was named already, or there is no such fault.
        """
        self._open()
        known = {each.words: k for k, each in enumerate(FAULTS)}
        if isinstance(words, str) and words not in known:
            raise ChangeError("there is no such fault here", part=words, near=near_matches(words, known))
        if not self.case.taken:
            self.faults.complain(FIRST_READ)
            raise ChangeError("no reading was taken yet", fix="Take one first")
        self.case.named = known[words] if isinstance(words, str) else words
        self.store.note(NUMBER, self.names[self.place], right=bool(self.result), hints=self.case.hints)
        self.show()
        return bool(self.result)

    def hint(self) -> None:
        """One hint more: where to begin, and then each time the most useful reading."""
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
        self.show()

    def other_amp(self) -> None:
        """Another fault in the same case."""
        self._cases[self.place] = case_of(self.place, self.case.variant + 1)
        self.show()

    def begin(self, variants: Sequence[int]) -> None:
        """Every amp anew."""
        self._cases = [case_of(k, n) for k, n in enumerate(variants)]
        for knob in (self.places, self.faults):
            knob.put(knob.choice.options[0][1])

    def actions(self) -> dict[str, Callable[[], object]]:
        """What the buttons do."""
        own: dict[str, Callable[[], object]] = {
            "take": lambda: self.case.named is None and self.take(int(self.places.choice.value)),
            "commit": self._named_by_hand, "hint": self.hint, "other": self.other_amp,
        }  # fmt: skip
        return {**super().actions(), **own}

    def _open(self) -> None:
        if self.case.named is not None:
            raise ChangeError("the fault of this amp has been shown", fix="Ask for other_amp()")

    def _named_by_hand(self) -> None:
        if self.case.named is None and self.case.taken:
            self.name(int(self.faults.choice.value))
        elif self.case.named is None:
            self.faults.complain(FIRST_READ)

    def show(self) -> None:
        """Bring everything in step with the amp that is on the bench."""
        case = self.case
        self.figure.show([reading_row(k, value) for k, value in case.taken.items()])
        self.head.value = case_html(self.place, case)
        self.told.value = found_html(case)
        if case.taken:
            self.faults.complain("")
        self.show_buttons(case.named is not None)

    def arranged(self) -> list[widgets.Widget]:
        """Lists and buttons under the steps, beside figure and words."""
        make = self.buttons
        onward = widgets.HBox([make["other"], make["forward"]], layout=FULL)
        under = [self.places, make["take"], self.faults, make["commit"], make["hint"], onward]
        return self.withseries(under, widgets.VBox([self.figure]))


def reading_row(place: int, value: float) -> ReadingRow:
    """A reading against the drawing; where the drawing has next to nothing, anything is much."""
    drawn, probe = float(predictions()[0, place]), PROBES[place]
    nil = probe.quantity == "dc_v" and abs(drawn) < NIL_V
    share = (1.0 if abs(value) < NIL_V else 2.2) if nil else max(value / drawn, 0.0)
    return ReadingRow(str(probe).replace("DC volts at ", ""), probe.format(value), share)


def case_html(place: int, case: Case) -> str:
    """The amp as its owner brings it."""
    says = html.escape(FAULTS[case.hidden].says)
    return (
        f'<section class="tubekit tubekit-asked"><p class="tubekit-place">Case {place + 1} of {CASES}</p>'
        f'<p class="tubekit-asks">A combo with two 6V6GT has one bad part. The customer says: “{says}” '
        "Take as few readings as you can, then name the fault.</p>"
        f'<p class="tubekit-caution">{CAUTION}</p></section>'
    )


def found_html(case: Case) -> str:
    """Hints, the verdict once there is one, and the readings so far."""
    parts = [hints_html(case.told)]
    if case.named is not None:
        parts.append(_verdict_html(case, case.named))
    parts.append(f"<p>Cost so far: <strong>{case.spent:g}</strong></p>")
    if case.taken:
        heads = headed("reading", "meter [] >", "per schematic [] >", "reading cost [] g")
        rows = [
            (
                str(PROBES[k]),
                PROBES[k].format(v),
                PROBES[k].format(float(predictions()[0, k])),
                cost(PROBES[k]),
            )
            for k, v in case.taken.items()
        ]
        parts.append(Table("", heads, rows).html())
    return f'<section class="tubekit">{"".join(parts)}</section>'


def _verdict_html(case: Case, named: int) -> str:
    """Right or not, why, what else the readings would have fitted, and what the shortest way costs."""
    true = FAULTS[case.hidden]
    right = named == case.hidden
    head = f"Correct: {true.words}." if right else f"No. It is {true.words}, not {FAULTS[named].words}."
    others = [FAULTS[k].words for k in still_possible(case.taken) if k != case.hidden]
    doubt = f" Your readings also fit {', '.join(others)}. You needed one more to be sure." if others else ""
    way = f"The best route costs {par(case.hidden):g}; you spent {case.spent:g}."
    reason = f"<p>{html.escape(true.why)}</p><p>{html.escape(way + doubt)}</p>"
    return (
        f'<p class="tubekit-headline">{html.escape(head)}</p>'
        f'<div class="tubekit-reason"><strong>Why.</strong> {reason}</div>'
        f'<p class="tubekit-source">{OWN}</p>'
    )


class ProgressRow(NamedTuple):
    """One lesson: questions, those answered right once, answers given, hints taken."""

    number: str
    title: str
    questions: int
    right: int
    tries: int
    hints: int


def progress_rows(store: Store) -> list[ProgressRow]:
    """One row for each lesson, the last one with its cases."""
    known = {number: (each.title, each.names) for number, each in LESSONS.items()}
    known[NUMBER] = (TITLE, tuple(f"case{k + 1}" for k in range(CASES)))
    rows = []
    for number, (title, keys) in sorted(known.items()):
        kept = [store.of(number).get(key, Kept()) for key in keys]
        right = sum(1 for each in kept if each.right)
        tries, hints = sum(each.tries for each in kept), sum(each.hints for each in kept)
        rows.append(ProgressRow(number, title, len(keys), right, tries, hints))
    return rows


class ProgressPage(widgets.VBox):
    """What the file beside the lessons says. By program: `look`, `rows`."""

    def __init__(self, store: Store) -> None:
        self.store, self.rows = store, progress_rows(store)
        self.told, self.notice = widgets.HTML(layout=FULL), widgets.HTML(layout=FULL)
        self.figure: FigureWidget[list[ProgressRow]] = FigureWidget(
            ProgressView, self.rows, size=(WIDTH, 430)
        )
        self.again = layout.button("Reload", "Reload the progress file", self.look)
        self._show()
        frame = widgets.VBox([self.figure], layout=widgets.Layout(flex="1 1 420px", max_width="634px"))
        words = widgets.VBox([self.notice, self.told], layout=widgets.Layout(flex="1 1 460px", min_width="0"))
        columns = widgets.HBox([frame, words], layout=widgets.Layout(flex_flow="row wrap", width="100%"))
        columns.add_class("tubekit-panel")
        super().__init__([widgets.HTML(layout.css()), layout.tools({"again": self.again}), columns])
        self.add_class("tubekit-lesson")

    def look(self) -> None:
        """Read the file again."""
        self.store.look()
        self.rows = progress_rows(self.store)
        self._show()

    def table(self) -> Table:
        """Every lesson with its counts."""
        rows = [
            (f"{int(row.number)} {row.title}", f"{row.right} of {row.questions}", row.tries, row.hints)
            for row in self.rows
        ]
        return Table("", headed("lesson", "right [] >", "answers", "hints"), rows)

    def _show(self) -> None:
        self.figure.show(self.rows)
        done, asked = sum(row.right for row in self.rows), sum(row.questions for row in self.rows)
        self.told.value = (
            f'<section class="tubekit"><p class="tubekit-headline">{done} of {asked} answered right.</p>'
            f'{self.table().html()}<p class="tubekit-note">{NOTE}</p></section>'
        )
        self.notice.value = trouble(self.store.trouble)

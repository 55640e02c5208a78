"""Lesson 10, an amp with one fault to find by readings that cost."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, ClassVar

import ipywidgets as widgets

from tubekit.amp import load_amp
from tubekit.circuit.parts import GROUND
from tubekit.errors import ChangeError, near_matches
from tubekit.lessons.fault_hunt import (
    AMP,
    CASES,
    FAULTS,
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
from tubekit.lessons.lesson import words_of
from tubekit.lessons.store import Store
from tubekit.panels.course_page import CoursePage, hints_html, reason_html
from tubekit.panels.layout import FULL
from tubekit.panels.markup import headline, paragraph, section
from tubekit.panels.settings import ChoiceSetting
from tubekit.panels.touch_schematic import TouchSchematic
from tubekit.text import Table, headed


class HuntPage(CoursePage):
    """Find the fault. By program: `take`, `name`, `hint`, `other_amp`, `go`, `reset`."""

    WORDS: ClassVar = {
        "take": ("Take this reading", "Take the chosen reading; it adds to your cost"),
        "commit": ("Name this fault", "Name the chosen fault; you have two tries"),
        "hint": ("A hint", "Show one more hint; the last one names the most useful reading"),
        "other": ("Another amp", "Try this case with another fault"),
        "back": ("Back", "Go to the previous case"),
        "forward": ("Next case", "Go to the next case"),
        "reset": ("Reset", "Reset this page; your saved progress is kept"),
    }
    STEP, FIRST = "Case", "take"

    def __init__(self, store: Store) -> None:
        amp = load_amp(AMP)
        self.said: Mapping[str, Any] = words_of(NUMBER)
        self.probes = [probe.words(amp) for probe in PROBES]
        self.nodes = {
            probe.place[0]: k for k, probe in enumerate(PROBES)
            if probe.quantity == "dc_v" and probe.place[1] == GROUND
        }  # fmt: skip
        listed = [(f"{words} (costs {cost(PROBES[k]):g})", k) for k, words in enumerate(self.probes)]
        self.places = ChoiceSetting("reading", "measure", listed, "What to measure next")
        named = sorted((each.words, k) for k, each in enumerate(FAULTS))
        self.faults = ChoiceSetting("fault", "fault", named, "Which part is bad")
        self.sheet = TouchSchematic(amp, self.nodes, self._touched)
        super().__init__(NUMBER, [f"case{k + 1}" for k in range(CASES)], store)

    # ---- what a program asks and does

    @property
    def case(self) -> Case:
        """The amp that is on the bench."""
        return self._cases[self.place]

    @property
    def result(self) -> bool | None:
        """Whether the fault was named rightly; None as long as there is a try left."""
        return self.case.right if self.case.closed else None

    def take(self, place: int | str) -> float:
        """Take a reading, by its place in PROBES or its words; taken again it costs nothing.

        Raises
        ------
        ChangeError : a fault was named already, or there is no such reading.
        """
        self._open()
        words = {str(probe): k for k, probe in enumerate(PROBES)}
        words |= {said: k for k, said in enumerate(self.probes)}
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
        ChangeError : no reading was taken yet, the tries are used, or there is no such fault.
        """
        self._open()
        known = {each.words: k for k, each in enumerate(FAULTS)}
        if isinstance(words, str) and words not in known:
            raise ChangeError("there is no such fault here", part=words, near=near_matches(words, known))
        if not self.case.taken:
            self.faults.complain(self.said["first_read"])
            raise ChangeError("no reading was taken yet", fix="Take one first")
        right = self.case.name(known[words] if isinstance(words, str) else words)
        self.store.note(NUMBER, self.names[self.place], right=right, hints=self.case.hints)
        self.show()
        return right

    def hint(self) -> None:
        """One hint more: where to begin, and then each time the most useful reading."""
        case, hints = self.case, self.said["hints"]
        case.hints += 1
        if len(case.told) < len(hints):
            case.told.append(hints[len(case.told)])
        else:
            best = next_best(case.taken)
            words = self.said["no_more" if best is None else "best"]
            case.told.append(words.format(best="" if best is None else self.probes[best]))
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
            "take": lambda: self.case.closed or self.take(int(self.places.choice.value)),
            "commit": self._named_by_hand, "hint": self.hint, "other": self.other_amp,
        }  # fmt: skip
        return {**super().actions(), **own}

    def _open(self) -> None:
        if self.case.closed:
            raise ChangeError("the fault of this amp has been shown", fix="Ask for other_amp()")

    def _named_by_hand(self) -> None:
        if not self.case.closed and self.case.taken:
            self.name(int(self.faults.choice.value))
        elif not self.case.closed:
            self.faults.complain(self.said["first_read"])

    def _touched(self, node: str) -> None:
        if not self.case.closed:
            self.take(self.nodes[node])

    def show(self) -> None:
        """Bring everything in step with the amp that is on the bench."""
        case = self.case
        read = {node: k for node, k in self.nodes.items() if k in case.taken}
        readings = {node: PROBES[k].format(case.taken[k]) for node, k in read.items()}
        self.sheet.put(readings, frozen=case.closed)
        self.head.value = self._case_html()
        self.told.value = self._found_html()
        if case.taken:
            self.faults.complain("")
        self.show_buttons(case.closed)

    def arranged(self) -> list[widgets.Widget]:
        """Lists and buttons under the steps, beside figure and words."""
        make = self.buttons
        onward = widgets.HBox([make["other"], make["forward"]], layout=FULL)
        under = [self.places, make["take"], self.faults, make["commit"], make["hint"], onward]
        return self.withseries(under, self.sheet)

    # ---- words

    def _case_html(self) -> str:
        """The amp as its owner brings it."""
        asks = self.said["asks"].format(says=FAULTS[self.case.hidden].says)
        place = paragraph(f"Case {self.place + 1} of {CASES}", "place")
        caution = paragraph(words_of("cautions")["hunt"], "caution")
        return section(place, paragraph(asks, "asks"), caution, css="asked")

    def _found_html(self) -> str:
        """Hints, what clears a wrong name, the verdict once there is one, and the readings so far."""
        case = self.case
        parts = [hints_html(case.told)]
        if case.closed:
            parts.append(_verdict_html(case, self.said["own"]))
        if case.cleared:
            again = "" if case.closed else f"<p>{self.said['again']}</p>"
            parts.append(reason_html("What you overlooked.", case.cleared, again, live=True))
        parts.append(f"<p>Cost so far: <strong>{case.spent:g}</strong></p>")
        if case.taken:
            heads = headed("reading", "meter [] >", "per schematic [] >", "reading cost [] g")
            drawn = predictions()[0]
            rows = [
                (self.probes[k], PROBES[k].format(v), PROBES[k].format(float(drawn[k])), cost(PROBES[k]))
                for k, v in case.taken.items()
            ]
            parts.append(Table("", heads, rows).html())
        return section(*parts)


def _verdict_html(case: Case, own: str) -> str:
    """Right or not, why, what else the readings would have fitted, and what the shortest way costs."""
    true = FAULTS[case.hidden]
    named = FAULTS[case.guesses[-1]].words
    head = f"Correct: {true.words}." if case.right else f"No. It is {true.words}, not {named}."
    others = [FAULTS[k].words for k in still_possible(case.taken) if k != case.hidden]
    doubt = f" Your readings also fit {', '.join(others)}. You needed one more to be sure." if others else ""
    way = f"The best route costs {par(case.hidden):g}; you spent {case.spent:g}."
    why = reason_html("Why.", (true.why, way + doubt))
    return f'{headline(head)}{why}<p class="tubekit-source">{own}</p>'

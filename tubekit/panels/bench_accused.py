"""'Find the bad part': the button, its progress, the suspects and what to measure next."""

from __future__ import annotations

import html
from collections.abc import Callable

import ipywidgets as widgets

from tubekit.bench.suspects import LEAST, Suspects
from tubekit.circuit.parts import GROUND
from tubekit.decisions.probe import QUANTITIES, Probe
from tubekit.errors import TubekitError
from tubekit.panels import layout
from tubekit.panels.background import BackgroundTask
from tubekit.panels.bench_answers import Accused, tells_nothing
from tubekit.panels.bench_check import Checked
from tubekit.panels.bench_sheet import Row
from tubekit.panels.bench_words import next_html, suspects_html, worth_taking

ASKED = "Find the bad part"
WAITS = "Compare the readings with every single fault of this amp; the first time takes a few seconds"


class AccusedBox(widgets.VBox):
    """Suspects beside the figure. The first answer for an amp takes seconds and is asked for by hand; from
    then on it follows every reading, until the line, the meter or a measured part is another.
    """

    def __init__(self, on_add: Callable[[Row], None]) -> None:
        self.accused, self.task, self._on_add = Accused(), BackgroundTask(), on_add
        self.found: Suspects | None = None
        self._checked: Checked | None = None
        self.button = layout.button(ASKED, WAITS, self.ask)
        self.button.add_class("tubekit-ask")
        self.progress = widgets.IntProgress(
            min=0, max=1, layout={"width": "100%", "display": "none"}, bar_style="",
            tooltip="How many faults have been calculated",
        )  # fmt: skip
        self.said, self.told, self.next = (layout.words_place() for _ in range(3))
        self.adds = widgets.HBox([], layout={"flex_flow": "row wrap", "width": "100%"})
        super().__init__(
            [self.button, self.progress, self.said, self.told, self.next, self.adds], layout={"width": "100%"}
        )

    def follow(self, checked: Checked) -> None:
        """Another list: answered at once where that can be, otherwise the old answer is grayed."""
        self.task.stop()
        self.progress.layout.display = "none"
        self._checked = checked
        few = LEAST - len(checked.readings.readings)
        self.button.disabled = few > 0
        if few > 0:
            self._nothing(
                f"{few} more {'reading' if few == 1 else 'readings'}, are needed before a part can be named."
            )
        elif self.accused.ready(checked):
            self.now()
        elif self.found is not None:
            self._nothing("The amp, line voltage or meter has changed. Press the button again.", keep=True)
        else:
            self._nothing(WAITS)

    def forget(self) -> None:
        """Another amp."""
        self.found = None

    def ask(self) -> None:
        """Ask, aside: the hand goes on meanwhile."""
        checked = self._checked
        if checked is None:
            return
        self.progress.value, self.progress.layout.display, self.button.disabled = 0, "", True
        self.said.value = "<p>Calculating every single fault …</p>"
        self.task(
            lambda progress: self.accused.of(checked, progress), self._answered, self._failed, self._stepped
        )

    def now(self) -> Suspects:
        """Ask, and wait for the answer.

        Raises
        ------
        ReadingError : fewer than three readings. SolveError : the amp has no idle state.
        """
        assert self._checked is not None
        self.task.stop()
        found = self.accused.of(self._checked)
        self._answered(found)
        return found

    def _stepped(self, step: int, of: int) -> None:
        self.progress.max, self.progress.value = of, step

    def _failed(self, error: TubekitError) -> None:
        self.progress.layout.display, self.button.disabled = "none", False
        self.said.value = layout.complaint_html(str(error))

    def _answered(self, found: Suspects) -> None:
        self.found = found
        self.progress.layout.display, self.button.disabled = "none", False
        rest = tells_nothing(found.readings.drawn, found)
        self.said.value = ""
        self.told.value = suspects_html(found) + (f"<p>{html.escape(rest)}</p>" if rest else "")
        self.next.value = next_html(found.following)
        self.adds.children = [self._add(n.probe) for n in worth_taking(found.following)]
        for each in (self.told, self.next):
            each.remove_class("tubekit-gray")

    def _add(self, probe: Probe) -> widgets.Button:
        row = row_of(probe)
        tip = f"Add {row.quantity} at {row.place} to the list"
        return layout.button(f"Add {row.place}", tip, lambda: self._on_add(row))

    def _nothing(self, words: str, *, keep: bool = False) -> None:
        self.said.value = f"<p>{html.escape(words)}</p>"
        self.adds.children = ()
        for each in (self.told, self.next):
            if keep:
                each.add_class("tubekit-gray")
            else:
                each.value = ""


def row_of(probe: Probe) -> Row:
    """A row of a list for a probe, its value still to be read.

    Examples
    --------
    >>> from tubekit.decisions.probe import Probe
    >>> row_of(Probe("dc_a", ("V3", "screen"))).place, row_of(Probe("ohms", ("k34", "ground"))).quantity
    ('V3 screen', 'resistance')
    """
    one, two = probe.place
    words = QUANTITIES[probe.quantity].words
    if probe.frequency_hz:
        words = f"{words} at {probe.frequency_hz:g} Hz"
    if probe.quantity == "dc_a":
        return Row(f"{one} {two}", words)
    return Row(one if two == GROUND else f"{one} to {two}", words)

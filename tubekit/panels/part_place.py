"""One part at a time: the list of parts, and the controls of the one that is chosen."""

from __future__ import annotations

import html
from collections.abc import Callable, Iterable

import ipywidgets as widgets

from tubekit.amp import Amp
from tubekit.amp.parts import Part
from tubekit.errors import ChangeError, near_matches
from tubekit.panels import layout
from tubekit.panels.controls import Control, Tell
from tubekit.panels.part_controls import controls_for, part_label


class PartPlace:
    """The list, and below it a place for controls.

    Parameters
    ----------
    tell : told of every move of a control.
    on_change : told that other controls stand here.
    """

    def __init__(self, tell: Tell, on_change: Callable[[], None]) -> None:
        self.list = layout.described(widgets.Dropdown, "part", tooltip="Choose the part to change")
        self.box = widgets.VBox([])
        self.controls: tuple[Control, ...] = ()
        self._tell, self._on_change, self._filling = tell, on_change, False
        self._amp: Amp | None = None
        self._elsewhere: frozenset[str] = frozenset()
        self.list.observe(lambda change: self._chosen(change["new"]), "value")

    def choose(self, designator: str) -> None:
        """Show the controls of a part.

        Raises
        ------
        ChangeError : it is not in the list.
        """
        names = [name for _, name in self.list.options]
        if designator not in names:
            near = near_matches(designator, names)
            where = self._amp.name if self._amp else ""
            raise ChangeError("there is no such part here", where=where, part=designator, near=near)
        self.list.value = designator

    def offer(
        self,
        amp: Amp,
        parts: Iterable[Part],
        first: Callable[[list[str]], str | None],
        elsewhere: Iterable[str],
    ) -> None:
        """List the parts with what stands in each; the one that was chosen stays where it can.

        Parameters
        ----------
        first : picks the part to begin with.
        elsewhere : keys of controls that stand elsewhere on the panel already.
        """
        self._amp, self._elsewhere = amp, frozenset(elsewhere)
        options = tuple((part_label(amp, part), part.designator) for part in parts)
        chosen, names = self.list.value, [name for _, name in options]
        self._filling = True
        self.list.options = options  # goes to the first one
        self.list.value = chosen if chosen in names else first(names)
        self._filling = False
        self._chosen(self.list.value)

    def _chosen(self, designator: str | None) -> None:
        """Controls of another part; what was changed stays changed."""
        if designator is None or self._filling or self._amp is None:
            return
        part = self._amp.parts[designator]
        found = controls_for(self._amp, part, self._tell)
        self.controls = tuple(each for each in found if each.key not in self._elsewhere)
        said = f"{part.designator}: {part.role or part.kind}" + (f". {part.note}" if part.note else "")
        words = f'<p class="tubekit-role">{html.escape(said)}</p>'
        if not found:
            words += "<p>Nothing can be changed on this part here.</p>"
        self.box.children = [widgets.HTML(words), *(control.box for control in self.controls)]
        self._on_change()

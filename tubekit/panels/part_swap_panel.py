"""The part-swap panel: pick a part, change it, see what moves and what it does to every rating."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

import ipywidgets as widgets

from tubekit.amp import Amp, demo_names, load_amp
from tubekit.amp.parts import Part
from tubekit.decisions import SwapReport
from tubekit.panels.amp_panel import AmpPanel
from tubekit.panels.answer import Answer
from tubekit.panels.swap_figure import SwapFigure
from tubekit.panels.trial import Trial


class PartSwap(AmpPanel):
    """What `swap` gives, with any part of the amp on it."""

    NAME = "part-swap"
    HAS_MAINS = True
    HAS_KNOBS = False
    trial: Trial
    figure: SwapFigure

    def __init__(self, amp: Amp) -> None:
        self.answer = Answer()
        super().__init__(amp)

    @property
    def report(self) -> SwapReport:
        """The last answer; that of the present setting unless `stale`."""
        return self.trial.report

    def set(
        self, changes: Mapping[str, object] | None = None, *, mains_rms: float | None = None
    ) -> SwapReport:
        """Set several changes (None takes one back) and the mains at once, with a single solve.

        Raises
        ------
        ChangeError : a part or value that cannot be; nothing was changed.
        SolveError : this setting has no answer; the last one stands, grayed.
        """
        self.change(changes, mains_rms)
        return self.report

    # ---- what the panel below asks for

    def begin(self, amp: Amp) -> Trial:
        """A trial of swaps."""
        return Trial(amp)

    def new_figure(self) -> SwapFigure:
        """Ripple, plate current, ratings."""
        return SwapFigure(self.report)

    def draw(self) -> None:
        """Now, and before behind it."""
        self.figure.show(self.report)

    def write(self) -> None:
        """Verdict, what to measure, all readings while they are open."""
        self.answer.show(self.report)

    def told(self) -> list[widgets.Widget]:
        """Verdict, what to measure, all readings."""
        return list(self.answer.widgets)

    def listed(self, amp: Amp) -> Iterable[Part]:
        """Every part, in drawn order."""
        return amp.parts.values()

    def first(self, names: list[str]) -> str:
        """The rectifier tube, else the first resistor, else the first part."""
        kinds = {self.amp.parts[name].kind: name for name in reversed(names)}
        return kinds.get("rectifier tube") or kinds.get("resistor") or names[0]


def part_swap(amp: Amp | str | Path | None = None) -> PartSwap:
    """The panel that answers 'what will this swap do?'.

    Parameters
    ----------
    amp
        An amp, a demo name or the path of an amp file; the first demo amp when not given.

    Returns
    -------
    PartSwap
        Shows itself as the last line of a cell.

    Raises
    ------
    AmpFileError
        The file cannot be read.
    SolveError
        The amp has no idle state to begin with.

    Examples
    --------
    >>> panel = part_swap("teasel")
    >>> panel.set({"R14": "330"}).after.amp.parts["R14"].ohms
    330.0
    """
    amp = demo_names()[0] if amp is None else amp
    return PartSwap(amp if isinstance(amp, Amp) else load_amp(amp))

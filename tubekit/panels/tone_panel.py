"""The tone panel: every control of an amp, any part of its signal path; gain against frequency."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np

from tubekit.amp import Amp
from tubekit.amp.controls import controls
from tubekit.amp.parts import GROUND, Capacitor, Jack, Loudspeaker, OutputTransformer, Part, Resistor, Tube
from tubekit.amp.stability import REVERSED
from tubekit.amp.stages import corner_words
from tubekit.analyses.corners import Corner
from tubekit.decisions.tone import ToneChange
from tubekit.panels.amp_panel import AmpPanel, opened, opens
from tubekit.panels.markup import paragraph, section
from tubekit.panels.report_html import tables_html
from tubekit.panels.settings import Setting
from tubekit.panels.tone_sight import Sight, completed, sight
from tubekit.plots.tone_view import NO_RESPONSE, Curve, ToneView
from tubekit.text import Table, headed

SIDES = ("low", "high")
NOTE = "In parentheses: how strongly that part sets the frequency (-1: double the part, half the frequency)."


class TonePanel(AmpPanel[Sight, Curve]):
    """What `tone_change` gives, with the amp's own controls on it.

    In gray behind the curve stand all positions of the control that moved last.
    """

    NAME = "tone"
    VIEW = ToneView
    DETAILS = "Stage by stage: rolloffs, levels, feedback"
    turning = ""

    def solve(self, amp: Amp, near: Sight | None) -> Sight:
        """The response, solved anew only as far as something moved."""
        if self.turning not in controls(amp):
            self.turning = first_control(amp)
        return sight(amp, near, self.turning)

    def drawn_of(self, answer: Sight) -> Curve:
        """The curve with the family behind it."""
        return answer.curve

    def listed(self, amp: Amp) -> Iterable[Part]:
        """Parts of the signal path; those at a control's terminals first."""
        kinds = (Resistor, Capacitor, Tube, OutputTransformer, Loudspeaker, Jack)
        pots = [part for part in amp.parts.values() if part.is_control]
        ends = {node for part in pots for node in part.nodes} - {GROUND}
        parts = [part for part in amp.parts.values() if isinstance(part, kinds)]
        return sorted([*parts, *pots], key=lambda part: _rank(part, ends))

    def moved(self, setting: Setting, value: Any, gesture: str) -> None:
        """The gray curves are those of the control that moves."""
        if setting.key.endswith(".position") and setting.designator in controls(self.amp):
            self.turning = setting.designator
        super().moved(setting, value, gesture)

    def write(self) -> None:
        """The gray curves of other parts and what can be dragged, then the words."""
        result = self.result
        if result.late:
            self.result = completed(result)
            if self.before is result:
                self.before = self.result
            self.draw()
            self.offer()
        super().write()

    def numbers_html(self, now: Sight, before: Sight) -> str:
        """Level, corners with the part that sets each, output impedance; stability in words."""
        alarm = {} if now.stable else {"css": "stale", "alarm": True}
        said = paragraph(headline(now, before), strong=True, **alarm)  # type: ignore[arg-type]
        return section(said, live=True) + tables_html(tables(now, before))

    def headline(self) -> str:
        """Level, tone and stability."""
        return headline(self.result, self.before)

    def detail(self, now: Sight, before: Sight) -> str:
        """Everything `signal_path` or `tone_change` prints."""
        if now is before:
            return tables_html(now.path.tables())
        return tables_html(ToneChange(before.path, now.path, before.loop, now.loop).tables())


def _rank(part: Part, ends: set[str]) -> int:
    if isinstance(part, Resistor | Capacitor) and set(part.nodes) & ends:
        return 0 if isinstance(part, Capacitor) else 1
    return 2


def first_control(amp: Amp) -> str:
    """Designator of the control whose positions stand in gray at first: a tone control before a volume."""
    roles = controls(amp)
    tone = [name for name, role in roles.items() if not role.startswith("volume")]
    return next(iter((*tone, *roles)), "")


def headline(now: Sight, before: Sight) -> str:
    """Level, tone and stability in a sentence."""
    if not now.stable:
        return f"{now.poles.describe()}. {NO_RESPONSE}"
    if now is before:
        return f"{now.path.headline()}; stable"
    return ToneChange(before.path, now.path, None, None).headline()


def tables(now: Sight, before: Sight) -> list[Table]:
    """The numbers beside the figure: narrow, so that they fit beside it."""
    if not now.stable:
        return [Table("", headed("what to check"), [(REVERSED,)])]
    both = (now, before)
    names = (
        "gain at 1 kHz",
        *(f"{side} rolloff (-3 dB)" for side in SIDES),
        "output impedance",
        "damping factor",
    )
    rows = list(zip(names, *map(_figures, both), strict=True))
    columns = headed("", "now [] >", "before [] >")
    corners = {side: _corner(now, side) for side in SIDES}
    set_by = [(side, corner_words(each) if each else "no rolloff") for side, each in corners.items()]
    return [
        Table("", columns, rows, "Rolloff: where the gain is 3 dB below its value at 1 kHz, jack to output."),
        Table("", headed("corner", "set by"), set_by, NOTE),
    ]


def _figures(each: Sight) -> list[Any]:
    """Level, rolloffs, output impedance and damping; an amp that oscillates has none."""
    if not each.stable:
        return ["unstable", "", "", "", ""]
    path, corners = each.path, [_corner(each, side) for side in SIDES]
    level = f"{20 * np.log10(np.abs(path.reference_gain[0])):.1f} dB"
    rolloffs = [(float(corner.hz[0]), "Hz") if corner else "none" for corner in corners]
    ohms = (float(np.abs(path.output_ohms[0])), "ohm")
    return [level, *rolloffs, ohms, f"{float(path.damping_factor[0]):.2g}"]


def _corner(each: Sight, side: str) -> Corner | None:
    whole = each.path.whole
    corner = whole.low if side == "low" else whole.high
    return corner if np.isfinite(corner.hz[0]) else None


@opens(
    "teasel",
    ChangeError="No input jack or no output is drawn.",
    SolveError="The amp has no idle state to begin with.",
)
def tone(amp: Amp | str | Path | None = None) -> TonePanel:
    """The panel that answers 'what will this part do to the tone?'.

    Examples
    --------
    >>> panel = tone("teasel")
    >>> panel.set({"C2": "4n7", "R33.position": 0.2}).stable
    True
    """
    return opened(TonePanel, amp, "teasel")

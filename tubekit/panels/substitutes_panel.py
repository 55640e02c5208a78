"""The substitutes panel: an amp, a part; what could be fitted in its place, and what each candidate moves."""

from __future__ import annotations

import html
from dataclasses import dataclass, field
from functools import partial
from math import isfinite
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from tubekit.amp import Amp
from tubekit.amp.parts import Capacitor, Choke, Part, RectifierTube, Tube
from tubekit.decisions import SwapReport, swap
from tubekit.decisions.substitutes import Substitute, Substitutes, substitutes as look_for
from tubekit.errors import ChangeError, near_matches
from tubekit.panels.amp_choice import AmpSetting, Choice as AmpChoice, drawn
from tubekit.panels.amp_panel import amp_of, opened
from tubekit.panels.export_files import FileSaver
from tubekit.panels.figure_widget import WIDTH, FigureWidget
from tubekit.panels.markup import headline, item, listed, paragraph, section
from tubekit.panels.panel import Settings, StagePanel
from tubekit.panels.part_settings import part_label
from tubekit.panels.report_html import findings_html, measure_html, tables_html
from tubekit.panels.settings import ChoiceSetting, LevelSetting
from tubekit.plots.substitutes_view import SubstitutesState, SubstitutesView, height
from tubekit.text import Column, Table
from tubekit.units import show

STILL = "This part changes none of these readings. For its effect on tone, open the tone notebook."
NOTE = "Checked: voltages, ripple, gain of each tube at 1 kHz, ratings. Not checked: tone, sound, life."


SERIES = (("usual", ""), *((name, name) for name in ("E3", "E6", "E12", "E24", "E48")))
WITHIN = 5.0
BUSY = '<p role="status">Calculating every candidate …</p>'


@dataclass(frozen=True, eq=False)
class SubstitutesAnswer(SubstitutesState):
    """The list, the candidate that is looked at, and what fitting it does."""

    swap: SwapReport = field(kw_only=True)

    def headline(self) -> str:
        """How many will do."""
        return self.found.headline()

    @property
    def one(self) -> Substitute:
        """The candidate that is looked at."""
        return next(each for each in self.found.candidates if each.name == self.chosen)


def parts_of(amp: Amp) -> list[tuple[str, str]]:
    """(words, designator) of every part that substitutes are known for, the most usual first."""
    found = [part for part in amp.parts.values() if part.preferred or isinstance(part, Tube)]
    return [(part_label(amp, part), part.designator) for part in sorted(found, key=_rank)]


def _rank(part: Part) -> int:
    if isinstance(part, RectifierTube):
        return 0
    if isinstance(part, Capacitor) and part.style == "electrolytic":
        return 1
    return 2 if isinstance(part, Tube | Choke) else 3


def verdict(now: SubstitutesAnswer) -> str:
    """Whether the candidate will do, and every reason why not."""
    one = now.one
    word = "ACCEPTABLE" if one.keeps else "NO"
    reasons = listed(map(item, (*one.why_not, *one.notes)))
    kind = "" if one.keeps else ' class="tubekit-exceeded"'
    place = html.escape(f"{one.name} in place of {now.found.drawn}")
    return f"<p><strong{kind}>{word}</strong> {place}</p>{reasons}"


def table(now: SubstitutesAnswer) -> Table:
    """The candidate that is looked at, and what stands there now."""
    one, before = now.one, now.found.before
    rail = before.rails[0]
    most = _share(one.used_percent) if one.used_at else ""
    rows = [
        (rail.node, show(one.b_plus_v, "V", 4), show(float(rail.dc_v), "V", 4)),
        (f"largest change: {one.off_at or 'none'}", f"{round(one.moves_percent, 2) + 0.0:+.2g} %", ""),
        ("ripple", f"{one.ripple_ratio:.2g} × as much", ""),
        (f"gain: {one.gain_at or 'none'}", f"{round(one.gain_db, 1) + 0.0:+.1f} dB", ""),
        (f"closest to its limit: {one.used_at}", most, ""),
        ("to buy", one.fit, ""),
    ]
    columns = (Column(""), Column(one.name, align="right"), Column("now", align="right"))
    return Table("", columns, [row for row in rows if row[1]], NOTE)


def _share(percent: float) -> str:
    """Used share of a rating, and the margin."""
    if not isfinite(percent):
        return "not known"
    left = 100.0 - percent
    return f"{percent:.0f} %, {abs(left):.1f} % {'left' if left >= 0.0 else 'over'}"


def is_still(found: Substitutes) -> bool:
    """True where no candidate moves anything that is compared."""
    return all(
        one.off_percent < 0.01 and abs(one.ripple_ratio - 1.0) < 0.01 and abs(one.gain_db) < 0.05
        for one in found.candidates
    )


class SubstitutesPanel(StagePanel[SubstitutesAnswer]):
    """What `substitutes` gives for any part, with a swap for the candidate that is looked at.

    'Keep as before' fits that candidate: the next part is looked for in the amp that has it.
    """

    NAME = "substitutes"

    def __init__(self, amp: AmpChoice = "teasel", part: str = "") -> None:
        self._lists: dict[tuple[int, str, str], Substitutes] = {}
        self._swaps: dict[tuple[int, str, str], SwapReport] = {}
        self._held: list[Amp] = []
        self._listed: object = None
        self.opened = widgets.HTML(layout=widgets.Layout(width="100%"))
        self.details = widgets.Accordion(
            [self.opened], titles=("All candidates, with reasons",), selected_index=None
        )
        start = self._begin(amp, part)
        knobs = (
            AmpSetting(amp),
            ChoiceSetting("part", "part", parts_of(drawn(amp)), "Choose the part to replace"),
            ChoiceSetting("series", "series", SERIES, "Choose the series of preferred values (IEC 60063)"),
            LevelSetting("within", "within, %", 1, 20, 0.5, form=".1f",
                  tooltip="How much B+ and tube voltages may change"),
            ChoiceSetting("candidate", "inspect", self._offered(start), "Choose a candidate to inspect"),
        )  # fmt: skip
        super().__init__(knobs, start)
        self.details.observe(lambda _: self._open(), "selected_index")

    # ---- what the board asks for

    def solve(self, settings: Settings) -> SubstitutesAnswer:
        """The list, judged by the tolerance, and the swap of one candidate."""
        found = self._found(settings)
        amp, part, name = found.amp, settings["part"], settings["candidate"]
        key = (id(amp), part, name)
        if key not in self._swaps:
            self._swaps[key] = swap(amp, {part: name})
        return SubstitutesAnswer(found, name, swap=self._swaps[key])

    def figure_for(
        self, now: SubstitutesAnswer, before: SubstitutesAnswer
    ) -> FigureWidget[SubstitutesAnswer]:
        """A row for each candidate."""
        return FigureWidget(SubstitutesView, now, before, (WIDTH, height(now.found)))

    def tables(self, now: SubstitutesAnswer, before: SubstitutesAnswer) -> list[Table]:  # noqa: ARG002
        """The candidate that is looked at against what stands there now."""
        return [table(now)]

    def numbers_html(self, now: SubstitutesAnswer, before: SubstitutesAnswer) -> str:
        """How many will do; whether this one does and why not; its numbers; what to measure."""
        still = paragraph(STILL, strong=True) if is_still(now.found) else ""
        numbers = tables_html(self.tables(now, before))
        ratings = findings_html(now.swap) or "<p>All ratings are met, with more than 10 % to spare.</p>"
        said = section(headline(f"{now.found.headline()}."), still, verdict(now), live=True)
        return said + numbers + paragraph(f"Ratings with {now.chosen} installed", strong=True) + ratings

    def adapted(self, key: str, settings: Settings) -> Settings:
        """Another amp keeps the part where it can; another part begins at its first candidate."""
        if key == "amp":
            return self._begin(settings["amp"], settings["part"], settings)
        if key in ("part", "series"):
            return {**settings, "candidate": self._found(settings).candidates[0].name}
        return settings

    def suit(self, settings: Settings) -> None:
        """Lists of this amp and this part."""
        amp = drawn(settings["amp"])
        self.knobs["series"].seen(not isinstance(amp.parts[settings["part"]], Tube))
        now = (amp, settings["part"], settings["series"], settings["within"])
        if now == self._listed:
            return
        self._listed = now
        for key, options in (("part", parts_of(amp)), ("candidate", self._offered(settings))):
            self.knobs[key].offer(options)

    def keep_as_before(self) -> None:
        """Fit the candidate that is looked at; the next part is looked for in that amp."""
        if not self.stale:
            self.set(amp=self.fitted())

    def fitted(self) -> Amp:
        """The amp with the candidate that is looked at in it."""
        return drawn(self.settings["amp"]).changed({self.settings["part"]: self.settings["candidate"]})

    def saving(self) -> FileSaver:
        """The amp with the candidate in it."""
        return FileSaver(self.name, self.print_png, amp=self.fitted)

    def name(self) -> str:
        """After amp and part."""
        return f"{drawn(self.settings['amp']).name}-{self.settings['part']}-substitutes"

    def told(self) -> list[widgets.Widget]:
        """Below the numbers, the fold with every candidate."""
        return [self.numbers, self.details]

    # ---- how it is worked out

    def _begin(self, amp: AmpChoice, part: str, settings: Settings | None = None) -> dict[str, Any]:
        names = [name for _, name in parts_of(drawn(amp))]
        part = part if part in names else names[0]
        kept = settings or {"series": "", "within": WITHIN}
        start = {**kept, "amp": amp, "part": part, "candidate": ""}
        return {**start, "candidate": self._found(start).candidates[0].name}

    def _found(self, settings: Settings) -> Substitutes:
        """The list of a part: worked out once, then only judged anew."""
        amp = drawn(settings["amp"])
        series = "" if isinstance(amp.parts[settings["part"]], Tube) else settings["series"]
        key = (id(amp), settings["part"], series)
        if key not in self._lists:
            if hasattr(self, "notice"):
                self.notice.value = BUSY
            self._lists[key] = look_for(amp, settings["part"], series=series or None)
            self._held.append(amp)  # its id stays its own as long as the list is kept
        return self._lists[key].within(settings["within"])

    def _offered(self, settings: Settings) -> list[tuple[str, str]]:
        found = self._found(settings)
        return [(f"{one.name}   {'OK' if one.keeps else 'no'}", one.name) for one in found.candidates]

    def other_scales(self, was: Settings, now: Settings) -> bool:
        """Another list of candidates."""
        one, two = ((drawn(each["amp"]), each["part"], each["series"]) for each in (was, now))
        return one != two

    def write(self) -> None:
        """Numbers, and the fold while it is open."""
        super().write()
        self._open()

    def _open(self) -> None:
        if self.details.selected_index is not None:
            answer = self.result
            self.opened.value = tables_html(answer.found.tables()) + measure_html(answer.swap)


def substitutes(amp: str | Path | Amp | None = None, part: str = "") -> SubstitutesPanel:
    """The panel that answers 'what can stand in for this part?'.

    Parameters
    ----------
    amp
        An amp, a demo name or the path of an amp file; the amp chosen last, else 'teasel', when not given.
    part
        Designator of a resistor, capacitor, choke or tube; the first of the list when not given, or when the
        amp chosen last has no such part.

    Returns
    -------
    SubstitutesPanel
        Shows itself as the last line of a cell.

    Raises
    ------
    AmpFileError
        The file cannot be read.
    ChangeError
        No such part, or one without candidates.
    SolveError
        The amp has no idle state to begin with.

    Examples
    --------
    >>> panel = substitutes("teasel", "C14")
    >>> panel.set(candidate="10 µF").one.keeps
    False
    """
    if amp is not None and part:
        there = amp_of(amp)
        names = [name for _, name in parts_of(there)]
        if part not in names:
            near = near_matches(part, names)
            raise ChangeError("has no substitutes of this kind here", where=there.name, part=part, near=near)
    return opened(partial(SubstitutesPanel, part=part), amp, "teasel")

"""The supply panel: reservoir, rectifier, mains, load and dropper of an amp; what they do to its supply."""

from __future__ import annotations

import html
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import ipywidgets as widgets
import numpy as np

from tubekit.amp import Amp, AmpReport, analyze
from tubekit.amp.discharge import discharge
from tubekit.amp.loading import load_regulation
from tubekit.amp.parts import GROUND, Resistor
from tubekit.amp.parts.tubes import RectifierTube
from tubekit.amp.supply import SupplyReport, supply_report
from tubekit.amp.switching import switch_on
from tubekit.decisions import Limits
from tubekit.decisions.limits import limits
from tubekit.decisions.rating import STATES
from tubekit.errors import ChangeError, TubekitError
from tubekit.panels.amp_choice import AmpSetting, drawn
from tubekit.panels.amp_panel import opened, opens
from tubekit.panels.export_files import FileSaver
from tubekit.panels.markup import paragraph, section
from tubekit.panels.panel import Settings, StagePanel
from tubekit.panels.part_settings import tube_options
from tubekit.panels.report_html import findings_list, tables_html
from tubekit.panels.settings import ChoiceSetting, LevelSetting, SeriesSetting, Setting
from tubekit.plots import supply as plots
from tubekit.plots.ink import Drawing
from tubekit.plots.supply import HEIGHT, WIDTH, SupplyView
from tubekit.text import Table, caution_html, headed
from tubekit.units import show

SLOW = ("B+ versus load", "Switch-on from cold", "After switch-off")
EXTRA = "R999"
"""Designator of the extra load: a bleeder that no drawing has."""
LEAST_A = 1e-4


@dataclass(frozen=True)
class Roles:
    """Which parts of an amp the knobs move; '' where it has none."""

    rectifier: str
    reservoir: str
    dropper: str
    node: str


@dataclass(frozen=True, eq=False)
class SupplyAnswer:
    """An amp's supply as asked for, with every rating it loads."""

    amp: Amp
    supply: SupplyReport
    limits: Limits
    roles: Roles

    @property
    def report(self) -> AmpReport:
        """The amp at idle."""
        return self.supply.report

    def headline(self) -> str:
        """The supply in a sentence."""
        return self.supply.headline()


def roles_of(amp: Amp) -> Roles:
    """Rectifier tube, reservoir and first dropping resistor of an amp.

    Raises
    ------
    ChangeError : it has no rectifier tube with a reservoir.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> roles_of(load_amp("teasel"))
    Roles(rectifier='V5', reservoir='C14', dropper='R21', node='B1')
    """
    wired = amp.topology.wired
    for part in amp.parts.values():
        if isinstance(part, RectifierTube):
            behind = [rail for rail in wired.rails if rail.capacitor in wired.reservoir(part.designator)]
            if behind:
                return Roles(part.designator, behind[0].capacitor, _dropper(amp), behind[0].node)
    raise ChangeError("no rectifier tube with a reservoir (first filter cap) was found", where=amp.name)


def _dropper(amp: Amp) -> str:
    """The first resistor from one rail of B+ to another."""
    rails = {rail.node for rail in amp.topology.wired.rails if rail.polarity > 0}
    found = (p.designator for p in amp.parts.values() if isinstance(p, Resistor) and set(p.nodes) <= rails)
    return next(found, "")


def as_asked(amp: Amp, settings: Mapping[str, Any]) -> Amp:
    """The amp of a setting.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> amp = as_asked(load_amp("teasel"), {"mains": 123.0, "reservoir": 47e-6, "extra": 10.0})
    >>> amp.parts["C14"].farads, round(amp.parts[EXTRA].ohms / 1e3)  # 333 V at 10 mA
    (4.7e-05, 33)
    """
    roles = roles_of(amp)
    wanted = {roles.reservoir: settings.get("reservoir"), roles.rectifier: settings.get("rectifier"),
              roles.dropper: settings.get("dropper")}  # fmt: skip
    changes = {name: value for name, value in wanted.items() if name and value is not None}
    changed = amp.changed(changes, mains_rms=settings["mains"])
    amps = 1e-3 * settings.get("extra", 0.0)
    if amps < LEAST_A:
        return changed
    ohms = _volts(amp, roles.node) / amps
    load = Resistor(designator=EXTRA, ends=(roles.node, GROUND), role="extra load", ohms=ohms)
    return replace(changed, parts={**changed.parts, EXTRA: load})


@cache
def _volts(amp: Amp, node: str) -> float:
    """B+ of the amp as drawn [V], which turns the extra milliamps into a resistor."""
    return float(np.asarray(analyze(amp).node(node).dc_v))


def answer(amp: Amp, near: SupplyAnswer | None = None) -> SupplyAnswer:
    """The supply of an amp and its ratings, from where that of a similar one stands.

    Raises
    ------
    SolveError : supply and amp do not agree.
    """
    report = analyze(amp, near=None if near is None else near.report)
    supply = supply_report(amp, near=report, like=None if near is None else near.supply)
    return SupplyAnswer(amp, supply, limits(report, supply), roles_of(amp))


def table(now: SupplyAnswer, before: SupplyAnswer) -> Table:
    """The numbers beside the figure."""
    old = cells(before)
    rows = [(name, cell, old.get(name, "")) for name, cell in cells(now).items()]
    columns = headed("", "now [] >", "before [] >")
    return Table(
        "",
        columns,
        rows,
        "At idle. 'Cold' is with the rectifier warm and the other tubes not yet drawing current.",
    )


def cells(one: SupplyAnswer) -> dict[str, Any]:
    """Name to value: rails, reservoir, rectifier, windings, mains."""
    supply, roles = one.supply, one.roles
    reservoir = supply.filter(roles.reservoir)
    found: dict[str, Any] = {}
    for each in supply.filters:
        if each.b == GROUND:
            found[each.a] = show(float(np.asarray(each.dc_v)), "V", 4)
    plates = [each for each in supply.rectifiers if each.rectifier.startswith(f"{roles.rectifier}.")]
    found |= {
        "ripple p-p": (float(np.asarray(reservoir.ripple_pp_v)), "V"),
        f"{roles.reservoir} cold": show(float(np.asarray(reservoir.cold_v)), "V", 4),
        f"{roles.reservoir} ripple": (float(np.asarray(reservoir.ripple_a)), "A"),
        f"{roles.rectifier} mean": (sum(float(np.asarray(each.mean_a)) for each in plates), "A"),
        f"{roles.rectifier} peak": (
            max((float(np.asarray(each.peak_a)) for each in plates), default=0.0),
            "A",
        ),
        "copper loss": (float(np.asarray(supply.copper_w)), "W"),
        "line power": (float(np.asarray(supply.mains.watts)), "W"),
    }
    return found


class SupplyPanel(StagePanel[SupplyAnswer]):
    """An amp's supply at idle, live; regulation, switch-on and discharge when they are opened."""

    NAME = "supply"
    VIEW, SIZE = SupplyView, (WIDTH, HEIGHT)

    def __init__(self, amp: str | Amp = "teasel") -> None:
        self._about: object = None
        start = _setting(amp)
        knobs = (
            AmpSetting(amp),
            SeriesSetting("reservoir", "reservoir", "F", 1e-6, 1e-3, series="E12", tooltip="Reservoir"),
            ChoiceSetting("rectifier", "rectifier", _types(amp)),
            LevelSetting("mains", "line (V)", 90, 140, 0.5, form=".1f", tooltip="Line voltage"),
            LevelSetting(
                "extra", "extra (mA)", 0, 100, 1, tooltip="Extra load on the first filter cap, as a resistor"
            ),
            SeriesSetting("dropper", "dropping R", "ohm", 10, 1e5, tooltip="First dropping resistor"),
        )
        self.slow = widgets.Accordion(
            [widgets.HTML() for _ in SLOW],
            titles=SLOW,
            selected_index=None,
            layout=widgets.Layout(width="100%"),
        )
        self._worked: dict[int, Settings] = {}
        super().__init__(knobs, start)
        self.slow.observe(lambda _: self._open(), "selected_index")

    def arranged(self, under: Sequence[widgets.Widget]) -> list[widgets.Widget]:
        """Below the rest, the drawers of what takes longer than a move."""
        return [*super().arranged(under), self.slow]

    def solve(self, settings: Settings) -> SupplyAnswer:
        """The supply of a setting, from where the last one ended."""
        last = getattr(self, "result", None)
        amp = as_asked(drawn(settings["amp"]), settings)
        same = last is not None and last.amp.drawn is amp.drawn and set(last.amp.parts) == set(amp.parts)
        return answer(amp, last if same else None)

    def hold(self, key: str, *, take: bool = False) -> Setting | None:
        """The reservoir is a filter capacitor of the figure."""
        return super().hold("reservoir" if key == self.result.roles.reservoir else key, take=take)

    def caption(self) -> str:
        """Line voltage now and before, and how 'before' is drawn."""
        now, was = (f"{show(float(each.amp.mains_rms), 'V')} line" for each in (self.result, self.before))
        line = now if now == was else f"{now}, before {was}"
        return " · ".join(filter(None, (line, super().caption())))

    def saving(self) -> FileSaver:
        """There is an amp: with the extra load, where there is one, as a resistor."""
        return FileSaver(
            self.name, self.print_png, amp=lambda: as_asked(drawn(self.settings["amp"]), self.settings)
        )

    def name(self) -> str:
        """After the amp."""
        return f"{drawn(self.settings['amp']).name}-supply"

    def numbers_html(self, now: SupplyAnswer, before: SupplyAnswer) -> str:
        """Rails, reservoir, rectifier and mains; every rating exceeded or nearly so, in words."""
        told = [check for state in reversed(STATES[1:]) for check in now.limits if check.state == state]
        listed = findings_list((check.state, check.sentence()) for check in told)
        if not any(check.state == "exceeded" for check in told):
            listed = "<p>No rating is exceeded.</p>" + listed
        return table(now, before).html() + listed

    def adapted(self, key: str, settings: Settings) -> Settings:
        """Another amp comes as it is drawn."""
        return _setting(settings["amp"]) if key == "amp" else settings

    def suit(self, settings: Settings) -> None:
        """Bounds about the parts of this amp."""
        amp = drawn(settings["amp"])
        if self._about is amp:
            return
        self._about, start = amp, _setting(settings["amp"])
        self.knobs["reservoir"].bounds(start["reservoir"] / 10, start["reservoir"] * 10)
        self.knobs["dropper"].seen(start["dropper"] is not None)
        if start["dropper"] is not None:
            self.knobs["dropper"].bounds(start["dropper"] / 10, start["dropper"] * 10)
        low, high = (90.0, 140.0) if start["mains"] < 160 else (200.0, 260.0)
        self.knobs["mains"].bounds(low, high, 0.5)
        self.knobs["rectifier"].offer(_types(settings["amp"]))

    def write(self) -> None:
        """Numbers; what can kill or burn; the drawer that is open."""
        super().write()
        self.amp_list.warn(self.result.report.amp, self.result.report.idle_dangers)
        self._open()

    def other_scales(self, was: Settings, now: Settings) -> bool:
        """Another amp."""
        return drawn(was["amp"]) is not drawn(now["amp"])

    # ---- what takes longer than a move

    def _open(self) -> None:
        """Work out the drawer that is open, once for each setting; a shut one costs nothing."""
        place = self.slow.selected_index
        if place is None or self.stale or self._worked.get(place) == self.settings:
            return
        self._worked[place] = self.settings
        page = self.slow.children[place]
        page.value = "<p>Calculating; this takes a few seconds.</p>"
        try:
            page.value = self._slow_page(place)
        except TubekitError as error:
            page.value = paragraph(str(error), "stale", alarm=True)

    def _slow_page(self, place: int) -> str:
        report, amp = self.result.report, self.result.amp
        if place == 0:
            curve = load_regulation(amp, points=9)
            amps = sum(float(each.mean_a) for each in self.result.supply.rectifiers)
            return _page(
                plots.regulation(curve, drawn_a=min(amps, float(curve.amps[-1]))), tables_html(curve.tables())
            )
        if place == 1:
            on = switch_on(amp, near=report)
            return caution_html(on.caution) + _page(plots.switch_on(on), tables_html(on.tables()))
        off = discharge(amp, near=report)
        return caution_html(off.caution) + _page(plots.discharge(off), tables_html(off.tables()))


def _page(drawing: Drawing, tables: str) -> str:
    from base64 import b64encode  # noqa: PLC0415 - only this needs it

    source = b64encode(drawing.png(100)).decode()
    words = html.escape(drawing.words, quote=True)
    picture = f'<img alt="{words}" src="data:image/png;base64,{source}"/>'
    return section(picture, tables)


def _types(name: str | Amp) -> list[tuple[str, str]]:
    """Rectifier types for the socket of an amp, as a list takes them."""
    part: Any = drawn(name).parts[roles_of(drawn(name)).rectifier]
    return tube_options(part)


def _setting(name: str | Amp) -> dict[str, Any]:
    """The amp as it is drawn."""
    amp = drawn(name)
    roles = roles_of(amp)
    parts: Any = amp.parts
    return {
        "amp": name, "reservoir": float(parts[roles.reservoir].farads),
        "rectifier": parts[roles.rectifier].type, "mains": float(amp.mains_rms), "extra": 0.0,
        "dropper": float(parts[roles.dropper].ohms) if roles.dropper else None,
    }  # fmt: skip


@opens("teasel", "It needs a rectifier tube.", ChangeError="It has no rectifier tube with a reservoir.")
def supply(amp: Amp | str | Path | None = None) -> SupplyPanel:
    """The panel that answers 'what does this supply give, and what does it ask of its parts?'.

    Examples
    --------
    >>> panel = supply("teasel")
    >>> panel.set(reservoir=47e-6).supply.filter("C14").ripple_pp_v < 10
    True
    """
    return opened(SupplyPanel, amp, "teasel")

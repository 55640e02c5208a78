"""What to buy for a decided change: value, tolerance, voltage and power rating, with margin and reason."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from tubekit.amp import Amp, analyze, parts as drawn
from tubekit.amp.batches import text_at
from tubekit.amp.parts.tubes import Tube
from tubekit.amp.supply import SupplyReport, supply_report
from tubekit.decisions.candidates import heat_of, volts_to_buy, watts_to_buy
from tubekit.decisions.limits import limits
from tubekit.decisions.rating import Finding, counted
from tubekit.decisions.swap import CAUSES, WEIGHTS, SwapReport
from tubekit.devices import catalogue
from tubekit.errors import ChangeError
from tubekit.series import nearest
from tubekit.text import Printed, Table, headed, quantity
from tubekit.units import mark, show

CHOKE_MARGIN = 1.2
"""A choke is rated a fifth above its current (common practice)."""
ELECTROLYTICS = (1e-6, 2.2e-6, 4.7e-6, 1e-5, 2.2e-5, 3.3e-5, 4.7e-5, 1e-4, 2.2e-4, 4.7e-4, 1e-3)
OFF, SMALL_W = 0.03, 0.01
SEE_SWAP = "These warnings come from the swap report of the same change. Clear them up before you order."
SET_NOT_BOUGHT = ("position", "emission", "inserted", "plugged", "role", "note", "condition")
"""Fields that are set or found at the bench; a change of them buys nothing."""
DIODE_MARGIN = 2.0
"""A diode is rated twice its peak inverse voltage and its current (common practice, no source)."""
DIODES = (("1N4004", 400.0, 1.0), ("1N4007", 1000.0, 1.0), ("1N5408", 1000.0, 3.0))
"""Silicon rectifiers by peak inverse volts and mean amperes (maker's types, from memory)."""


@dataclass(frozen=True)
class Order:
    """One line of the list."""

    part: str
    what: str
    value: str
    tolerance: str
    rating: str
    margin: float | None = quantity(
        "×", "", "rating divided by the stress", default=None, label="safety margin", format=".1f"
    )
    reason: str = ""


@dataclass(frozen=True, eq=False, repr=False)
class OrderList(Printed):
    """What to buy for a change, and what `swap` warns of before anyone buys it."""

    amp: Amp
    orders: tuple[Order, ...]
    warnings: tuple[Finding, ...] = ()

    json_keys = ("amp=amp.title", "warnings", "orders")

    def headline(self) -> str:
        """Number of parts, and whether there are warnings to read first."""
        count = len(self.orders)
        text = f"{self.amp.title}: {count} {'part' if count == 1 else 'parts'} to buy."
        return f"{text} Read the {counted(len(self.warnings), 'warning')} first." if self.warnings else text

    def tables(self) -> list[Table]:
        """The warnings, then one row per part."""
        rows = [(WEIGHTS[f.weight], f.text, CAUSES[f.cause]) for f in self.warnings]
        columns = headed("", "finding", "compared with before")
        warned = Table("Before you order", columns, rows, note=SEE_SWAP)
        return [*([warned] if rows else []), self.to_buy()]

    def short(self) -> list[Table]:
        """The list, then warnings: those about the change first."""
        *warned, orders = self.tables()
        return [orders, *warned]

    def to_buy(self) -> Table:
        """One row per part."""
        margin = ("margin",) if any(one.margin is not None for one in self.orders) else ()
        return Table.of("Order list", self.orders, "part", "buy=what", "value", "tolerance", "rating",
                        *margin, "why=reason")  # fmt: skip


def order_list(
    amp: Amp,
    changes: Mapping[str, object] | None = None,
    *,
    mains_rms: float | None = None,
    swapped: SwapReport | None = None,
) -> OrderList:
    """List what to buy so that an amp becomes the changed one.

    Parameters
    ----------
    amp
        The amp as it stands, or a changed one (its own changes are then listed).
    changes
        Designator to new value or type, as for `swap`.
    mains_rms
        Line voltage to judge the change at [V RMS], as for `swap`.
    swapped
        The swap report of this very change, to save its solve.

    Returns
    -------
    OrderList
        Each part with the rating to order, and why.

    Raises
    ------
    ChangeError
        Nothing is changed, or a change that cannot be.
    SolveError
        The changed amp has no idle state.

    Examples
    --------
    >>> from tubekit.amp import load_amp
    >>> order = order_list(load_amp("teasel"), {"R14": "330"}).orders[0]
    >>> order.value, order.rating
    ('330 Ω', '5 W')
    """
    changed = amp.changed(changes or {}, mains_rms=mains_rms)
    keys = (key.partition(".") for key in changes or changed.changes)  # a part may be renewed as drawn
    names = dict.fromkeys(name for name, _, field in keys if field not in SET_NOT_BOUGHT)
    bought = [name for name in names if name in changed.parts and changed.parts[name].condition == "fitted"]
    if not bought:
        raise ChangeError("nothing to buy", where=amp.name, fix="Name a part and its new value, like R14=330")
    if swapped is None:
        before = analyze((amp if changes else amp.drawn).changed({}, mains_rms=changed.mains_rms))
        after = analyze(changed, near=before)
        verdict = SwapReport(before, after, limits(before), limits(after)).verdict
    else:
        after, verdict = swapped.after, swapped.verdict
    report = supply_report(after.amp, near=after)
    orders = tuple(o for name in bought for o in _order(report, changed.parts[name]))
    return OrderList(changed, orders, tuple(f for f in verdict if f.weight in ("stop", "exceeded")))


def _order(report: SupplyReport, part: drawn.Part) -> Iterator[Order]:
    match part:
        case drawn.Resistor():
            yield _resistor(report, part)
        case drawn.Capacitor():
            yield _capacitor(report, part)
        case drawn.Potentiometer():
            value = f"{mark(float(np.max(part.ohms)), 'ohm')}, {part.taper} taper"
            yield Order(part.designator, "potentiometer", value, "20 %", "0.5 W", None, part.role)
        case Tube():
            yield _tube(part)
        case drawn.Choke():
            amps = float(np.abs(report.report.solved.state.winding_mean(part.designator))[0])
            rated = max(CHOKE_MARGIN * amps, 0.0 if part.amps is None else float(np.max(part.amps)))
            rating = f"{show(rated, 'A')} DC, {show(float(np.max(part.ohms)), 'ohm')} or less"
            value = mark(float(np.max(part.henries)), "H")
            yield Order(
                part.designator, "choke", value, "10 %", rating, rated / max(amps, 1e-9),
                f"carries {show(amps, 'A')} at idle",
            )  # fmt: skip
        case drawn.Fuse():
            yield Order(
                part.designator, "fuse", mark(float(np.max(part.amps)), "A"), "", part.speed, None, part.role
            )
        case drawn.Diode():
            yield _diode(report, part)
        case _:
            words = text_at(report.amp.parts, part.designator)
            yield Order(part.designator, part.kind, words, "", "", None, part.role)


def _resistor(report: SupplyReport, part: drawn.Resistor) -> Order:
    volts = heat_of(report.report, part)[1]
    ohms = float(np.max(part.ohms))
    standard, note = _standard(ohms, "E24")
    heat = volts**2 / standard
    watts = watts_to_buy(part, heat, volts)
    kind = "wirewound resistor" if watts >= 3 else "metal film resistor"
    warm = f"dissipates {show(heat, 'W')}" if heat >= SMALL_W else "dissipates next to nothing"
    reason = f"{warm}, {show(volts, 'V')} across it at idle{note}"
    return Order(
        part.designator, kind, mark(standard, "ohm"), "5 %" if watts >= 3 else "1 %", f"{watts:g} W",
        watts / heat if heat >= SMALL_W else None, reason,
    )  # fmt: skip


def _standard(value: float, series: str) -> tuple[float, str]:
    """The value itself where it is in the series, else the nearest there with a note."""
    closest = float(nearest(value, series))
    if abs(closest / value - 1) < 1e-3:
        return closest, ""
    return closest, f"; nearest {series} value"


def _capacitor(report: SupplyReport, part: drawn.Capacitor) -> Order:
    rating, most, cold = volts_to_buy(report, part)
    farads, note = float(np.max(part.farads)), ""
    if part.style == "electrolytic":
        sold = min(ELECTROLYTICS, key=lambda c: abs(np.log(c / farads)))
        if abs(sold / farads - 1) > OFF:
            note = f"; nearest stock value to {mark(farads, 'F')}"
        farads = sold
    else:
        farads, note = _standard(farads, "E12")
    when = "with the tubes cold" if cold else "in use"
    kind = f"{'film' if part.style == 'paper' else part.style} capacitor"
    tolerance = "20 %" if part.style == "electrolytic" else "10 %"
    margin = rating / most if most > 1e-3 else None
    return Order(
        part.designator, kind, mark(farads, "F"), tolerance, f"{rating:g} V", margin,
        f"gets {show(most, 'V')} {when}{note}",
    )  # fmt: skip


def _diode(report: SupplyReport, part: drawn.Diode) -> Order:
    """The type decided on, held against what it meets."""
    name = str(part.type)
    meets = next((r for r in report.report.rectifiers if r.designator == part.designator), None)
    known = {type_: (volts, amps) for type_, volts, amps in DIODES}
    if meets is None or name not in known:
        return Order(part.designator, "diode", name, "", "", None, part.role)
    volts, amps = float(meets.inverse_v), float(meets.dc_a)
    rated, current = known[name]
    margin = min(rated / max(volts, 1e-3), current / max(amps, 1e-9))
    more = [n for n, (v, a) in known.items() if v >= DIODE_MARGIN * volts and a >= DIODE_MARGIN * amps]
    short = f"; not enough margin: use {more[0] if more else 'one with a higher rating'}"
    reason = f"gets {show(volts, 'V')} peak inverse and {show(amps, 'A')} average current"
    return Order(
        part.designator, "silicon diode", name, "", f"{rated:g} V, {current:g} A", margin,
        reason + (short if margin < DIODE_MARGIN else ""),
    )  # fmt: skip


def _tube(part: Tube) -> Order:
    type_ = part.types[0]
    known = catalogue.tube(type_)
    others = f"also sold as {', '.join(known.equivalents)}" if known.equivalents else ""
    pair = "order output tubes as a matched pair" if any(s.screen for s in part.sections) else ""
    reason = "; ".join(words for words in (known.title, others, pair) if words)
    return Order(part.designator, "tube", type_, "", known.base, None, reason)

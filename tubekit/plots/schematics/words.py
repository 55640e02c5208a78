"""What stands beside the symbols: values in IEC 60062 marking, volts at nodes, what was changed."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from tubekit.amp import Amp, AmpReport
from tubekit.amp.fields import fields_of
from tubekit.amp.parts import Part, ReverbTank
from tubekit.amp.readings import readable
from tubekit.plots.reading import of_member
from tubekit.plots.schematics.grid import LINE, OFF, WORDS, Box, Grid, Point, TextBlock, TextLine, width
from tubekit.plots.schematics.route import Wires, runs
from tubekit.plots.schematics.sections import GAP, Item
from tubekit.units import mark, show

LEAST_DC = 0.5e-3
"""What a bench meter shows as nil [V]; common practice, no source."""

SHORT_ROLE = 14
LEAST_AC = 0.5
"""Alternating volts below this are not printed at a node that carries no direct voltage [V]."""


@dataclass(frozen=True, eq=False)
class Reader:
    """An amp with what it was before, and the readings of both where they are known."""

    amp: Amp
    before: Amp | None = None
    report: AmpReport | None = None
    report_before: AmpReport | None = None
    member: int = 0
    with_ripple: bool = False
    _volts: dict[str, str] = field(default_factory=dict)

    # ---- parts

    def label(self, item: Item) -> tuple[TextLine, ...]:
        """Designator, value and, where it was changed, what it was."""
        if item.kind in ("cable", "plug out"):
            return tuple(TextLine(piece, "value") for piece in item.words.split(GAP))
        part = self.amp.parts[item.parts[0]]
        now, was = self._moved(item)
        own = self._value(part)
        if isinstance(part, ReverbTank):  # a coil's own ohms, not those of the other
            ohms = part.ohms if item.words == "in" else part.output_ohms
            own = [mark(self._one(ohms), "ohm"), *own[1:]]
        value = dict.fromkeys([*own, *now])
        ink = "changed" if was else "value"
        name = item.name.removesuffix(" heater")
        lines = [TextLine(name, "changed" if was else "part"), *(TextLine(one, ink) for one in value)]
        return (*lines, *(TextLine(f"was {one}", "changed") for one in was))

    def was(self, item: Item) -> tuple[str, ...]:
        """The values that were changed, as they were."""
        return self._moved(item)[1]

    def _moved(self, item: Item) -> tuple[list[str], tuple[str, ...]]:
        """What to say of a change beside the value: how it is now where the value does not tell, and was."""
        if self.before is None or item.kind in ("cable", "plug out"):
            return [], ()
        name = item.parts[0]
        old, new = self.before.parts.get(name), self.amp.parts[name]
        if old is None:
            return [], ("not installed",)
        if old is new:
            return [], ()
        before, after = self._value(old), self._value(new)
        differ = tuple(b for b, a in zip(before, after, strict=False) if b != a)
        if differ:
            return [], differ
        if getattr(old, "condition", "") != getattr(new, "condition", ""):
            return [], (getattr(old, "condition", ""),)
        return self._other_fields(old, new)

    @staticmethod
    def _other_fields(old: Part, new: Part) -> tuple[list[str], tuple[str, ...]]:
        """The first field that differs, as it is and as it was."""
        for spec in fields_of(type(new)):
            one, two = getattr(old, spec.name, None), getattr(new, spec.name)
            if one is not None and two is not None and not spec.main and not _same(one, two):
                was, now = (_percent(spec.key, each) or spec.form.show(each) for each in (one, two))
                return [f"{spec.key} {now}"], (was,)
        return [], ()

    @cached_property
    def taken_out(self) -> tuple[str, ...]:
        """Parts that were there before and are no more, with their values."""
        if self.before is None:
            return ()
        gone = [part for name, part in self.before.parts.items() if name not in self.amp.parts]
        return tuple(" ".join([part.designator, *self._value(part)[:1]]) for part in gone)

    def _value(self, part: Part) -> list[str]:
        """Value as marked on the part, then a word on its state."""
        words = part.marking(self._one)
        if not part.is_control:
            return words
        role = part.role.split(",")[0]
        return [f"{words[0]} {100 * self._one(getattr(part, 'position')):.0f} %", *_short(role)]  # noqa: B009

    def _one(self, value: Any) -> float:
        return of_member(value, self.member)

    def mains(self) -> tuple[TextLine, ...]:
        """Volts and frequency of the line, and the volts before where they were others."""
        now = self._one(self.amp.mains_rms)
        lines = [TextLine(f"{now:g} V AC", "value"), TextLine(f"{self.amp.mains_hz:g} Hz", "value")]
        if self.before is not None and (was := self._one(self.before.mains_rms)) != now:
            lines = [TextLine(lines[0].text, "changed"), lines[1], TextLine(f"was {was:g} V", "changed")]
        return tuple(lines)

    # ---- nodes

    def volts(self, node: str) -> str:
        """DC volts at a node, '' where they are not known; alternating volts where it carries no other."""
        if node in self.amp.line_side.nodes:
            return ""
        if node not in self._volts:
            self._volts[node] = self._voltage_text(node)
        return self._volts[node]

    def _voltage_text(self, node: str) -> str:
        now = self._reading(self.report, node)
        was = self._reading(self.report_before, node)
        return _from_to(was, now)

    def _reading(self, report: AmpReport | None, node: str) -> str:
        result = None if report is None else self._nodes(report).get(node)
        if result is None:
            return ""
        direct, alternating = (self._one(readable(v)) for v in (result.dc_v, result.ac_rms_v))
        if not np.isfinite(direct):
            return ""
        if alternating > max(LEAST_AC, abs(direct)):
            return f"{show(alternating, 'V')} AC"
        return show(direct if abs(direct) >= LEAST_DC else 0.0, "V").replace("-", "−")

    def _nodes(self, report: AmpReport) -> dict[str, Any]:
        key = "after" if report is self.report else "before"
        return self._tables.setdefault(key, {reading.node: reading for reading in report.nodes})

    @cached_property
    def _tables(self) -> dict[str, dict[str, Any]]:
        return {}

    def ripple(self, node: str) -> str:
        """Ripple of a rail, '' where the node is none or nothing is known."""
        now, was = (self._ripple(report, node) for report in (self.report, self.report_before))
        return f"{_from_to(was, now)} p-p" if now else ""

    def _ripple(self, report: AmpReport | None, node: str) -> str:
        rails = () if report is None else report.rails
        rail = next((one for one in rails if one.node == node), None)
        return "" if rail is None else show(self._one(rail.ripple_pp_v), "V")

    def room(self, node: str) -> int:
        """Length of wire over which the name and the volts of a node can stand, one below the other."""
        return math.ceil(max(width(line.text, line.ink) for line in self.node(node)) + 0.7)

    def node(self, node: str) -> tuple[TextLine, ...]:
        """A node's name with its volts below, and its ripple where that is wanted."""
        lines = [self.volts(node), self.ripple(node) if self.with_ripple else ""]
        return (TextLine(node, "node"), *(TextLine(words, "volts") for words in lines if words))


def _from_to(was: str, now: str) -> str:
    """'18.5 → 22.8 V': the unit once, where it is the same."""
    if not was or not now or was == now:
        return now
    (old, _, one), (_, _, other) = was.partition(" "), now.partition(" ")
    return f"{old if one == other else was} → {now}"


def _short(role: str) -> list[str]:
    return [role] if 0 < len(role) <= SHORT_ROLE else []


def _percent(key: str, value: Any) -> str:
    """Emission and position are told in percent."""
    return f"{100 * float(value):.0f} %" if key in ("emission", "position") and np.ndim(value) == 0 else ""


def _same(one: Any, two: Any) -> bool:
    try:
        return bool(np.all(np.asarray(one) == np.asarray(two)))
    except (TypeError, ValueError):
        return bool(one == two)


NEAR = 0.05


@dataclass
class Labels:
    """Words placed at nodes, and the nodes for which no place was found."""

    words: list[TextBlock] = field(default_factory=list)
    missed: list[str] = field(default_factory=list)


def label_nodes(board: Grid, wires: Wires, nodes: list[str], reader: Reader) -> Labels:
    """Place name and volts of each node, those with the fewest places first."""
    labels = Labels()
    lanes = [_lane(run) for node in nodes for run in runs(wires.of(node))]
    taken = [*board.boxes, *lanes]
    done = {one.name for one in board.laid if one.shape.symbol == WORDS}
    waiting = [node for node in nodes if f"{WORDS} {node}" not in done]
    for node in sorted(waiting, key=lambda one: len(wires.of(one))):
        spot = _best(board, wires, node, reader, taken)
        if spot is None:
            labels.missed.append(node)
            continue
        labels.words += spot
        taken += [words.box for words in spot]
    return labels


def _lane(run: tuple[Point, Point]) -> Box:
    (x0, y0), (x1, y1) = run
    return Box(min(x0, x1) - NEAR, min(y0, y1) - NEAR, max(x0, x1) + NEAR, max(y0, y1) + NEAR)


def _wider(box: Box) -> Box:
    return Box(box.left - 0.25, box.bottom, box.right + 0.25, box.top)


def _best(board: Grid, wires: Wires, node: str, reader: Reader, taken: list[Box]) -> list[TextBlock] | None:
    lines = reader.node(node)
    best: tuple[float, list[TextBlock]] | None = None
    for price, words in _places(board, wires, node, lines):
        if best is not None and price >= best[0]:
            continue
        boxes = [_wider(one.box) for one in words]
        if not any(box.hits(other, 0.1) for box in boxes for other in taken):
            best = (price, words)
    return None if best is None else best[1]


def _places(
    board: Grid, wires: Wires, node: str, lines: tuple[TextLine, ...]
) -> Iterator[tuple[float, list[TextBlock]]]:
    """(price, words): over a level wire in one line at best, then under it, then beside an upright one."""
    pins = [pin.at for pin in board.pins_of(node)]
    tall = OFF + 0.5 * LINE * len(lines)
    result = runs(wires.of(node)) or [(at, at) for at in pins]
    for (x0, y0), (x1, y1) in result:
        long = abs(x1 - x0) + abs(y1 - y0)
        if y0 == y1:
            for half in range(2 * (x1 - x0) + 1):
                x = x0 + half / 2
                for ha in ("left", "right", "center"):
                    yield 2.0 - 0.1 * min(long, 8) + (ha != "left") * 0.2, _in_line(lines, x, y0 + 0.62, ha)
                    yield 3.0 - 0.1 * min(long, 8), _in_line(lines, x, y0 - 0.62, ha)
                    yield 3.6, _stacked(lines, x, y0 + tall, ha)
                    yield 4.0, _stacked(lines, x, y0 - tall, ha)
        if x0 == x1:
            for half in range(2 * (y1 - y0) + 1):
                y = y0 + half / 2
                yield 3.2, _in_line(lines, x0 + 0.5, y, "left")
                yield 3.4, _stacked(lines, x0 + 0.5, y, "left")
                yield 3.8, _in_line(lines, x0 - 0.5, y, "right")
                yield 3.9, _stacked(lines, x0 - 0.5, y, "right")


def _stacked(lines: tuple[TextLine, ...], x: float, y: float, ha: str) -> list[TextBlock]:
    return [TextBlock(lines, x, y, ha)]


def _in_line(lines: tuple[TextLine, ...], x: float, y: float, ha: str) -> list[TextBlock]:
    """Name and volts side by side."""
    wide = [width(line.text, line.ink) for line in lines]
    gap = 0.35
    total = sum(wide) + gap * (len(lines) - 1)
    left = {"left": x + 0.1, "center": x - total / 2, "right": x - total - 0.1}[ha]
    blocks = []
    for line, each in zip(lines, wide, strict=True):
        blocks.append(TextBlock((line,), left, y))
        left += each + gap
    return blocks

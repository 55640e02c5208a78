"""The chassis as found against the drawing: what does not belong, is missing, differs, or sits elsewhere."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from tubekit.amp import Amp, AmpReport, analyze, load_amp, parts as drawn
from tubekit.amp.fields import fields_of
from tubekit.decisions.effects import WiringEffect, wiring_effects
from tubekit.errors import TubekitError
from tubekit.text import Printed, Table

TOLD = 4
SAME = 1e-6
ALONE = "Fixing this alone: "
NOTHING = "Fixing this alone changes voltages and currents by less than 1 %, hum and level by less than 1 dB."


@dataclass(frozen=True)
class Difference:
    """One difference and what putting it right moves; `kind` is 'does not belong', 'missing', 'differs' or
    'sits elsewhere'.
    """

    part: str
    kind: str
    text: str
    moved: tuple[WiringEffect, ...] = ()
    unsolved: str = ""

    def sentence(self) -> str:
        """Words for the difference and for the effect of fixing it."""
        return f"{self.text}. {self.effect}"

    @property
    def changes(self) -> str:
        """The same without the words that head the column."""
        return self.effect.removeprefix(ALONE)

    @property
    def effect(self) -> str:
        """Effect of fixing only this."""
        if self.unsolved:
            return f"With only this fixed, the amp cannot be calculated: {self.unsolved}"
        text = "; ".join(one.sentence() for one in self.moved)
        return f"{ALONE}{text}." if text else NOTHING


@dataclass(frozen=True, eq=False, repr=False)
class ChassisDiff(Printed):
    """Every difference between an amp as found and as drawn."""

    amp: Amp
    drawing: Amp
    differences: tuple[Difference, ...]

    json_keys = ("amp=amp.title", "drawing=drawing.title", "differences")

    def headline(self) -> str:
        """Number of differences."""
        count = len(self.differences)
        if not count:
            return f"{self.amp.title}: same as the schematic."
        return (
            f"{self.amp.title}: {count} {'difference' if count == 1 else 'differences'} from the schematic."
        )

    def tables(self) -> list[Table]:
        """One row per difference."""
        return [
            Table.of("Chassis versus schematic", self.differences, "part", "finding=kind", "as found=text",
                     "effect of fixing only this=changes"),
        ]  # fmt: skip


def chassis_diff(amp: Amp, drawing: Amp | str) -> ChassisDiff:
    r"""List what differs between an amp as found and its drawing, each solved with and without.

    Parameters
    ----------
    amp
        The amp as found, from a file that extends the drawing.
    drawing
        The drawing, or the name or path it loads by.

    Returns
    -------
    ChassisDiff
        Every difference, and what it changes.

    Raises
    ------
    InputError
        A batch.
    SolveError
        The amp as found has no idle state.

    Examples
    --------
    >>> from tubekit.amp import amp_from_text
    >>> result = amp_from_text('[amp]\nextends = "teasel"\n[R14]\nvalue = "220"\n', "found")
    >>> chassis_diff(result, "teasel").differences[0].text
    'R14 value is 220 Ω; the schematic shows 270 Ω'
    """
    paper = load_amp(drawing) if isinstance(drawing, str) else drawing
    amp.refuse_batch()
    paper.refuse_batch()
    paper = paper.changed({}, mains_rms=float(amp.mains_rms))
    now = analyze(amp)
    differences = [_solved(amp, now, difference, parts) for difference, parts in _differences(amp, paper)]
    return ChassisDiff(amp, paper, tuple(differences))


def _differences(amp: Amp, paper: Amp) -> Iterator[tuple[Difference, Mapping[str, drawn.Part]]]:
    """Each difference, with the parts of the found amp once it alone is put right."""
    for name in dict.fromkeys((*amp.parts, *paper.parts)):
        here, there = amp.parts.get(name), paper.parts.get(name)
        if there is None and here is not None:
            text = f"{here} is not on the schematic"
            yield Difference(name, "not on the schematic", text), _without(amp, here, paper)
        elif here is None and there is not None:
            yield Difference(name, "missing", f"{there} is missing"), _with(amp, there, paper)
        elif here is not None and there is not None:
            yield from _within(amp, here, there, paper)


def _without(amp: Amp, extra: drawn.Part, paper: Amp) -> Mapping[str, drawn.Part]:
    """The found parts less one that does not belong: taken out, or bridged where it is in series.

    A part in series brings a node of its own, which the drawing does not have; taken out, it would open the
    circuit that goes through it.
    """
    own = set(extra.nodes) - set(paper.nodes)
    if own and isinstance(extra, drawn.TwoTerminal):
        return {**amp.parts, extra.designator: dataclasses.replace(extra, condition="short")}
    return {name: part for name, part in amp.parts.items() if name != extra.designator}


def _with(amp: Amp, right: drawn.Part, paper: Amp) -> Mapping[str, drawn.Part]:
    """The found parts with one as drawn; a node that only the drawing has comes with all that it joins."""
    own = set(right.nodes) - set(amp.nodes)
    back = {name: part for name, part in paper.parts.items() if own & set(part.nodes)}
    return {**amp.parts, **back, right.designator: right}


def _within(
    amp: Amp, here: drawn.Part, there: drawn.Part, paper: Amp
) -> Iterator[tuple[Difference, Mapping[str, drawn.Part]]]:
    name = here.designator
    right = _with(amp, there, paper)
    if type(here) is not type(there):
        yield (
            Difference(name, "differs", f"{name} is a {here.kind}; the schematic shows a {there.kind}"),
            right,
        )
        return
    moved = sorted(set(here.terminals) ^ set(there.terminals))
    values = list(_changed_values(here, there))
    if moved:
        before, after = dict(there.terminals), dict(here.terminals)
        lines = [f"{t} on {after.get(t, 'nothing')}; the schematic shows {before.get(t, 'nothing')}"
                for t in dict.fromkeys(t for t, _ in moved)]  # fmt: skip
        yield Difference(name, "connected elsewhere", f"{name}: {'; '.join(lines)}"), right
    elif values:
        yield Difference(name, "differs", f"{name} {'; '.join(values)}"), right


def _changed_values(here: Any, there: Any) -> Iterator[str]:
    for spec in fields_of(type(here)):
        if spec.name in ("role", "note"):
            continue
        now, then = getattr(here, spec.name), getattr(there, spec.name)
        if not _same(now, then):
            yield f"{spec.key} is {_shown(spec.form, now)}; the schematic shows {_shown(spec.form, then)}"
    for one, two in zip(getattr(here, "windings", ()), getattr(there, "windings", ()), strict=False):
        for text in _changed_values(one, two):
            yield f"{one.name} {text}"


def _same(one: Any, two: Any) -> bool:
    if one is None or two is None:
        return one is two
    try:
        return bool(np.all(np.isclose(np.asarray(one, float), np.asarray(two, float), rtol=SAME)))
    except (TypeError, ValueError):
        return bool(one == two)


def _shown(form: Any, value: Any) -> str:
    return "not stated" if value is None else str(form.show(value))


def _solved(amp: Amp, now: AmpReport, difference: Difference, parts: Mapping[str, drawn.Part]) -> Difference:
    try:
        right = analyze(dataclasses.replace(amp, parts=parts))
    except TubekitError as error:
        return dataclasses.replace(difference, unsolved=str(error))
    return dataclasses.replace(difference, moved=wiring_effects(now, right, TOLD))

"""Which controls a part gets, and what its tube types are called in them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from tubekit.amp import Amp
from tubekit.amp.change import text_at
from tubekit.amp.fields import Choice, FieldSpec, Listed, NodeName, Quantity, Words, YesNo, fields_of
from tubekit.amp.parts import Part, Transformer, Tube
from tubekit.amp.parts.diodes import TypeName
from tubekit.amp.parts.tubes import facts
from tubekit.decisions.socket_check import socket_findings
from tubekit.devices import catalogue
from tubekit.errors import TubekitError
from tubekit.panels.controls import ChoiceControl, Control, LevelControl, Tell, WordsControl
from tubekit.panels.value_control import ValueControl

OUT = ("removed", "removed")
LEVELS = {"emission": (0.2, 1.2), "aging": (1.0, 5.0)}
"""Ends of sliders that are not those a file may state."""


def part_label(amp: Amp, part: Part) -> str:
    """Designator, what stands there and its role, as a line of a list.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> amp = load_amp("teasel")
    >>> part_label(amp, amp.parts["R14"])
    'R14  270 Ω  common cathode resistor of the output pair'
    """
    stands = text_at(amp.parts, part.designator)
    words = part.role or part.kind
    return "  ".join(word for word in (part.designator, "" if stands == "fitted" else stands, words) if word)


def controls_for(amp: Amp, part: Part, on_change: Tell) -> tuple[Control, ...]:
    """Controls for everything about `part` that a bench changes, the most usual first."""
    specs = {one.name: one for one in fields_of(type(part))}
    found = [_control(part, specs[name], on_change) for name in part.controls]
    return tuple(found or _in_words(amp, part, on_change))


def _control(part: Part, spec: FieldSpec, tell: Tell) -> Control:
    """The control of one field: by its form."""
    key = part.designator if spec.main else f"{part.designator}.{spec.key}"
    match spec.form:
        case Quantity(unit="", low=low, high=high):
            low, high = LEVELS.get(spec.name, (low, high))
            return LevelControl(key, spec.key, spec.name, low, high, 0.01, tell)
        case Quantity(unit=unit):
            drawn = float(getattr(part, spec.name))
            return ValueControl(key, unit, drawn, spec.name, tell, has_states=not part.is_control)
        case YesNo(words=(yes, no)):
            return ChoiceControl(key, "is", ((yes, True), (no, False)), spec.name, tell)
        case Choice(options=options):
            return ChoiceControl(key, spec.key, _same(options), spec.name, tell)
    assert isinstance(spec.form, TypeName)
    names = dict.fromkeys((getattr(part, spec.name), *spec.form.names()))
    types = tube_options(part) if isinstance(part, Tube) else list(_same(names))
    return ChoiceControl(key, spec.key, [*types, OUT], spec.name, tell)


def _in_words(amp: Amp, part: Part, on_change: Tell) -> Iterator[Control]:
    fields = tuple(changeable(part))
    if fields:
        yield WordsControl(part.designator, fields, amp, on_change)


def changeable(part: Part) -> Iterator[tuple[str, str]]:
    """(words, key) of every field of a part that holds a value: not its nodes, role or note.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> dict(changeable(load_amp("teasel").parts["LS1"]))["resistance"]
    'LS1.resistance'
    """
    yield from _fields(part, part.designator, "")
    for winding in part.windings if isinstance(part, Transformer) else ():
        yield from _fields(
            winding, f"{part.designator}.{winding.name}", f"{winding.name.replace('_', ' ')}: "
        )


def _fields(record: Any, path: str, before: str) -> Iterator[tuple[str, str]]:
    for spec in fields_of(type(record)):
        inner = spec.form.entry if isinstance(spec.form, Listed) else spec.form
        empty = getattr(record, spec.name) in (None, ())
        if not (isinstance(inner, (NodeName, Words)) or empty or spec.name == "condition"):
            yield before + spec.key, path if spec.main and not before else f"{path}.{spec.key}"


def tube_options(part: Tube) -> list[tuple[str, str]]:
    """(words, type) of every type of the same kind, those that fit first; what hinders is said in words."""
    drawn = part.type if isinstance(part.type, str) else part.type[0]
    own = facts(drawn)
    options = []
    for each in dict.fromkeys((drawn, *catalogue.tube_types())):
        try:
            other = facts(each)
        except TubekitError:  # a damaged record keeps only itself out
            continue
        if (other.family, other.sections) == (own.family, own.sections) and other.base != "wire ended":
            words = " · ".join(hindrances(drawn, each))
            options.append((f"{each}  ({words})" if words else each, each))
    return sorted(options, key=lambda option: (option[1] != drawn, option[0] != option[1]))


def hindrances(drawn: str, other: str) -> tuple[str, ...]:
    """Why a type does not simply go into the socket of another, each in a few words.

    Examples
    --------
    >>> hindrances("5Y3GT", "5U4GB"), hindrances("5Y3GT", "5Y3GT")
    (('heater draws 3 A',), ())
    """
    old, new = catalogue.tube(drawn), catalogue.tube(other)
    short = {
        "base": f"does not fit: {new.base} base", "pins": "does not fit: different pinout",
        "suppressor": "needs one more pin", "heater_v": f"does not fit: {new.heater_volts or 0.0:g} V heater",
        "heater_a": f"heater draws {new.heater_amps or 0.0:g} A",
    }  # fmt: skip
    more = (new.heater_amps or 0.0) > (old.heater_amps or 0.0)
    found = [f.code for f in socket_findings("", old, new) if f.code != "heater_a" or more]
    return tuple(short[code] for code in found if code in short)


def _same(words: Any) -> Sequence[tuple[str, str]]:
    return tuple((word, word) for word in words)

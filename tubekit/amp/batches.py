"""Sequences in a change make a batch: reading them, counting them, taking one member out again.

Swaps calculated on the parts: a value, a type, a setting, a part gone open, short or taken out.

Nothing is changed in place; what was changed is remembered against the drawn amp.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import numpy as np

from tubekit.amp import wiring
from tubekit.amp.fields import FieldSpec, Form, Listed, NodeName, Quantity, as_text, fields_of, is_sequence
from tubekit.amp.findings import Findings
from tubekit.amp.parts import MainsPlug, Part, RectifierTube, Switch, Transformer, Tube, TwoTerminal, Winding
from tubekit.amp.parts.part import REVERSED
from tubekit.amp.parts.tube_facts import facts
from tubekit.amp.parts.tubes import Section
from tubekit.errors import ChangeError, InputError, near_matches
from tubekit.text import frozen_array

Record = TypeVar("Record")


def read_batched(form: Form, raw: object) -> tuple[Any, int | None]:
    """The value, and how many members it has (None for a single value).

    A list of sections or nodes is one value; the entries of a list of sections may be sequences.

    Raises
    ------
    InputError : without a place.
    """
    if isinstance(raw, np.ndarray) and raw.ndim == 0:
        raw = raw.item()
    if isinstance(form, Listed):
        return _read_listed(form, raw)
    if not is_sequence(raw):
        return form.read(raw), None
    entries: Sequence[Any] = list(raw)  # type: ignore[call-overload]
    if not form.batch:
        raise InputError(
            f"is {as_text(raw)}, but takes only one value", fix="Make one changed amp for each of them"
        )
    if not entries:
        raise InputError("is an empty list", fix="Write one value, or several")
    values = [form.read(one) for one in entries]
    return (frozen_array(values) if isinstance(form, Quantity) else tuple(values)), len(values)


def _read_listed(form: Listed, raw: object) -> tuple[Any, int | None]:
    if not isinstance(form.entry, Quantity):
        return form.read(raw), None
    entries = list(raw) if is_sequence(raw) else [raw]  # type: ignore[call-overload]
    form.read([max(1.0, form.entry.low)] * len(entries))  # how many there may be
    read = [read_batched(form.entry, one) for one in entries]
    counts = {count for _, count in read if count is not None}
    if len(counts) > 1:
        raise InputError("has lists of different lengths", fix="Give every section the same number of values")
    return tuple(value for value, _ in read), next(iter(counts), None)


def member(record: Record, index: int) -> Record:
    """`record` (a part, a winding) with every batched value replaced by that of one member."""
    return dataclasses.replace(
        record,  # type: ignore[type-var]
        **{one.name: _member(getattr(record, one.name), one, index) for one in dataclasses.fields(record)},  # type: ignore[arg-type]
    )


def _member(value: Any, field: dataclasses.Field[Any], index: int) -> Any:
    form = field.metadata.get("form")
    if isinstance(value, np.ndarray):
        return float(value[index])
    if form is None and isinstance(value, tuple):  # windings or sections
        return tuple(member(one, index) for one in value)
    if isinstance(form, Listed) and isinstance(form.entry, Quantity):
        return tuple(float(one[index]) if isinstance(one, np.ndarray) else one for one in value)
    if form is not None and form.batch and isinstance(value, tuple):  # tube types
        return value[index]
    return value


FITTED = "fitted"
FAULTS = ("open", "short")
REMOVED = "removed"
SPELLED = {"shorted": "short", "pulled": REMOVED}
"""Other words that are understood."""
Texts = tuple[str, str]


@dataclass(frozen=True, eq=False)
class Outcome:
    """Parts after the changes, the (before, after) texts of each, and the length of the batch."""

    parts: dict[str, Part]
    records: dict[str, Texts]
    batch: int | None


@dataclass(frozen=True, eq=False)
class ChangeStep:
    """One change on its way: what was asked, where, and of which amp."""

    where: str
    key: str
    raw: object
    kind: str = ""

    def error(self, problem: str, fix: str, near: Iterable[str] = (), code: str = "") -> ChangeError:
        """The refusal of this change."""
        return ChangeError(problem, where=self.where, part=self.key, fix=fix, near=near, code=code)


def change_parts(
    parts: Mapping[str, Part], changes: Mapping[str, object], where: str, batch: int | None
) -> Outcome:
    """The parts of an amp after `changes`; `where` names the amp in messages.

    Raises
    ------
    ChangeError : no such part or field, a value of the wrong kind or out of range, unequal sequences.
    """
    if not isinstance(changes, Mapping):
        raise ChangeError(
            f"changes are {as_text(changes)}", where=where, fix='Write them as {"R14": "330", "V5": "5AR4"}'
        )
    outcome = Outcome(dict(parts), {}, batch)
    for key, raw in changes.items():
        outcome = _one(outcome, ChangeStep(where, str(key)[:80], raw))
    return outcome


def agreed(batch: int | None, count: int | None, step: ChangeStep) -> int | None:
    """The length of the batch with one more sequence in it."""
    if count is None or batch is None or count == batch:
        return batch if count is None else count
    raise step.error(
        f"one change has {count} values and another has {batch}",
        "Give every change the same number of values, or only one",
    )


def _one(so_far: Outcome, step: ChangeStep) -> Outcome:
    designator, _, path = step.key.strip().partition(".")
    part = so_far.parts.get(designator)
    if part is None:
        raise step.error(
            f"there is no part '{designator}' in this amp",
            "Type the part as the schematic labels it (R14, C3); only parts on the schematic can be changed",
            near_matches(designator, so_far.parts),
            "unknown_part",
        )
    if not path and isinstance(step.raw, str) and SPELLED.get(step.raw.strip(), step.raw.strip()) == REMOVED:
        return _removed(so_far, part, step)
    step = replace(step, kind=part.kind)
    before = _shown(part, path)
    word = step.raw.strip() if isinstance(step.raw, str) else ""
    faulty = None if path else _with_fault(part, step, SPELLED.get(word, word))
    after, count = _changed(part, path, step, so_far.parts) if faulty is None else (faulty, None)
    _still_whole(after, step)
    now = _shown(after, path) if faulty is None or word == FITTED else SPELLED.get(word, word)
    records = so_far.records | {_record_key(part, path): (before, now)}
    return Outcome(so_far.parts | {designator: after}, records, agreed(so_far.batch, count, step))


def _removed(so_far: Outcome, part: Part, step: ChangeStep) -> Outcome:
    if isinstance(part, MainsPlug):
        raise step.error(
            "the amp needs its line cord", "To change the line voltage, set mains_rms (--line 120)"
        )
    left = {name: one for name, one in so_far.parts.items() if one is not part}
    records = so_far.records | {part.designator: (_shown(part, ""), REMOVED)}
    for name, coil in left.items():  # a speaker takes its field coil along
        if getattr(coil, "field_of", "") == part.designator:
            records = records | {name: (_shown(coil, ""), FAULTS[0])}
            left = left | {name: replace(coil, condition=FAULTS[0])}
    return Outcome(left, records, so_far.batch)


def _with_fault(part: Part, step: ChangeStep, word: str) -> Part | None:
    """The part with the fault that a change names; None for a value. A switch's 'open' is its position."""
    if word not in (*FAULTS, FITTED, REVERSED) or (isinstance(part, Switch) and word == "open"):
        return None
    after = part.with_condition(word)
    if after is None and word == REVERSED:
        raise step.error(
            f"a {step.kind} cannot be reversed",
            "An electrolytic or a diode can; a resistor or a film capacitor works either way",
        )
    if after is None:
        raise step.error(
            f"a {step.kind} that is {word} cannot be calculated as a change",
            "The command suspects does: it tries every fault of every part against your readings",
        )
    return after


def _changed(part: Part, path: str, step: ChangeStep, parts: Mapping[str, Part]) -> tuple[Part, int | None]:
    """The part with one field changed, wherever the path leads."""
    head, _, rest = path.partition(".")
    names: list[str] = []
    if isinstance(part, Transformer):
        names = [one.name for one in part.windings]
        if head in names:
            place = names.index(head)
            winding, count = _set(part.windings[place], rest, step, parts)
            _sections_kept(winding, rest, step)
            return replace(part, windings=_put(part.windings, place, winding)), count
    elif isinstance(part, Tube):
        names = [one.key for one in part.sections if one.key]
        single = not names and head in {spec.key for spec in fields_of(Section)}
        if part.sections and (head in names or single):
            place = 0 if single else names.index(head)
            section, count = _set(part.sections[place], head if single else rest, step, parts)
            return replace(part, sections=_put(part.sections, place, section)), count
    new, count = _set(part, path, step, parts, names)
    if isinstance(new, TwoTerminal) and not path:
        new = replace(new, condition=FITTED)  # a fresh part was fitted
    return (new if path else new.follows(part)), count


def _sections_kept(winding: Winding, path: str, step: ChangeStep) -> None:
    """A list in a winding has one entry for each section between two nodes."""
    names = {"volts": winding.volts, "turns": winding.turns, "resistance": winding.ohms}
    count, given = len(winding.sections), len(names.get(path, winding.sections))
    if given != count:
        fix = f"Write {count} values, one for each section, like {step.key}={','.join(['1'] * count)}"
        raise step.error(f"{winding.name} needs {count} values (one per section); you gave {given}", fix)


def _put(records: tuple[Any, ...], place: int, new: Any) -> tuple[Any, ...]:
    return (*records[:place], new, *records[place + 1 :])


def _inner_name(one: Winding | Section) -> str:
    return one.key if isinstance(one, Section) else one.name


def _set(
    record: Any, path: str, step: ChangeStep, parts: Mapping[str, Part], inner: list[str] | None = None
) -> tuple[Any, int | None]:
    spec = _spec(record, path, step, inner or [])
    _no_faults_within(step)
    try:
        value, count = read_batched(spec.form, step.raw)
    except InputError as error:
        raise step.error(
            f"{spec.key} {error.problem}",
            f"{step.key.split('.')[0]} is a {step.kind}. {error.fix}",
            error.near,
            error.code,
        ) from error
    _nodes_known(spec, value, step, parts)
    if isinstance(record, Tube) and spec.name == "type":
        _same_kind(record, value, step)
    return replace(record, **{spec.name: value}), count


def _spec(record: Any, path: str, step: ChangeStep, inner: list[str]) -> FieldSpec:
    specs = list(fields_of(type(record)))
    result = [one for one in specs if (path in {one.key, one.name} if path else one.main)]
    if result:
        return result[0]
    keys = [one.key for one in specs] + inner
    before = step.key.removesuffix(path).rstrip(".")
    none = "has no value of its own that a swap could change"
    problem = f"there is no '{path}' to change" if path else none
    fix = f"Write one of: {', '.join(f'{before}.{one}' for one in keys)}"
    raise step.error(problem, fix, [f"{before}.{one}" for one in near_matches(path, keys)])


def _no_faults_within(step: ChangeStep) -> None:
    if not is_sequence(step.raw):
        return
    words = {one for one in step.raw if isinstance(one, str)}  # type: ignore[attr-defined]
    if words & {*FAULTS, REMOVED}:
        problem = f"'{min(words & {*FAULTS, REMOVED})}' cannot be one of several values"
        raise step.error(problem, "Make one changed amp for the fault, and another for the values")


def _nodes_known(spec: FieldSpec, value: Any, step: ChangeStep, parts: Mapping[str, Part]) -> None:
    if isinstance(spec.form, NodeName):
        nodes = (value,)
    elif isinstance(spec.form, Listed) and isinstance(spec.form.entry, NodeName):
        nodes = value
    else:
        return
    known = {node for part in parts.values() for node in part.nodes}
    for node in nodes:
        if node not in known:
            fix = "Write one that is on the schematic. For new wiring, make an amp file that extends this one"
            raise step.error(f"nothing in this amp connects to '{node}'", fix, near_matches(node, known))


def _same_kind(tube: Tube, types: str | tuple[str, ...], step: ChangeStep) -> None:
    """Another base is left to the verdict; another kind of tube cannot be calculated at all."""
    for one in (types,) if isinstance(types, str) else types:
        new = facts(one)
        drawn = facts(tube.type if isinstance(tube.type, str) else tube.type[0])
        need = len(tube.plates) if isinstance(tube, RectifierTube) else len(tube.sections)
        if new.family != tube.family or new.sections < need:
            raise step.error(
                f"{one} is {new.words}, but the socket is wired for {drawn.words} ({drawn.type})",
                "Choose a tube of the same kind. For another kind, make an amp file that extends this one",
            )
        if new.heater_volts and not tube.heater:
            fix = "Wire the heater in an amp file that extends this one"
            raise step.error(f"{one} has a heater, but this socket has no heater connections", fix)


def _still_whole(part: Part, step: ChangeStep) -> None:
    findings = Findings(step.where, {})
    wiring.joins_itself(part, findings)
    wiring.plausible(part, findings)
    if findings.problems:
        raise step.error(findings.problems[0].problem, findings.problems[0].fix)


def _record_key(part: Part, path: str) -> str:
    main = next((one.key for one in fields_of(type(part)) if one.main), "")
    return part.designator if path in {"", main} else f"{part.designator}.{path}"


def text_at(parts: Mapping[str, Part], key: str) -> str:
    """Value at the key of a change, as text."""
    designator, _, path = key.partition(".")
    return _shown(parts[designator], path) if designator in parts else REMOVED


def _shown(part: Part, path: str) -> str:
    """A field of a part as text, for the record of changes."""
    if not path and part.condition != FITTED:
        return part.condition
    head, _, rest = path.partition(".")
    record: Any = part
    for one in getattr(part, "windings", ()) + getattr(part, "sections", ()):
        if _inner_name(one) == head and head:
            record, path = one, rest
        elif isinstance(one, Section) and not one.key and head in {s.key for s in fields_of(Section)}:
            record = one
    for spec in fields_of(type(record)):
        if path in {spec.key, spec.name} if path else spec.main:
            value = getattr(record, spec.name)
            return "not stated" if value is None else spec.form.show(value)
    return FITTED


def mains_value(mains_rms: object, form: Any, where: str) -> tuple[float | np.ndarray[Any, Any], int | None]:
    """Mains volts as given to `Amp.changed` [V RMS], with the length of its batch.

    Raises
    ------
    ChangeError : zero, negative, not a number, or beyond any mains.
    """
    step = ChangeStep(where, "mains_rms", mains_rms)
    try:
        value, count = read_batched(form, mains_rms)
    except InputError as error:
        fix = "Enter an RMS line voltage between 1 and 600 V, like 117 or '123 V'"
        raise step.error(error.problem, fix) from error
    return value, count

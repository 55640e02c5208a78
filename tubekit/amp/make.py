"""From tables to parts: every field read, every slip kept, none of them stopping the rest."""

from __future__ import annotations

import re
from collections.abc import Mapping
from contextlib import suppress
from typing import Any

from tubekit.amp.fields import as_text, fields_of, written_word
from tubekit.amp.findings import ALWAYS, MISSING, Findings, read_fields, tables_in
from tubekit.amp.parts import (
    KINDS,
    Choke,
    Connector,
    OutputTransformer,
    Part,
    PowerTransformer,
    Thermistor,
    Transformer,
    Tube,
    Winding,
)
from tubekit.amp.parts.regulators import GasTube
from tubekit.amp.parts.tube_facts import LETTERS, REGULATOR, WIRE_ENDED, TubeFacts, TubeType, facts
from tubekit.amp.parts.tubes import RectifierTube, Section
from tubekit.devices import catalogue
from tubekit.errors import InputError, near_matches

SINGLE = tuple(spec.key for spec in fields_of(Section))
DIODES: Mapping[str, type[Tube]] = {"rectifier": RectifierTube, REGULATOR: GasTube}
"""Kinds of tube without a grid, by the family of the type."""


def alike(known: TubeFacts, sections: int) -> list[str]:
    """Types of the same family with that many sections, those of the same base and heater first."""
    result = []
    for other in catalogue.tube_types():
        with suppress(InputError):  # a damaged file of the user's own
            result.append(facts(other))
    result = [one for one in result if (one.family, one.sections) == (known.family, sections)]
    result = [one for one in result if one.base != WIRE_ENDED]
    result.sort(key=lambda one: (one.base != known.base, one.heater_volts != known.heater_volts, one.type))
    return [one.type for one in result[:3]]


def make_tube(designator: str, table: Mapping[str, Any], findings: Findings) -> Tube | None:
    """A tube of its table, or None where the table cannot be used (the reasons are kept)."""
    if "type" not in table:
        fix = 'Write it like type = "12AX7"'
        findings.add(designator, "type is missing", fix, code=MISSING, key="type")
        return None
    try:
        tube_type = TubeType().read(table["type"])
        known = facts(tube_type)
    except InputError as error:
        findings.add_error(designator, "type", error)
        return None
    if known.family in DIODES:
        return _diode(DIODES[known.family], designator, table, known, findings)
    table = _with_filament(designator, table, known, findings)
    inner = tables_in(table)
    alone = [key for key in SINGLE if key in table and key not in inner]
    values = read_fields(Tube, table, designator, findings, (*ALWAYS, *inner, *alone))
    drawn = {"": {key: table[key] for key in alone}} if alone or not inner else {}
    unused = str(table.get("unused", ""))
    sections = [
        _section(designator, key, one, known, findings, unused) for key, one in (drawn | inner).items()
    ]
    if len(sections) > known.sections:
        fix = f"Enter {known.sections} section(s) only, or correct the tube type"
        problem = f"{known.type} is {known.words}, but {len(sections)} sections are entered"
        findings.add(designator, problem, fix, alike(known, len(sections)), code="too_many_sections")
    elif unused in inner or (unused and known.sections < 2):
        fix = "Take 'unused' out, or write there the half that nothing is wired to"
        problem = (
            f"half {unused} is marked unused, but it is wired"
            if inner
            else f"{known.type} is not a dual tube"
        )
        findings.add(designator, problem, fix, code="unused", key="unused")
    elif len(sections) < known.sections and not (table.get("note") or unused):
        fix = f'Add {designator}.b (the other half), or write unused = "b"'
        problem = f"only {len(sections)} of the {known.sections} sections of {known.type} entered"
        findings.add(designator, problem, fix, alike(known, len(sections)), code="sections_left_out")
    _heater(designator, table, known, findings)
    good = tuple(one for one in sections if one is not None)
    if values is None or len(good) < len(sections) or len(good) > known.sections:
        return None
    return Tube(designator=designator, sections=good, family=known.family, socket=known.base, **values)


def _with_filament(
    designator: str, table: Mapping[str, Any], known: TubeFacts, findings: Findings
) -> Mapping[str, Any]:
    """The table of a directly heated tube: its cathode is the middle of its filament, without a pin."""
    ends = table.get("heater")
    if not known.filament or tables_in(table):
        return table
    three = isinstance(ends, list) and len(ends) == 3
    middle = ends[1] if three and isinstance(ends, list) else f"{designator}_filament"
    if isinstance(ends, list) and table.get("cathode", middle) not in (*ends, middle):
        tied = "to the center tap of the filament winding, or to the wiper of the hum control"
        fix = f"Take cathode out. Connect {table['cathode']} {tied}: its current returns through the filament"
        problem = f"{known.type} has no cathode pin: its filament is its cathode"
        findings.add(designator, problem, fix, code="no_such_electrode", key="cathode")
    if isinstance(ends, list) and len(ends) == 2:
        ends = [ends[0], middle, ends[1]]
    return {**table, "cathode": middle, **({"heater": ends} if "heater" in table else {})}


def _section(
    designator: str, key: str, table: Mapping[str, Any], known: TubeFacts, findings: Findings, unused: str
) -> Section | None:
    part = f"{designator}.{key}" if key else designator
    names = zip(LETTERS, known.systems, strict=False)
    own = ", ".join(f"[{designator}.{letter}] is the {each.type}" for letter, each in names)
    letters = f". {own}" if own else ""
    known_section = known.section(key or {"a": "b", "b": "a"}.get(unused, ""))
    if known_section is None:
        problem = f"{known.type} has sections of different kinds, and none has this name"
        findings.add(part, problem, own, code="unlike_systems")
        return None
    known = known_section
    if "plates" in table:
        fix = "Write plate, grid and cathode, or correct the type"
        problem = f"{known.type} is {known.words}; 'plates' is for rectifier tubes"
        findings.add(part, problem, fix, code="no_such_electrode", key="plates")
        return None
    values = read_fields(Section, table, part, findings)
    if values is None:
        return None
    has_screen = "screen" in values
    if has_screen and known.family == "triode":
        problem = f"{known.type} is a triode and has no screen"
        fix = f"Take screen out, or correct the type{letters}"
        findings.add(part, problem, fix, code="no_such_electrode", key="screen")
    if not has_screen and known.family == "pentode":
        fix = f"Add screen = …; for triode connection, write the same as for plate{letters}"
        findings.add(part, f"the screen of {known.type} is missing", fix, code=MISSING, key="screen")
    if has_screen != (known.family == "pentode"):
        return None
    return Section(name=designator + key, key=key, **values)


def _diode(
    kind: type[Tube], designator: str, table: Mapping[str, Any], known: TubeFacts, findings: Findings
) -> Tube | None:
    own = {spec.key for spec in fields_of(kind)}
    terminals = [key for key in ("plates", "plate", "cathode") if key in own]
    wrong = [key for key in ("plate", "plates", "grid", "screen") if key in table and key not in own]
    wrong += tables_in(table)
    if wrong:
        lines = ", ".join(f"{key} = {'[..]' if key == 'plates' else '..'}" for key in terminals)
        problem = f"{known.type} is {known.words} and has no '{wrong[0]}'"
        fix = f"Write {lines}, or correct the type"
        findings.add(designator, problem, fix, code="no_such_electrode", key=wrong[0])
        return None
    values = read_fields(kind, table, designator, findings, ALWAYS)
    _heater(designator, table, known, findings)
    if values is None:
        return None
    plates = len(values.get("plates", ()))
    if plates > known.sections:
        fix = f"Enter {known.sections} plate(s), or correct the tube type"
        problem = f"{known.type} has {known.sections} plate(s), but {plates} are entered"
        near = alike(known, plates)
        findings.add(designator, problem, fix, near, code="too_many_sections", key="plates")
        return None
    return kind(designator=designator, family=known.family, socket=known.base, **values)


def _heater(designator: str, table: Mapping[str, Any], known: TubeFacts, findings: Findings) -> None:
    if known.heater_volts and "heater" not in table:
        fix = 'Write it like heater = ["h1", "h2"]'
        problem = f"the heater of {known.type} is not connected"
        findings.add(designator, problem, fix, code=MISSING, key="heater")


PART_LETTERS = tuple(dict.fromkeys(letter for kind in KINDS for letter in kind.letters))


def make_part(designator: str, table: Any, findings: Findings) -> Part | None:
    """One part of its table, or None where the table cannot be used (the reasons are kept)."""
    if not isinstance(table, dict):
        fix = f"Write it as {designator} = {{ value = …, nodes = […] }}"
        findings.add(
            designator, f"is only {as_text(table)}; a part needs connections too", fix, code="no_table"
        )
        return None
    if not isinstance(table.get("removed", False), bool):
        problem = "removed must be true or false"
        findings.add(designator, problem, "Write removed = true", code="choice", key="removed")
        return None
    kind = _kind(designator, table, findings)
    if kind is None:
        return None
    if issubclass(kind, Transformer):
        return _transformer(kind, designator, table, findings)
    return (
        make_tube(designator, table, findings)
        if issubclass(kind, Tube)
        else _plain(kind, designator, table, findings)
    )


def _plain(kind: type[Part], designator: str, table: Mapping[str, Any], findings: Findings) -> Part | None:
    values = read_fields(kind, table, designator, findings, ALWAYS)
    if values is None or _two_points_missing(kind, values, designator, findings):
        return None
    if kind is Connector and _pins_wrong(values, designator, findings):
        return None
    return kind(designator=designator, **values)


def _two_points_missing(kind: type[Part], values: Mapping[str, Any], part: str, findings: Findings) -> bool:
    """Report a swinging choke or thermistor whose two points do not make a falling line."""
    count = len(findings.problems)
    if kind is Choke and "swing" in values:
        henries, amps = values["swing"]
        if "amps" not in values:
            fix = 'Add rating = "150 mA"'
            findings.add(part, "swing needs the current rating too", fix, code="no_rating", key="swing")
        elif not (henries > values["henries"] and amps < values["amps"]):
            fix = 'Write the higher inductance and the lower current, like swing = "20 H 15 mA"'
            problem = "a swinging choke must have more inductance at a lower current"
            findings.add(part, problem, fix, code="not_falling", key="swing")
    if kind is Thermistor and not values["hot"] < values["ohms"]:
        fix = "Thermistor: enter the cold resistance in 'value' and the lower, hot resistance in 'hot'"
        problem = "an inrush limiter must have less resistance hot than cold"
        findings.add(part, problem, fix, code="not_falling", key="hot")
    return len(findings.problems) > count


def _pins_wrong(values: Mapping[str, Any], part: str, findings: Findings) -> bool:
    """Report a connector whose halves have unlike numbers of pins, or a strap on a pin it has not."""
    pins, sockets = len(values["plug"]), len(values["socket"])
    if pins != sockets:
        fix = "For each, list every pin from pin 1 on, with '-' for a pin that has nothing soldered to it"
        problem = f"the plug has {pins} pins and the socket {sockets}"
        findings.add(part, problem, fix, code="pins", key="socket")
        return True
    beyond = [pin for pair in values.get("straps", ()) for pin in pair if not 1 <= pin <= pins]
    if beyond:
        problem, fix = f"a strap goes to pin {beyond[0]}, the last is {pins}", f"Write two from 1 to {pins}"
        findings.add(part, problem, fix, code="pins", key="straps")
    return bool(beyond)


def _kind(designator: str, table: Mapping[str, Any], findings: Findings) -> type[Part] | None:
    form = re.fullmatch(r"([A-Z]{1,3})([0-9]{1,4})([A-Z]?)", designator)
    if form is None or form[1] not in PART_LETTERS:
        findings.add(
            designator[:40],
            "is not a designator",
            f"Write a letter and a number, like R14. These letters can be used: {', '.join(LETTERS)}",
            near_matches(designator[:40], [designator.upper()[:40]]) if designator.islower() else (),
            code="designator",
        )
        return None
    allowed = {one.kind: one for one in KINDS if form[1] in one.letters}
    if "kind" not in table:
        if form[1] != "T":
            return _usual(designator, table, [*allowed.values()], findings)
        words = " or ".join(f"kind = '{one}'" for one in allowed)
        findings.add(designator, "kind is missing", f"Write {words}", code=MISSING, key="kind")
        return None
    wanted, names = table["kind"], [one.kind for one in KINDS]
    if isinstance(wanted, str) and wanted in allowed:
        return allowed[wanted]
    if isinstance(wanted, str) and wanted in names:
        letters = next(one.letters for one in KINDS if one.kind == wanted)
        findings.add(
            designator,
            f"kind '{wanted}' does not match a designator with the letter {form[1]}",
            f"Rename it {letters[0]}… if it is a {wanted}, or change its kind to {' or '.join(allowed)}",
            code="kind",
            key="kind",
            word=wanted,
        )
        return None
    near = near_matches(wanted, names) if isinstance(wanted, str) else ()
    problem, fix = f"kind {as_text(wanted)} is not known", f"Write one of: {', '.join(allowed)}"
    findings.add(designator, problem, fix, near, code="kind", key="kind", word=written_word(wanted))
    return None


def _usual(
    designator: str, table: Mapping[str, Any], allowed: list[type[Part]], findings: Findings
) -> type[Part] | None:
    """The kind a letter stands for by itself, unless the lines are those of another kind of that letter."""
    usual, *others = allowed
    known = {spec.key for spec in fields_of(usual)}
    for kind in others:
        telling = [spec.key for spec in fields_of(kind) if spec.required and spec.key not in known]
        if not issubclass(usual, Tube) and any(
            key in table for key in telling
        ):  # a tube's type tells its kind
            problem = f"looks like a {kind.kind}, but its kind is missing"
            fix = f"Add kind = '{kind.kind}' to {designator}"
            findings.add(designator, problem, fix, code="kind_untold", key="kind")
            return None
    return usual


def _transformer(
    kind: type[Transformer], designator: str, table: Mapping[str, Any], findings: Findings
) -> Transformer | None:
    inner = tables_in(table)
    values = read_fields(kind, table, designator, findings, (*ALWAYS, *inner))
    windings = [_winding(kind, designator, name, one, findings) for name, one in inner.items()]
    if not inner.get("primary"):
        fix = f"Add {designator}.primary with nodes, volts or turns, and resistance"
        findings.add(designator, "the primary winding is missing", fix, code="no_primary")
        return None
    if len(inner) < 2:
        fix = f"Add the others one by one, as {designator}.secondary, {designator}.high_voltage …"
        findings.add(designator, "has only a primary", fix, code="no_secondary")
        return None
    good = [one for one in windings if one is not None]
    if values is None or len(good) < len(windings):
        return None
    first = sorted(good, key=lambda one: one.name != "primary")  # the primary leads, the rest as drawn
    return kind(designator=designator, windings=tuple(first), **values)


def _regulated(part: str, name: str, values: Mapping[str, Any], findings: Findings) -> bool:
    """Whether the resistance of a winding is known by other means, or its absence has been told."""
    if "regulation_percent" in values and name != "primary":
        if "amps" not in values:
            problem, fix = "regulation needs the current rating too", 'Add rating = "3 A"'
            findings.add(part, problem, fix, code="no_rating", key="regulation")
        return True
    findings.add(
        part,
        "the winding has no resistance, so nothing would limit the rectifier's current peaks or the current "
        "at switch-on",
        "With the amp unplugged and discharged, measure the winding. Write resistance = [..] with one number "
        'for each section. For a secondary you can write its rating and regulation = "8 %" instead',
        code="no_resistance",
        key="resistance",
    )
    return True


def _winding(
    kind: type[Transformer], designator: str, name: str, table: Mapping[str, Any], findings: Findings
) -> Winding | None:
    part = f"{designator}.{name}"
    values = read_fields(Winding, table, part, findings, ("removed",))
    if values is None:
        return None
    measure, other = ("volts", "turns") if kind is PowerTransformer else ("turns", "volts")
    count, before = len(values["taps"]) - 1, len(findings.problems)
    for key in (measure, "ohms"):
        if key == "ohms" and not values.get(key) and _regulated(part, name, values, findings):
            continue
        given = len(values.get(key, ()))
        word = {"ohms": "resistance"}.get(key, key)
        if given != count:
            fix = f"Write {word} as a list of {count}, one for each section between two taps"
            problem = f"{word} has {given}, but a winding with {count + 1} connections needs {count}"
            findings.add(part, problem, fix, code="section_count", key=word)
    if "regulation_percent" in values and ("ohms" in values or name == "primary"):
        problem = "regulation is for a secondary only" if name == "primary" else "has both"
        fix = "Write its resistance only; for a secondary you can write its regulation and rating instead"
        problem += " resistance and regulation" if name != "primary" else ""
        findings.add(part, problem, fix, code="regulation_misplaced", key="regulation")
    if other in values:
        fix = f"Write {measure} instead of {other}"
        findings.add(part, f"{other} does not belong here", fix, code="other_measure", key=other)
    if "henries" in values and name != "primary":
        fix = f"Move it to {designator}.primary"
        findings.add(
            part, "inductance is for the primary only", fix, code="inductance_misplaced", key="inductance"
        )
    if "capacitance" in values and (name != "primary" or kind is not OutputTransformer):
        fix = "Write it only for the primary of an output transformer"
        findings.add(
            part,
            "capacitance cannot be entered for this part",
            fix,
            code="capacitance_misplaced",
            key="capacitance",
        )
    if kind is OutputTransformer and name == "primary" and "henries" not in values:
        fix = 'Write it like inductance = "25 H"'
        findings.add(part, "inductance is missing", fix, code=MISSING, key="inductance")
    return Winding(name=name, **values) if len(findings.problems) == before else None

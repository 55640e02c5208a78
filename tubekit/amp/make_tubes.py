"""Tubes from their tables: terminals against what the type has."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from typing import Any

from tubekit.amp.fields import fields_of
from tubekit.amp.findings import ALWAYS, MISSING, Findings, read_fields, tables_in
from tubekit.amp.parts.regulators import GasTube
from tubekit.amp.parts.tube_facts import LETTERS, REGULATOR, WIRE_ENDED, TubeFacts, TubeType, facts
from tubekit.amp.parts.tubes import RectifierTube, Section, Tube
from tubekit.devices import catalogue
from tubekit.errors import InputError

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

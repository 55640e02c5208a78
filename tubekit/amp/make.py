"""From tables to parts: every field read, every slip kept, none of them stopping the rest."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from tubekit.amp.fields import as_text, fields_of, written_word
from tubekit.amp.findings import ALWAYS, MISSING, Findings, read_fields, tables_in
from tubekit.amp.make_tubes import make_tube
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
from tubekit.errors import near_matches

LETTERS = tuple(dict.fromkeys(letter for kind in KINDS for letter in kind.letters))


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
    if form is None or form[1] not in LETTERS:
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

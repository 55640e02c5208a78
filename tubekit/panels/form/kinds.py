"""What can be said of a part from its table while that is still unfinished: its kind and its nodes."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

from tubekit.amp.fields import Listed, NodeName, fields_of
from tubekit.amp.parts import KINDS, Part
from tubekit.amp.parts.iron import Transformer, Winding
from tubekit.amp.parts.tubes import RectifierTube, Section, Tube, TubeFacts, facts
from tubekit.errors import InputError

LETTERS = sorted({letter for kind in KINDS for letter in kind.letters}, key=len, reverse=True)


def letter_of(designator: str) -> str:
    """Class letter of a designator, '' where it has none.

    Examples
    --------
    >>> letter_of("RT1"), letter_of("V3"), letter_of("?")
    ('RT', 'V', '')
    """
    found = re.match(r"[A-Z]+", designator)
    return found[0] if found and found[0] in LETTERS else ""


def tube_facts(table: Mapping[str, Any]) -> TubeFacts | None:
    """What the catalogue says of the type in a table; None where it knows no such type."""
    try:
        return facts(str(table["type"]))
    except (KeyError, InputError):
        return None


def kind_of(designator: str, table: Mapping[str, Any]) -> type[Part] | None:
    """The kind of part a table describes, as far as letter, `kind` and type tell."""
    letter = letter_of(designator)
    allowed = [kind for kind in KINDS if letter in kind.letters]
    if not allowed:
        return None
    if letter == "V":
        known = tube_facts(table)
        is_rectifier = known.family == "rectifier" if known else "plates" in table
        return RectifierTube if is_rectifier else Tube
    named = [kind for kind in allowed if kind.kind == table.get("kind")]
    return (named or allowed)[0]


def nodes_in(designator: str, table: Mapping[str, Any]) -> Iterator[str]:
    """Every node that a part's table names, finished or not."""
    kind = kind_of(designator, table)
    if kind is None:
        return
    yield from _nodes(kind, table)
    if issubclass(kind, Transformer | Tube):
        inner = Winding if issubclass(kind, Transformer) else Section
        if issubclass(kind, Tube):
            yield from _nodes(Section, table)
        for one in table.values():
            if isinstance(one, dict):
                yield from _nodes(inner, one)


def _nodes(kind: type, table: Mapping[str, Any]) -> Iterator[str]:
    for spec in fields_of(kind):
        value, form = table.get(spec.key), spec.form
        if isinstance(form, NodeName):
            yield from _named([value])
        elif isinstance(form, Listed) and isinstance(form.entry, NodeName):
            yield from _named(value if isinstance(value, list) else [value])


def _named(values: list[Any]) -> Iterator[str]:
    yield from (one for one in values if isinstance(one, str) and one not in ("", "-"))

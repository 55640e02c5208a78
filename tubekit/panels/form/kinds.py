"""What can be said of a part from its table while that is still unfinished: its kind and its nodes."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

from tubekit.amp.fields import Listed, NodeName, fields_of
from tubekit.amp.make import DIODES
from tubekit.amp.parts import KINDS, Part
from tubekit.amp.parts.transformers import Transformer, Winding
from tubekit.amp.parts.tube_facts import TubeFacts, facts
from tubekit.amp.parts.tubes import Section, Tube
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
        family = known.family if known else "rectifier" if "plates" in table else ""
        return DIODES.get(family, Tube)
    named = [kind for kind in allowed if kind.kind == table.get("kind")]
    return (named or allowed)[0]


def nodes_in(designator: str, table: Mapping[str, Any]) -> list[str]:
    """Every node that a part's table names, finished or not."""
    found: list[str] = []

    def kept(node: str) -> str:
        found.append(node)
        return node

    with_nodes(designator, table, kept)
    return found


def with_nodes(designator: str, table: Mapping[str, Any], named: Callable[[str], str]) -> dict[str, Any]:
    """The table of a part with each node called as `named` says; a word that is no node stays.

    Examples
    --------
    >>> with_nodes("J1", {"tip": "input", "direction": "input"}, lambda node: f"{node}_2")
    {'tip': 'input_2', 'direction': 'input'}
    """
    kind = kind_of(designator, table)
    if kind is None:
        return dict(table)
    holders = (kind, Section) if issubclass(kind, Tube) else (kind,)
    inner = Winding if issubclass(kind, Transformer) else Section
    keys, inner_keys = _node_keys(*holders), _node_keys(inner)
    return {
        key: {one: _named(value, named) if one in inner_keys else value for one, value in held.items()}
        if isinstance(held, dict)
        else _named(held, named)
        if key in keys
        else held
        for key, held in table.items()
    }


def _node_keys(*kinds: type) -> set[str]:
    return {
        spec.key
        for kind in kinds
        for spec in fields_of(kind)
        if isinstance(spec.form, NodeName)
        or (isinstance(spec.form, Listed) and isinstance(spec.form.entry, NodeName))
    }


def _named(value: Any, named: Callable[[str], str]) -> Any:
    if isinstance(value, list):
        return [_named(one, named) for one in value]
    return named(value) if isinstance(value, str) and value not in ("", "-") else value

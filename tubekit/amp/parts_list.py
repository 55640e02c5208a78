"""A parts list as people keep it: a row a part in CSV or XLSX, and back into the tables of an amp file.

A winding, a section of a tube, a test point and a line of the heading have rows of their own. In the columns
`nodes` and `more` stands `key = value`, one after the other with ; between, a list with commas.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from tubekit.amp.fields import Form, Listed, NodeName, Words, YesNo, fields_of
from tubekit.amp.findings import Findings, Heading, NodeOrPair, TestPoint, tables_in
from tubekit.amp.make import make_part
from tubekit.amp.parts import KINDS, PowerTransformer, Section, Transformer, Tube, Winding
from tubekit.amp.spreadsheets import csv_file, plain, slip, xlsx_file
from tubekit.amp.write import HEADS, toml_text
from tubekit.errors import near_matches
from tubekit.files import data_file

SUFFIXES = CSV, XLSX, TOML = ".csv", ".xlsx", ".toml"
COLUMNS = ("part", "kind", "value", "nodes", "rating", "tolerance", "more", "role", "note")
HEADING, TEST_POINT, WINDING, SECTION = "heading", "test point", "winding", "section"
DIRECT = ("value", "rating", "tolerance", "role", "note")
PIECES = re.compile(r'"(?:[^"\\]|\\.)*"|[^",;=\n]+|[",;=\n]')

Cells = Mapping[str, str]


@dataclass(frozen=True)
class Scheme:
    """How the rows of a kind use the columns: forms by key, and which key the column `value` holds."""

    forms: Mapping[str, Form]
    value: str
    bare: str = "nodes"

    def names_nodes(self, key: str) -> bool:
        """Whether a key belongs in the column of the nodes."""
        form = self.forms.get(key)
        return isinstance(form.entry if isinstance(form, Listed) else form, NodeName | NodeOrPair)

    def column(self, key: str) -> str:
        """The column that a key belongs in."""
        if key in DIRECT or key == self.value:
            return key if key in DIRECT else "value"
        return "nodes" if self.names_nodes(key) else "more"

    def read(self, key: str, pieces: Sequence[str]) -> object:
        """The value of a key as an amp file has it; lists may have / between, of nodes blanks too."""
        form, between = self.forms.get(key), r"[\s/]+" if self.names_nodes(key) else r"/"
        if isinstance(form, Listed) or self.names_nodes(key):
            split = (
                [_unquoted(piece)] if piece.startswith('"') else re.split(between, piece) for piece in pieces
            )
            items = [item.strip() for some in split for item in some if item.strip()]
        else:
            items = [_unquoted(piece) for piece in pieces]
        if isinstance(form, Listed) or (isinstance(form, NodeOrPair) and len(items) != 1):
            return items
        return self.whole(key, ", ".join(items))

    def whole(self, key: str, text: str) -> object:
        """The value of a key that is no list."""
        return {"true": True, "false": False}.get(text, text) if key not in self.forms else text


def _scheme(part: str, kind: str, parent: Mapping[str, Any]) -> Scheme:
    if kind == TEST_POINT:
        return Scheme(_forms(TestPoint), "volts", "node")
    if part.startswith("amp."):
        return Scheme(_forms(Heading), part.partition(".")[2])
    if "." in part:
        inner = Section if part.startswith("V") else Winding
        return Scheme(_forms(inner), "volts" if parent.get("kind") == PowerTransformer.kind else "turns")
    letter = re.match(r"[A-Z]*", part)
    allowed = [one for one in KINDS if letter and letter[0] in one.letters]
    allowed.sort(key=lambda one: one.kind != kind)  # the one that is named first
    forms = _forms(*allowed, *([Section] if any(issubclass(one, Tube) for one in allowed) else []))
    main = [s.key for one in allowed[:1] for s in fields_of(one) if s.main and not isinstance(s.form, YesNo)]
    return Scheme(forms, main[0] if main else "value")


def _forms(*records: type) -> dict[str, Form]:
    return {spec.key: spec.form for record in reversed(records) for spec in fields_of(record)}


# ---- writing


def content(tables: Mapping[str, Any], suffix: str, where: str) -> bytes:
    """A file of these tables: TOML, CSV or XLSX, by its suffix.

    Raises
    ------
    AmpFileError : another suffix, openpyxl is missing, or a text no spreadsheet can hold.
    """
    if suffix.lower() == TOML:
        return toml_text(tables).encode()
    return _written(rows(tables), suffix, where, _examples()["columns"])


def template(suffix: str, where: str) -> bytes:
    """A list to fill in: the heading, and an example of each kind of part that is left out when it is read.

    Raises
    ------
    AmpFileError : neither .csv nor .xlsx, or openpyxl is missing.
    """
    examples = _examples()
    columns, parts = examples.pop("columns"), examples.pop("parts")
    listed = [
        row if row["kind"] == HEADING else {**row, "part": f"# {row['part']}"}
        for row in rows({**examples, **parts})
    ]
    return _written(listed, suffix, where, columns)


def _examples() -> dict[str, Any]:
    return tomllib.loads(data_file("parts-list.toml").read_text(encoding="utf-8"))


def _written(listed: Iterable[Cells], suffix: str, where: str, columns: Mapping[str, str]) -> bytes:
    cells = [list(COLUMNS), *([row.get(column, "") for column in COLUMNS] for row in listed)]
    if suffix.lower() == CSV:
        return csv_file(cells)
    if suffix.lower() == XLSX:
        return xlsx_file(cells, columns, where)
    fix = "Use a file name that ends in .toml, .csv or .xlsx (for a template: .csv or .xlsx)"
    raise slip(where, f"a parts list cannot be written as '{suffix}'", fix, "suffix")


def rows(tables: Mapping[str, Any]) -> Iterator[Cells]:
    """The rows of an amp's tables, heading first.

    Examples
    --------
    >>> result = rows({"R14": {"value": "270", "nodes": ["k34", "ground"], "rating": "5 W"}})
    >>> print(next(result))
    {'part': 'R14', 'kind': 'resistor', 'value': '270', 'rating': '5 W', 'nodes': 'k34, ground'}
    """
    for key, value in tables.get("amp", {}).items():
        yield _row(f"amp.{key}", HEADING, {key: value}, {})
    for name, table in tables.get("test_points", {}).items():
        yield _row(name, TEST_POINT, table, {})
    for name, table in tables.items():
        if name in HEADS:
            continue
        made, inner = make_part(name, table, Findings("", {})), tables_in(table)
        own = {key: value for key, value in table.items() if key not in inner and key != "kind"}
        yield _row(name, made.kind if made else str(table.get("kind", "")), own, {})
        for key, one in inner.items():
            word = WINDING if isinstance(made, Transformer) else SECTION
            yield _row(f"{name}.{key}", word, one, table)


def _row(part: str, kind: str, table: Mapping[str, Any], parent: Mapping[str, Any]) -> Cells:
    scheme = _scheme(part, kind, parent)
    cells, nodes, more = {"part": part, "kind": kind}, dict[str, str](), dict[str, str]()
    for key, value in table.items():
        column = scheme.column(key)
        if column in DIRECT:
            cells[column] = _listed(value) if isinstance(value, list) else plain(value)
        else:
            (nodes if column == "nodes" else more)[key] = _listed(value)
    if list(nodes) == [scheme.bare]:
        cells["nodes"] = nodes[scheme.bare]
    else:
        cells["nodes"] = "; ".join(f"{key} = {text}" for key, text in nodes.items())
    cells["more"] = "; ".join(f"{key} = {text}" for key, text in more.items())
    return {column: text for column, text in cells.items() if text}


def _listed(value: object) -> str:
    return ", ".join(map(_quoted, value if isinstance(value, list) else [value]))


def _quoted(value: object) -> str:
    text = plain(value)
    simple = text == text.strip() and re.fullmatch(r'[^",;=/\n]+', text)
    return text if simple else json.dumps(text, ensure_ascii=False)


# ---- reading


def tables_of(cells: Sequence[Sequence[str]], where: str) -> tuple[dict[str, Any], dict[str, str]]:
    """The tables of an amp file from the cells of a list, and the row and column of each part and field.

    Raises
    ------
    AmpFileError : a column that is not known, a row without a part, a part or a field written twice.
    """
    filled = [(number, row) for number, row in enumerate(cells, 1) if any(cell.strip() for cell in row)]
    heads = [cell.strip().lower() for cell in filled[0][1]] if filled else []
    _check_heads(heads, f"{where}, row {filled[0][0]}" if filled else where)
    place, tables, places = heads.index("part"), dict[str, Any](), dict[str, str]()
    # windings and sections after their parts, wherever a sort of the rows has put them
    for number, row in sorted(filled[1:], key=lambda one: "." in "".join(one[1][place : place + 1])):
        here = f"{where}, row {number}"
        result = {head: cell for head, cell in zip(heads, row, strict=False) if head and cell.strip()}
        part = result.pop("part", "").strip()
        if part.startswith("#"):
            continue
        if any(cell.strip() for cell in row[len(heads) :]):
            fix = "Put quotation marks around a cell with a comma in it"
            raise slip(here, f"has {len(row)} cells, but only {len(heads)} columns", fix, "cells", part=part)
        if not part:
            fix = "Write the designator of the part, like R14"
            raise slip(f"{here}, column part", "the part is missing", fix, "no_part")
        _take(part, result, tables, places, here)
    return tables, places


def _check_heads(heads: Sequence[str], where: str) -> None:
    known, fix = [*COLUMNS, *_forms(*KINDS, Winding, Section)], "The columns are " + ", ".join(COLUMNS)
    for head in filter(None, heads):
        if head not in known:
            near = near_matches(head, known)
            raise slip(where, f"there is no column '{head[:40]}'", fix, "columns", near=near)
        if heads.count(head) > 1:
            raise slip(where, f"there are two columns '{head}'", "Keep one of them", "columns")
    if "part" not in heads:
        raise slip(where, "the column part is missing", fix, "columns")


def _take(part: str, cells: Cells, tables: dict[str, Any], places: dict[str, str], here: str) -> None:
    """Put one row into the tables."""
    names = {one.kind.lower(): one.kind for one in KINDS}
    word = cells.get("kind", "").strip()
    kind = names.get(word.lower(), word)
    if not kind and re.fullmatch(r"TP\d+", part):
        kind = TEST_POINT
    name, _, inner = part.partition(".")
    scheme, path = _scheme(part, kind, tables.get(name, {})), part
    if kind == TEST_POINT:
        path = f"test_points.{part}"
        table = tables.setdefault("test_points", {}).setdefault(part, {})
    elif name == "amp":
        table = tables.setdefault(name, {})
    else:
        table = tables.setdefault(name, {})
        if inner:
            table = table.setdefault(inner, {})
        elif kind:
            table["kind"] = kind
            places[f"{path}.kind"] = f"{here}, column kind"
    if path in places or not isinstance(table, dict):
        fix = "Give one of them another number, or keep only one"
        raise slip(
            here,
            f"is entered twice (the other is {places.get(path, places.get(name, 'above'))})",
            fix,
            "twice",
            part=part,
        )
    places[path] = here
    if name != "amp":  # where it would be written, for what is missing
        places |= {f"{path}.{key}": f"{here}, column {scheme.column(key)}" for key in scheme.forms}
    for key, value, column in _values(cells, scheme, part, here):
        there = f"{here}, column {column}"
        if key in table:
            raise slip(there, f"'{key}' is written twice", f"Keep one {key}", "twice", part=part, key=key)
        table[key] = value
        places[path if name == "amp" else f"{path}.{key}"] = there


def _values(cells: Cells, scheme: Scheme, part: str, here: str) -> Iterator[tuple[str, object, str]]:
    """(key, value, column) of everything a row says."""
    for column, cell in cells.items():
        if column in ("nodes", "more"):
            for written, items in _entries(cell):
                if not written and column == "more":
                    problem, fix = (
                        f"'{', '.join(items)[:40]}' has no name in front of it",
                        "Write it like style = film",
                    )
                    raise slip(f"{here}, column more", problem, fix, "no_key", part=part)
                key = written or scheme.bare
                yield key, scheme.read(key, items), column
        elif column != "kind":
            key = scheme.value if column == "value" else column
            form = scheme.forms.get(key)
            if isinstance(form, Listed) or scheme.names_nodes(key):
                yield key, scheme.read(key, [piece for _, some in _entries(cell) for piece in some]), column
            else:
                yield key, scheme.whole(key, cell if isinstance(form, Words) else cell.strip()), column


def _entries(cell: str) -> list[tuple[str, list[str]]]:
    """(key, pieces) of each entry of a cell, the key '' where none is written; quotation marks are left on.

    What has no key of its own goes on with the list before it.
    """
    result: list[tuple[str, list[str]]] = []
    key, pieces = "", list[str]()
    for piece in [*PIECES.findall(cell), ";"]:
        if piece == "=" and len(pieces) == 1 and not key:
            key, pieces = _unquoted(pieces[0]), []
        elif piece in (";", "\n"):
            if key or not result:
                result.append((key, pieces))
            else:
                result[-1][1].extend(pieces)
            key, pieces = "", []
        elif piece != "," and piece.strip():
            pieces.append(piece.strip())
    return [one for one in result if any(one)]


def _unquoted(text: str) -> str:
    try:
        return str(json.loads(text)) if text.startswith('"') else text
    except ValueError:
        return text

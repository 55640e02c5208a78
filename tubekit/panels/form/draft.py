"""A draft of an amp: the tables of an amp file while they are still being filled in.

Nothing entered is ever refused or dropped; what the check says of it stands beside the part.
"""

from __future__ import annotations

import copy
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import Any

from tubekit.amp import Amp, amp_from_text
from tubekit.amp.check import AmpFileProblems, checked
from tubekit.amp.fields import Listed, NodeName, fields_of
from tubekit.amp.make import DIODES
from tubekit.amp.parts import KINDS, Part
from tubekit.amp.parts.transformers import Transformer, Winding
from tubekit.amp.parts.tube_facts import TubeFacts, facts
from tubekit.amp.parts.tubes import Section, Tube
from tubekit.amp.read import extended, find, merged, parse_text, read_sheet
from tubekit.amp.write import toml_text
from tubekit.errors import AmpFileError, InputError, TubekitError


def sound(text: str, folder: Path) -> bool:
    """Whether a text, lying in `folder`, loads as an amp."""
    try:
        checked(extended(parse_text(text, "draft"), "draft", folder))
    except TubekitError:
        return False
    return True


def stepped(here: Any, step: str | int, after: str | int) -> Any:
    """One step down a path, with an empty table or list where nothing of the kind is there."""
    kind = list if isinstance(after, int) else dict
    if isinstance(step, int):
        into_list(here, step, here[step] if step < len(here) else kind(), keep=True)
        return here[step]
    if not isinstance(here.get(step), kind):
        old = here.get(step)
        here[step] = [old] if kind is list and old not in (None, "") else kind()
    return here[step]


def into_list(here: list[Any], place: int, value: Any, *, keep: bool = False) -> None:
    """Put a value at a place of a list, blanks before it; blanks at the end go unless `keep`."""
    here.extend([""] * (place + 1 - len(here)))
    here[place] = value
    while here and here[-1] == "" and not keep:
        here.pop()


def difference(base: Mapping[str, Any], own: Mapping[str, Any]) -> dict[str, Any] | None:
    """What has to be laid over `base` to give `own`; None where a single line would have to vanish."""
    said: dict[str, Any] = {}
    for key, value in base.items():
        if key in own:
            continue
        if not isinstance(value, dict):
            if key == "extends":
                continue
            return None
        said[key] = {"removed": True}
    for key, value in own.items():
        if isinstance(value, dict) and isinstance(base.get(key), dict):
            inner = difference(base[key], value)
            if inner is None:
                return None
            if inner:
                said[key] = inner
        elif base.get(key) != value:
            said[key] = value
    return said


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


Tables = dict[str, Any]
Path_ = tuple[str | int, ...]
NOT_PARTS = ("amp", "test_points")
WINDING_DEPTH = 3
GENERAL = ""
"""The place of what concerns no part in particular."""


@dataclass(frozen=True, eq=False)
class Draft:
    """Tables as in an amp file, whole or not; each change gives a new draft.

    `base` is the demo amp or file it began with ('' for an empty sheet), `base_tables` what stood there.

    Examples
    --------
    >>> draft = Draft.empty("Shop amp").added("R").put(("R1", "value"), "4K7")
    >>> draft.parts["R1"]["value"], draft.amp is None, draft.next_designator("R")
    ('4K7', True, 'R2')
    """

    tables: Tables
    base: str = ""
    base_tables: Tables = field(default_factory=dict)

    @classmethod
    def empty(cls, title: str = "", mains: str = "120 V", frequency: str = "60 Hz") -> Draft:
        """A sheet with nothing but a heading on it."""
        heading = {"title": title, "design_mains": mains, "mains_frequency": frequency}
        return cls({"amp": {key: value for key, value in heading.items() if value}})

    @classmethod
    def begun(cls, name_or_path: str | Path) -> Draft:
        """A copy of a demo amp or of an amp file, be that file sound or not.

        Raises
        ------
        AmpFileError : no such file, or not TOML.
        """
        sheet = read_sheet(name_or_path)
        tables = copy.deepcopy(dict(sheet.tables))
        heading = dict(tables.get("amp", {}))
        heading.pop("extends", None)
        path = find(name_or_path)
        is_demo = str(name_or_path).strip() == path.stem
        return cls({**tables, "amp": heading}, str(name_or_path) if is_demo else path.name, tables)

    @classmethod
    def of_text(cls, text: str) -> Draft:
        """The draft in a text that `text()` wrote.

        Raises
        ------
        AmpFileError : it is not TOML.
        """
        return cls(parse_text(text, "draft"))

    # ---- what stands in it

    @property
    def heading(self) -> Mapping[str, Any]:
        """The [amp] table."""
        found = self.tables.get("amp", {})
        return found if isinstance(found, dict) else {}

    @cached_property
    def parts(self) -> dict[str, dict[str, Any]]:
        """Tables of the parts, in the order they were drawn."""
        return {
            name: table
            for name, table in self.tables.items()
            if name not in NOT_PARTS and isinstance(table, dict)
        }

    @cached_property
    def nodes(self) -> tuple[str, ...]:
        """Every node named so far, each once, ground first."""
        found = (node for name, table in self.parts.items() for node in nodes_in(name, table))
        return tuple(dict.fromkeys(["ground", *found]))

    def get(self, path: Path_, otherwise: Any = "") -> Any:
        """What stands at a path such as ('V1', 'a', 'plate') or ('R1', 'nodes', 0)."""
        here: Any = self.tables
        for step in path:
            try:
                here = here[step]
            except (KeyError, IndexError, TypeError):
                return otherwise
        return here

    def kind(self, designator: str) -> str:
        """Kind of a part in words, as far as it can be told."""
        kind = kind_of(designator, self.parts[designator])
        return kind.kind if kind else "part"

    def next_designator(self, letter: str) -> str:
        """The class letter with the next number that is free."""
        numbers = [int(m[1]) for name in self.tables if (m := re.fullmatch(rf"{letter}(\d+)[A-Z]?", name))]
        return f"{letter}{max(numbers, default=0) + 1}"

    # ---- changes

    def put(self, path: Path_, value: Any) -> Draft:
        """The draft with a value at a path; '' or None takes it out. A number is a place in a list."""
        tables = copy.deepcopy(self.tables)
        here: Any = tables
        for step, after in pairwise(path):
            here = stepped(here, step, after)
        last = path[-1]
        blank = value is None or value == ""
        if isinstance(last, int):
            in_winding = len(path) > WINDING_DEPTH  # its number of sections is something entered, too
            into_list(here, last, "" if blank else value, keep=in_winding)
            if not here:
                self._emptied(tables, path[:-1])
        elif blank:
            here.pop(last, None)
        else:
            here[last] = value
        return self._with(tables)

    @staticmethod
    def _emptied(tables: Tables, path: Path_) -> None:
        here: Any = tables
        for step in path[:-1]:
            here = here[step]
        del here[path[-1]]

    def added(self, letter: str, table: Mapping[str, Any] | None = None, name: str = "") -> Draft:
        """The draft with one more part, under the next free designator of its letter."""
        return self._with({**self.tables, name or self.next_designator(letter): dict(table or {})})

    def with_parts(self, more: Mapping[str, Any]) -> Draft:
        """The draft with several parts laid over those that are there."""
        return self._with(merged(self.tables, more))

    def without(self, designator: str) -> Draft:
        """The draft without a part."""
        return self._with({name: table for name, table in self.tables.items() if name != designator})

    def renamed(self, old: str, new: str) -> Draft:
        """The draft with a part under another designator, in its old place.

        Raises
        ------
        AmpFileError : the new designator is taken.
        """
        if new != old and new in self.tables:
            free = self.next_designator(re.sub(r"\d.*", "", new) or "R")
            raise AmpFileError(f"{new} already exists", part=old, fix=f"Free: {free}")
        return self._with({new if name == old else name: table for name, table in self.tables.items()})

    def left_open(self, node: str) -> Draft:
        """The draft with a node that is joined once on purpose, such as an unused tap."""
        return self.put(("amp", "left_open"), [*self.heading.get("left_open", ()), node])

    def _with(self, tables: Tables) -> Draft:
        made = Draft(tables, self.base, self.base_tables)
        said = made.heading.get("left_open")
        if isinstance(said, list) and not set(map(str, said)) <= set(made.nodes):
            there = [node for node in said if node in made.nodes]  # the node went with its part
            return made.put(("amp", "left_open"), there or None)
        return made

    # ---- what the check says

    @cached_property
    def _checked(self) -> tuple[Amp | None, tuple[AmpFileError, ...]]:
        try:
            return amp_from_text(self.text(), self.heading.get("title") or "draft"), ()
        except AmpFileProblems as error:
            return None, error.problems
        except AmpFileError as error:
            return None, (error,)

    @property
    def amp(self) -> Amp | None:
        """The amp, once the check has nothing more to say."""
        return self._checked[0]

    @property
    def problems(self) -> tuple[AmpFileError, ...]:
        """Everything that the check has to say."""
        return self._checked[1]

    @cached_property
    def complaints(self) -> dict[str, list[AmpFileError]]:
        """Problems by the part they concern; '' for those that concern none ('amp' for the heading)."""
        found: dict[str, list[AmpFileError]] = {}
        for problem in self.problems:
            found.setdefault(self._place(problem), []).append(problem)
        return found

    def _place(self, problem: AmpFileError) -> str:
        owner = problem.part.strip("[]").split(".")[0]
        if owner in self.tables:
            return owner
        section = re.fullmatch(r"(V\d+)[a-z]", problem.part)
        return section[1] if section and section[1] in self.tables else GENERAL

    # ---- the file

    def text(self) -> str:
        """The text of the amp file, whole."""
        return toml_text(self.tables)

    def difference(self) -> str | None:
        """The text of an amp file that extends the base and says only what differs; None where none can."""
        if not self.base:
            return None
        said = difference(self.base_tables, self.tables)
        if said is None:
            return None
        heading = {**said.pop("amp", {}), "extends": self.base}
        return toml_text({"amp": heading, **said})

"""The boxes of the form: one widget for each entry, told apart by where its words go."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import ipywidgets as widgets

from tubekit.amp.fields import Choice, FieldSpec, Form, Listed, NodeName, Quantity, Words, YesNo, fields_of
from tubekit.amp.parts import Capacitor, Part, TwoTerminal
from tubekit.amp.parts.diodes import TypeName
from tubekit.amp.parts.switches import PinNode
from tubekit.amp.parts.transformers import PowerTransformer, Transformer
from tubekit.amp.parts.tube_facts import TubeFacts
from tubekit.amp.parts.tubes import RectifierTube, Section, Tube
from tubekit.devices import catalogue
from tubekit.panels import layout
from tubekit.panels.form.draft import Draft, Path_, kind_of, tube_facts
from tubekit.unit_words import EXAMPLES

WORDS, NODE, CHOICE, TYPE = "words", "node", "choice", "type"

LABELS = {
    "tip_switch": "tip switch to", "resonance_hz": "resonance", "resonance_ohms": "peak ohms", "esr": "ESR",
    "design_mains": "design line", "mains_frequency": "frequency", "mains": "actual line",
}  # fmt: skip
"""Keys that are not called by their own words."""
LATER = (
    "condition", "field_of", "dissipation", "surge", "ripple", "esr", "swing", "emission", "series", "note",
    "leakage", "regulation", "resonance_hz", "resonance_ohms",
)  # fmt: skip
"""Keys that are seldom filled in."""
FIRST = ("value", "type", "ohms", "style")
"""Keys that come first, as they do on the bench."""
LIKE = {
    "ohm": "4.7k, 470 or 1M", "F": "22n, 0.022u or 20 uF", "H": "10 H", "%": "10 %", "W": "0.5 W",
    "V": "450 V", "A": "100 mA", "Hz": "60 Hz", "s": "60 s",
}  # fmt: skip


@dataclass(frozen=True)
class Entry:
    """One box of the form: where its words go in the part's table, its label and its choices.

    `choices` are (words, value) of a closed list, or the names offered in an open one; `number` means
    that a plain number is kept as a number. `later` says that it is seldom filled in.
    """

    path: Path_
    label: str
    kind: str
    choices: tuple[tuple[str, Any], ...] = ()
    like: str = ""
    needed: bool = False
    number: bool = False
    later: bool = False

    @property
    def key(self) -> str:
        """The key in the file that the check names."""
        return next(str(step) for step in reversed(self.path) if isinstance(step, str))


def entries(designator: str, table: Mapping[str, Any]) -> list[Entry]:
    """Every box about a part but those of a transformer's windings (`winding_entries`)."""
    kind = kind_of(designator, table)
    if kind is None:
        return []
    if issubclass(kind, Tube):
        return list(_tube(kind, table))
    return list(_plain(kind, table))


def _plain(kind: type[Part], table: Mapping[str, Any]) -> Iterator[Entry]:
    specs = list(fields_of(kind))
    words = [spec for spec in specs if spec.key in ("role", "note")]
    usual = [one for one in specs if one not in words and one.key not in LATER]
    for spec in sorted(usual, key=lambda one: one.key not in FIRST):
        yield from _of(spec, table, labels=_ends(kind, table))
    for spec in words + [one for one in specs if one.key in LATER and one not in words]:
        yield from _of(spec, table)


def _ends(kind: type[Part], table: Mapping[str, Any]) -> tuple[str, ...]:
    if kind is Capacitor and table.get("style") == "electrolytic":
        return ("from, +", "to, −")
    return kind.lead_words if issubclass(kind, TwoTerminal) else ()


def _of(spec: FieldSpec, table: Mapping[str, Any], labels: tuple[str, ...] = ()) -> Iterator[Entry]:
    """The boxes of one field: one, or one for each entry of a list of nodes."""
    form, later = spec.form, spec.key in LATER
    label = LABELS.get(spec.key, spec.key.replace("_", " "))
    if isinstance(form, Listed) and isinstance(form.entry, NodeName):
        yield from _listed(spec.key, form, table, label, labels)
    elif isinstance(form, NodeName):
        yield Entry((spec.key,), label, NODE, needed=spec.required)
    elif isinstance(form, Choice | YesNo):
        yield Entry((spec.key,), label, CHOICE, _choices(form, spec), needed=spec.required, later=later)
    elif isinstance(form, TypeName):
        types = tuple((name, name) for name in form.names())
        yield Entry((spec.key,), "type", TYPE, types, form.example, spec.required)
    else:
        number = isinstance(form, Quantity) and not form.unit
        yield Entry(
            (spec.key,), label, WORDS, like=_like(form), needed=spec.required, number=number, later=later
        )


def _listed(
    key: str, form: Listed, table: Mapping[str, Any], label: str, labels: tuple[str, ...]
) -> Iterator[Entry]:
    filled = len(table.get(key, ()) if isinstance(table.get(key), list) else ())
    count = min(form.longest, max(form.shortest, filled + 1))
    for place in range(count):
        pin = isinstance(form.entry, PinNode)
        name = labels[place] if place < len(labels) else f"{label.removesuffix('s')} {place + 1}"
        yield Entry((key, place), name, NODE, like="- for an unused pin" if pin else "",
                    needed=place < form.shortest)  # fmt: skip


def _choices(form: Choice | YesNo, spec: FieldSpec) -> tuple[tuple[str, Any], ...]:
    found: list[tuple[str, Any]] = [("—", "")] if spec.required else [("default", "")]
    if isinstance(form, YesNo):
        return (*found, (form.words[0], True), (form.words[1], False))
    return (*found, *((word, word) for word in form.options))


def _like(form: Form) -> str:
    if isinstance(form, Quantity):
        return (
            LIKE.get(form.unit, EXAMPLES.get(form.unit, ""))
            if form.unit
            else f"{form.low:g} to {form.high:g}"
        )
    if isinstance(form, Listed):
        return "several, separated by commas"
    return "in your own words" if isinstance(form, Words) else "6.3 V 0.15 A"


# ---- tubes


def _tube(kind: type[Part], table: Mapping[str, Any]) -> Iterator[Entry]:
    specs = {spec.key: spec for spec in fields_of(kind)}
    yield from _of(specs["type"], table)
    known = tube_facts(table)
    if known is not None:
        yield from _electrodes(kind, known, table)
    for key in ("role", "emission", "series", "note"):
        if key in specs and (key != "emission" or known is None or known.heater_volts):
            yield from _of(specs[key], table)


def _electrodes(kind: type[Part], known: TubeFacts, table: Mapping[str, Any]) -> Iterator[Entry]:
    pins = _pins(known.type)
    if kind is RectifierTube:
        for place in range(known.sections):
            name = f"plate {'ab'[place]}" if known.sections > 1 else "plate"
            yield Entry(("plates", place), _with_pin(name, pins), NODE, needed=place == 0)
        yield Entry(("cathode",), _with_pin("cathode", pins), NODE, needed=True)
    else:
        if known.sections > 1:
            halves = (("all used", ""), *((f"half {key}", key) for key in "ab"))
            yield Entry(("unused",), "not used", CHOICE, halves)
        for key in _section_keys(known, table):
            drawn = table.get(key, {}) if key else table
            usual = known.electrodes(key)
            for spec in fields_of(Section):
                if spec.key in usual or spec.key in drawn:
                    name = f"{spec.key} {key}".rstrip()
                    path: Path_ = (key, spec.key) if key else (spec.key,)
                    needed = spec.key in usual or spec.required
                    yield Entry(path, _with_pin(name, pins), NODE, needed=needed)
    if known.heater_volts:
        ends = table.get("heater")
        for place in range(max(2, len(ends) if isinstance(ends, list) else 0)):
            yield Entry(("heater", place), _with_pin("heater", pins, place), NODE, needed=True)


def _section_keys(known: TubeFacts, table: Mapping[str, Any]) -> list[str]:
    drawn = [key for key, value in table.items() if isinstance(value, dict)]
    usual = ["a", "b", "c"][: known.sections] if known.sections > 1 else [""]
    usual = [key for key in usual if key != table.get("unused")]
    return list(dict.fromkeys([*drawn, *usual]))[: max(known.sections, len(drawn))]


def _pins(tube_type: str) -> Mapping[str, Any]:
    return catalogue.tube(tube_type).pins or {}


def _with_pin(name: str, pins: Mapping[str, Any], place: int = 0) -> str:
    pin = pins.get(name, pins.get(name.split(" ", maxsplit=1)[0]))
    if isinstance(pin, list | tuple):
        pin = pin[place] if place < len(pin) else None
    return f"{name} ({pin})" if pin else name


# ---- transformers


def winding_entries(kind: type[Part], name: str, winding: Mapping[str, Any]) -> list[Entry]:
    """The boxes of one winding, along it from end to end."""
    assert issubclass(kind, Transformer)
    mains = kind is PowerTransformer
    count = sections_of(winding)
    measure, like = ("volts", "325 V") if mains else ("turns", "20")
    found = [Entry((name, "nodes", 0), "starts at", NODE, needed=True)]
    for place in range(count):
        which = f" {place + 1}" if count > 1 else ""
        text = partial(Entry, kind=WORDS, needed=True)
        end = "ends at" if place + 1 == count else f"tap {place + 1}"
        found += [
            text((name, measure, place), f"{measure}{which}", like=like, number=not mains),
            text((name, "resistance", place), f"ohms{which}", like="60, by ohmmeter"),
            Entry((name, "nodes", place + 1), end, NODE, needed=True),
        ]
    found.append(Entry((name, "rating"), "rating", WORDS, like="100 mA"))
    if name == "primary":
        found.append(
            Entry((name, "inductance"), "inductance", WORDS, like="10 H", needed=not mains, later=mains)
        )
    found.append(Entry((name, "leakage"), "leakage", WORDS, like="20 mH", later=True))
    return found


def sections_of(winding: Mapping[str, Any]) -> int:
    """How many sections a winding has so far; the box for them counts when nothing is filled in yet."""
    lists = [len(winding.get(key, ()) or ()) for key in ("volts", "turns", "resistance")]
    return max(1, len(winding.get("nodes", ()) or ()) - 1, *lists)


HEADING = (
    Entry(("title",), "title", WORDS, like="maker and model, as your shop calls it", needed=True),
    Entry(("design_mains",), "design line", WORDS, like="117 V, from the nameplate", needed=True),
    Entry(("mains_frequency",), "frequency", WORDS, like="60 Hz", needed=True),
    Entry(("mains",), "actual line", WORDS, like="123 V, only if it differs"),
)
ABOUT = (
    Entry(("maker",), "maker", WORDS, like="from the nameplate"),
    Entry(("year",), "year", WORDS, like="1956"),
    Entry(("town",), "town", WORDS),
    Entry(("story",), "story", WORDS, like="customer complaint, history"),
)


Put = Callable[[Path_, Any], None]
WIDE = {"role": "tubekit-wide", "note": "tubekit-wide", "story": "tubekit-wide", "title": "tubekit-title"}
"""Entries that run over several columns, with the class that says so in the style sheet."""
LABEL = "92px"
COLUMNS = "minmax(0, 1fr) minmax(0, 1fr)"


class Boxes(layout.Field):
    """The widgets of some entries in a grid of two columns.

    Parameters
    ----------
    found : the entries; paths count from `root`, which goes before each of them.
    put : told (path, value) when a box was left or a choice made.
    columns, label : how many columns of which width, and the room for the label in front.
    """

    def __init__(
        self,
        found: Sequence[Entry],
        root: Path_,
        draft: Draft,
        put: Put,
        *,
        columns: str = COLUMNS,
        label: str = LABEL,
    ) -> None:
        self._put, self._label = put, label
        self.entries = {(*root, *entry.path): entry for entry in found}
        self.inputs = {path: self._made(path, entry) for path, entry in self.entries.items()}
        wide = widgets.Layout(grid_template_columns=columns, grid_gap="0 12px", width="100%")
        super().__init__(widgets.GridBox(list(self.inputs.values()), layout=wide))
        for path, entry in self.entries.items():
            self.listen(self.inputs[path], partial(self._entered, path, entry))
        self.show(draft)

    def _made(self, path: Path_, entry: Entry) -> Any:
        owner = "" if path[0] in ("amp", "ports") else f"{path[0]} "
        like = f": {entry.like}" if entry.like else ""
        said = (entry.label, f"{owner}{entry.label}{like}")
        if entry.kind == CHOICE:
            box = layout.described(widgets.Dropdown, *said, wide=self._label, options=list(entry.choices))
        else:
            box = layout.entry(
                *said, widgets.Combobox if entry.kind in (NODE, TYPE) else widgets.Text, wide=self._label,
                placeholder=entry.like,
            )  # fmt: skip
        if entry.kind in (NODE, TYPE):
            box.options = [str(value) for _, value in entry.choices]
        if entry.key in WIDE:
            box.add_class(WIDE[entry.key])
        return box

    def _entered(self, path: Path_, entry: Entry, value: Any) -> None:
        self._put(path, as_entered(entry, value))

    def show(self, draft: Draft) -> None:
        """What stands in the draft now; the names of its nodes are offered."""
        with self.quietly():
            for path, entry in self.entries.items():
                box, value = self.inputs[path], draft.get(path)
                if entry.kind == NODE and box.options != draft.nodes:
                    box.options = draft.nodes
                if entry.kind == CHOICE:
                    known = {str(choice).lower(): choice for _, choice in entry.choices}
                    box.value = known.get(str(value).lower(), "")
                elif box.value != in_words(value):
                    box.value = in_words(value)

    def mark(self, wrong: Callable[[Path_, Entry, str], bool]) -> None:
        """Frame the boxes whose words cannot be used."""
        for path, entry in self.entries.items():
            box = self.inputs[path]
            if wrong(path, entry, str(getattr(box, "value", ""))):
                box.add_class("tubekit-wrong")
            else:
                box.remove_class("tubekit-wrong")


def as_entered(entry: Entry, value: Any) -> Any:
    """What goes into the draft: the words as they are, a plain number where the file has one.

    Examples
    --------
    >>> as_entered(Entry(("position",), "position", "words", number=True), "0,5")
    '0,5'
    >>> as_entered(Entry(("position",), "position", "words", number=True), "0.5")
    0.5
    """
    if not isinstance(value, str):
        return value
    text = value.strip()
    if entry.key == "straps" and text:
        return [one.strip() for one in text.split(",") if one.strip()]
    if entry.number:
        try:
            return float(text)
        except ValueError:
            return text
    return text


def in_words(value: Any) -> str:
    """What was entered, as it was entered.

    Examples
    --------
    >>> in_words(1.0), in_words("4K7"), in_words(["1-2", "3-4"])
    ('1', '4K7', '1-2, 3-4')
    """
    if isinstance(value, list):
        return ", ".join(in_words(one) for one in value)
    if isinstance(value, float):
        return f"{value:.12g}"
    return "" if value is None else str(value)

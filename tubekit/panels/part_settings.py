"""Which settings a part of an amp has, the list to choose a part from, and the changes on trial."""

from __future__ import annotations

import html
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any

import ipywidgets as widgets

from tubekit.amp import Amp
from tubekit.amp.batches import text_at
from tubekit.amp.fields import Choice, FieldSpec, Listed, NodeName, Quantity, Words, YesNo, fields_of
from tubekit.amp.parts import Part, Transformer, Tube
from tubekit.amp.parts.diodes import TypeName
from tubekit.amp.parts.tube_facts import facts
from tubekit.decisions.socket_check import socket_findings
from tubekit.devices import catalogue
from tubekit.errors import ChangeError, TubekitError, near_matches
from tubekit.panels import layout
from tubekit.panels.settings import (
    REMOVED,
    ChoiceSetting,
    FieldSetting,
    LevelSetting,
    PartValueSetting,
    Setting,
    Tell,
)

OUT = (REMOVED, REMOVED)
LEVELS = {"emission": (0.2, 1.2), "aging": (1.0, 5.0)}
"""Ends of sliders that are not those a file may state."""


def part_label(amp: Amp, part: Part) -> str:
    """Designator, value or type, and role, as a line of a list.

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


def settings_for(amp: Amp, part: Part) -> tuple[Setting, ...]:
    """Settings for everything about `part` that a bench changes, the most usual first."""
    specs = {one.name: one for one in fields_of(type(part))}
    found: list[Setting] = [_setting(part, specs[name]) for name in part.controls]
    fields = tuple(changeable(part))
    if not found and fields:
        found = [FieldSetting(part.designator, fields, amp)]
    for each in found:
        each.show(amp)
    return tuple(found)


def _setting(part: Part, spec: FieldSpec) -> Setting:
    """The setting of one field: by its form."""
    key = part.designator if spec.main else f"{part.designator}.{spec.key}"
    tip = f"{spec.key} of {key}"
    match spec.form:
        case Quantity(unit="", low=low, high=high):
            low, high = LEVELS.get(spec.name, (low, high))
            return LevelSetting(key, spec.key, low, high, 0.01, form=".2f", field=spec.name)
        case Quantity(unit=unit):
            drawn = float(getattr(part, spec.name))
            return PartValueSetting(key, unit, drawn, spec.name, has_states=not part.is_control)
        case YesNo(words=(yes, no)):
            return ChoiceSetting(key, "is", ((yes, True), (no, False)), f"is of {key}", spec.name)
        case Choice(options=options):
            return ChoiceSetting(key, spec.key, _same(options), tip, spec.name)
    assert isinstance(spec.form, TypeName)
    names = dict.fromkeys((getattr(part, spec.name), *spec.form.names()))
    types = tube_options(part) if isinstance(part, Tube) else list(_same(names))
    return ChoiceSetting(key, spec.key, [*types, OUT], tip, spec.name)


def amp_controls(amp: Amp) -> list[tuple[Part, str]]:
    """The amp's own controls (volume, tone, hum balance), each with what it is called on the panel."""
    found = [part for part in amp.parts.values() if part.is_control]
    words = [short_role(part) for part in found]
    return [
        (part, f"{word} {part.designator}" if words.count(word) > 1 else word)
        for part, word in zip(found, words, strict=True)
    ]


def control_setting(part: Part, words: str) -> LevelSetting:
    """The slider of one of them."""
    tip = f"{part.designator}, {part.role}: 0 to 1; use the arrow keys"
    key = f"{part.designator}.position"
    made = LevelSetting(key, words, 0.0, 1.0, 0.01, form=".2f", tooltip=tip, field="position")
    made.slider.style.description_width = "92px"
    return made


def short_role(part: Part) -> str:
    """What a control is called on the panel of its amp.

    Examples
    --------
    >>> from tubekit import load_amp
    >>> parts = load_amp("fescue").parts
    >>> short_role(parts["R53"]), short_role(parts["R51"]), short_role(parts["R54"])
    ('tone', 'volume', 'hum balance')
    """
    words = part.role or part.designator
    for end in (",", ";", ":", "(", " of "):
        words = words.partition(end)[0]
    return words.strip()


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


class PartPlace:
    """The list, and below it a place for controls.

    Parameters
    ----------
    tell : told of every move of a control.
    on_change : told that other controls stand here.
    """

    def __init__(self, tell: Tell, on_change: Callable[[], None]) -> None:
        self.list = layout.described(widgets.Dropdown, "part", "Choose the part to change")
        self.box = widgets.VBox([])
        self.settings: tuple[Setting, ...] = ()
        self._tell, self._on_change, self._filling = tell, on_change, False
        self._amp: Amp | None = None
        self._elsewhere: frozenset[str] = frozenset()
        self.list.observe(lambda change: self._chosen(change["new"]), "value")

    @property
    def names(self) -> tuple[str, ...]:
        """Designators in the list."""
        return tuple(name for _, name in self.list.options)

    def choose(self, designator: str) -> None:
        """Show the controls of a part.

        Raises
        ------
        ChangeError : it is not in the list.
        """
        if designator not in self.names:
            near = near_matches(designator, self.names)
            where = self._amp.name if self._amp else ""
            raise ChangeError("there is no such part here", where=where, part=designator, near=near)
        self.list.value = designator

    def offer(
        self,
        amp: Amp,
        parts: Iterable[Part],
        first: Callable[[list[str]], str | None],
        elsewhere: Iterable[str],
    ) -> None:
        """List the parts with what stands in each; the one that was chosen stays where it can.

        Parameters
        ----------
        first : picks the part to begin with.
        elsewhere : keys of settings that are elsewhere on the panel already.
        """
        self._amp, self._elsewhere = amp, frozenset(elsewhere)
        options = tuple((part_label(amp, part), part.designator) for part in parts)
        chosen = self.list.value
        self._filling = True
        self.list.options = options  # goes to the first one
        self.list.value = chosen if chosen in self.names else first(list(self.names))
        self._filling = False
        self._chosen(self.list.value)

    def _chosen(self, designator: str | None) -> None:
        """Controls of another part; what was changed stays changed."""
        if designator is None or self._filling or self._amp is None:
            return
        part = self._amp.parts[designator]
        found = settings_for(self._amp, part)
        self.settings = tuple(each for each in found if each.key not in self._elsewhere)
        for each in self.settings:
            each.on_move(self._tell)
        said = f"{part.designator}: {part.role or part.kind}" + (f". {part.note}" if part.note else "")
        words = f'<p class="tubekit-role">{html.escape(said)}</p>'
        if not found:
            words += "<p>Nothing can be changed on this part here.</p>"
        self.box.children = [widgets.HTML(words), *self.settings]
        self._on_change()


class Chips(widgets.VBox):
    """One button per change. Buttons are kept and reused: a moving slider only rewrites their words."""

    children: tuple[widgets.Widget, ...]

    def __init__(self, on_remove: Callable[[str], None]) -> None:
        self._on_remove = on_remove
        self._pool: list[widgets.Button] = []
        self.changed: tuple[str, ...] = ()
        self.none = widgets.HTML("<p>No changes yet.</p>")
        super().__init__([self.none])

    @property
    def buttons(self) -> tuple[widgets.Button, ...]:
        """Those that are seen, in the order of the changes."""
        return tuple(self._pool[: len(self.changed)])

    def show(self, changes: Mapping[str, tuple[str, str]]) -> None:
        """List the changes: key to (before, now) in words."""
        while len(self._pool) < len(changes):
            self._pool.append(self._button(len(self._pool)))
        before, self.changed = self.changed, tuple(changes)
        for button, (key, (old, new)) in zip(self._pool, changes.items(), strict=False):
            button.description = f"{key}  {old} → {new}   ×"
            button.tooltip = f"Undo the change to {key}"
        if len(before) != len(self.changed) or not self.children:
            self.children = self.buttons or (self.none,)

    def _button(self, place: int) -> widgets.Button:
        return layout.button("", "", lambda: self._on_remove(self.changed[place]), css="tubekit-chip")

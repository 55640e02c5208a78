"""Symbols with more than two ends: where their pins lie, what they cover, where their words stand."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from tubekit.amp.parts import GROUND, Part, Tube
from tubekit.amp.parts.tube_facts import facts
from tubekit.devices import catalogue
from tubekit.errors import TubekitError
from tubekit.plots.schematics.grid import (
    DOWN,
    HALF,
    LEFT,
    LINE,
    RIGHT,
    UP,
    Box,
    Pin,
    Shape,
    TextBlock,
    TextLine,
)
from tubekit.plots.schematics.sections import Item
from tubekit.plots.schematics.words import Reader


@dataclass(frozen=True)
class Ask:
    """What is asked for: an item with its label; to be mirrored, to be turned top to bottom."""

    reader: Reader
    item: Item
    label: Sequence[TextLine]
    mirror: bool = False
    flip: bool = False


def _potentiometer(ask: Ask) -> Shape:
    """Upright, the wiper to the right; as a rheostat the wiper is joined to its end."""
    top, wiper, bottom = (ask.item.at(name) for name in ("top", "wiper", "bottom"))
    side = -1 if ask.mirror else 1
    if ask.flip:
        top, bottom = bottom, top
    pins = [Pin(top, 0, HALF, UP), Pin(bottom, 0, -HALF, DOWN)]
    strap = "top" if wiper == top else "bottom" if wiper == bottom else ""
    if not strap:
        pins.append(Pin(wiper, 2 * side, 0, RIGHT if side > 0 else LEFT))
    x0, x1 = sorted((-0.55 * side, 1.9 * side if not strap else 1.3 * side))
    words = (TextBlock(tuple(ask.label), -0.8 * side, 0.0, "right" if side > 0 else "left"),)
    bodies = (Box(-0.55, -1.9, 0.55, 1.9), Box(x0, -0.3, x1, 0.3) if not strap else Box(x0, -1.8, x1, 1.8))
    return Shape("potentiometer", "v", tuple(pins), bodies, words, (strap, side))


def tube_look(part: Tube, item: Item) -> str:
    """'triode', 'beam' or 'pentode' of a section."""
    if "screen" not in dict(item.pins):
        return "triode"
    name = part.type if isinstance(part.type, str) else part.type[0]
    try:
        kind = str(catalogue.tube(name).kind)
    except (TubekitError, AttributeError):
        return "pentode"
    return "beam" if "beam" in kind else "pentode"


def _tube(ask: Ask) -> Shape:
    part = ask.reader.amp.parts[ask.item.parts[0]]
    assert isinstance(part, Tube)
    look = tube_look(part, ask.item)
    twin = len(part.sections) > 1 or "twin" in _facts(part)
    nodes = dict(ask.item.pins)
    high = 3 if look == "triode" else 4
    pins = [
        Pin(nodes["plate"], 0, high, UP),
        Pin(nodes["grid"], -3, 0, LEFT),
        Pin(nodes["cathode"], -1, -3, DOWN),
    ]
    top = 2.5 if look == "triode" else 3.5
    bodies = [Box(-2.55, -2.55, 2.55, top), Box(-0.3, top, 0.3, high - 0.1), Box(-2.9, -0.3, -2.5, 0.3),
              Box(-1.3, -2.9, -0.7, -2.5)]  # fmt: skip
    if "screen" in nodes:
        pins.append(Pin(nodes["screen"], 3, 1, RIGHT))
        bodies.append(Box(2.5, 0.7, 2.9, 1.3))
    words = (TextBlock(tuple(ask.label), 2.45, -1.95 - 0.3 * max(0, len(ask.label) - 2), "left"),)
    half = ("left" if ask.item.name.endswith("a") else "right") if twin else ""
    return Shape("tube", "v", tuple(pins), tuple(bodies), words, (look, half, part.filament))


def _directly_heated(part: Part) -> bool:
    """Whether the filament is the cathode; so drawn where the catalogue does not say."""
    assert isinstance(part, Tube)
    try:
        return (
            catalogue.tube(part.type if isinstance(part.type, str) else part.type[0]).directly_heated
            is not False
        )
    except TubekitError:
        return True


def _facts(part: Tube) -> str:
    try:
        return facts(part.type if isinstance(part.type, str) else part.type[0]).words
    except TubekitError:
        return ""


def _jack(ask: Ask) -> Shape:
    """Tip above, sleeve below; the switch contact between them."""
    nodes = dict(ask.item.pins)
    switch = nodes.get("tip_switch")
    tip = 3 if switch else 2
    side = -1 if ask.mirror else 1
    way = RIGHT if side > 0 else LEFT
    pins = [Pin(nodes["tip"], side, tip, way)]
    grounded = nodes["sleeve"] == GROUND
    pins.append(Pin(nodes["sleeve"], side, 0, DOWN if grounded else way))
    if switch:
        pins.append(Pin(switch, side, 2, DOWN if switch == GROUND else way))
    long = 4.6 if switch else 3.8
    x0, x1 = sorted((-long * side, 0.9 * side))
    words = (
        TextBlock(tuple(ask.label), -0.5 * long * side, tip + 0.5 + 0.5 * LINE * len(ask.label), "center"),
    )
    return Shape("jack", "v", tuple(pins), (Box(x0, -0.4, x1, tip + 0.3),), words, (bool(switch), side))


def _loudspeaker(ask: Ask) -> Shape:
    (_, a), (_, b) = ask.item.pins
    pins = (Pin(a, 0, 1, LEFT), Pin(b, 0, -1, DOWN if b == GROUND else LEFT))
    words = (TextBlock(tuple(ask.label), 3.4, 0.0, "left"),)
    return Shape("loudspeaker", "h", pins, (Box(0.3, -1.7, 3.1, 1.7), Box(0, 0.8, 0.3, 1.2)), words)


def _mains_plug(ask: Ask) -> Shape:
    nodes = dict(ask.item.pins)
    pins = [Pin(nodes["line"], 2, 2, RIGHT), Pin(nodes["neutral"], 2, -2, RIGHT)]
    if "earth" in nodes:
        pins.append(Pin(nodes["earth"], 2, 0, DOWN if nodes["earth"] == GROUND else RIGHT))
    words = (TextBlock((ask.label[0], *ask.reader.mains()), 0.0, 3.3 + 1.5 * LINE, "center"),)
    return Shape("mains plug", "h", tuple(pins), (Box(-1.2, -3, 1.9, 3),), words, ("earth" in nodes,))


def _selector(ask: Ask) -> Shape:
    """Common to the left, contacts to the right, the first on top."""
    part = ask.reader.amp.parts[ask.item.parts[0]]
    contacts = [node for name, node in ask.item.pins if name != "common"]
    rows = [2 * (len(contacts) - 1 - n) for n in range(len(contacts))]
    chosen = str(getattr(part, "chosen", contacts[0]))
    middle = rows[contacts.index(chosen)]
    pins = [Pin(ask.item.at("common"), -2, middle, LEFT)]
    pins += [Pin(node, 2, row, RIGHT) for node, row in zip(contacts, rows, strict=True)]
    bodies = (Box(-1.9, -0.5, 1.9, rows[0] + 0.5),)
    text = (ask.label[0], TextLine(f"on {chosen}", ask.label[1].ink), *ask.label[2:])
    words = (TextBlock(text, 0.0, rows[0] + 0.8 + 0.5 * LINE * len(text), "center"),)
    return Shape("selector", "h", tuple(pins), bodies, words, (tuple(rows), middle))


def _rectifier(ask: Ask) -> Shape:
    """Lying: plates to the left, cathode to the right; its heater is named, not drawn on."""
    nodes = dict(ask.item.pins)
    plates = [node for name, node in ask.item.pins if name.startswith("plate")]
    rows = [1, -1] if len(plates) == 2 else [0]
    pins = [Pin(node, -3, row, LEFT) for node, row in zip(plates, rows, strict=True)]
    pins.append(Pin(nodes["cathode"], 3, 0, RIGHT))
    heater = [node for name, node in ask.item.pins if name.startswith("heater")]
    direct = nodes["cathode"] in heater and _directly_heated(ask.reader.amp.parts[ask.item.parts[0]])
    lines = list(ask.label)
    if heater:
        lines.append(TextLine(f"heater {', '.join(heater)}", "value"))
    words = (TextBlock(tuple(lines), 0.0, -2.9 - 0.5 * LINE * len(lines), "center"),)
    bodies = (Box(-2.55, -2.55, 2.55, 2.55), Box(-2.9, -1.3, -2.5, 1.3), Box(2.5, -0.3, 2.9, 0.3))
    return Shape("rectifier", "h", tuple(pins), bodies, words, (tuple(rows), direct, bool(heater)))


def _heater(ask: Ask) -> Shape:
    nodes = [node for _, node in ask.item.pins]
    pins = [Pin(nodes[0], 0, HALF, UP), Pin(nodes[-1], 0, -HALF, DOWN)]
    if len(nodes) == 3:
        pins.append(Pin(nodes[1], -2, 0, LEFT))
    words = (TextBlock(tuple(ask.label), 1.0, 0.0, "left"),)
    return Shape("heater", "v", tuple(pins), (Box(-0.8, -1.9, 0.8, 1.9),), words, (len(nodes) == 3,))


def _box(ask: Ask) -> Shape:
    """A box with the name of whatever has no symbol of its own."""
    rows = [-2 * n for n in range(len(ask.item.pins))]
    pins = tuple(Pin(node, -2, row, LEFT) for row, (_, node) in zip(rows, ask.item.pins, strict=True))
    words = (TextBlock((*ask.label, TextLine(ask.item.kind, "value")), 2.3, 0.5 * rows[-1], "left"),)
    return Shape("box", "h", pins, (Box(-1.9, rows[-1] - 0.8, 2.0, 0.8),), words, (tuple(rows),))


FORMS: Mapping[str, Callable[[Ask], Shape]] = {
    "potentiometer": _potentiometer, "tube": _tube, "jack": _jack, "loudspeaker": _loudspeaker,
    "mains plug": _mains_plug, "selector switch": _selector, "rectifier": _rectifier, "heater": _heater,
}  # fmt: skip


def form(ask: Ask) -> Shape:
    """The shape of an item, without labels at its ends."""
    return FORMS.get(ask.item.kind, _box)(ask)
